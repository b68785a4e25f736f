package consultation

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// A link is not symmetric in what it answers: the answer has the client that was named
// first, because a stored answer must hold the data of one client only.

// mostLinked is how many clients can be one person. Our own choice: it bounds what a
// decision reads, and nobody is entered more often by mistake.
const mostLinked = 10

// A link and a session that begins at the same moment could each be decided without the
// other. So a link counts the open sessions of all its clients once more at the commit
// (storage.Changes.Open), and a session requires its client to be as it was read.

// LinkClients links two clients who are one person, with everybody whom either is linked
// with. Each of them lists all others, so a decision on any one of them finds the history
// of all from the client that it reads anyway.
func (s Service) LinkClients(ctx context.Context, req *pb.LinkClientsRequest) (*pb.LinkClientsResponse, error) {
	if req.Name == req.Client {
		return nil, fault.Invalid("client", "must be another client than name")
	}
	err := record.Upgraded(s.DB, storage.LinksSchema, pb.ErrorReason_ERROR_REASON_LINK_NEEDS_UPGRADE, req.Name, "decide on the history of one record only")
	if err != nil {
		return nil, err
	}
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Name, s.Now())
	return storage.Write(ctx, s.DB, record.Chain(req.Name), req, func(r *storage.Snapshot) (*pb.LinkClientsResponse, storage.Changes, error) {
		linked, err := readLinked(r, caller, req.Name)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		if slices.ContainsFunc(linked, func(c *pb.Client) bool { return c.Name == req.Client }) {
			return nil, storage.Changes{}, fault.Exists(req.Client)
		}
		others, err := readLinked(r, caller, req.Client)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		all := append(linked, others...)
		if len(all) > mostLinked {
			return nil, storage.Changes{}, fault.Invalid("client", fmt.Sprintf("must not bring more than %d clients together; with those linked it would be %d", mostLinked, len(all)))
		}
		changes, amended, err := relink(r, audit, all, func(*pb.Client) bool { return true })
		if err != nil {
			return nil, storage.Changes{}, err
		}
		return &pb.LinkClientsResponse{Client: amended[0]}, changes, nil
	})
}

// UnlinkClients takes a client out of its link. Under a legal hold it is refused: the
// hold covers all of the records, and one that were taken out could be erased.
func (s Service) UnlinkClients(ctx context.Context, req *pb.UnlinkClientsRequest) (*pb.UnlinkClientsResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Name, s.Now())
	return storage.Write(ctx, s.DB, record.Chain(req.Name), req, func(r *storage.Snapshot) (*pb.UnlinkClientsResponse, storage.Changes, error) {
		linked, err := readLinked(r, caller, req.Name)
		if err == nil && len(linked) == 1 {
			err = fault.Invalid("name", "must be a client that is linked with another")
		}
		if err == nil {
			err = checkHold(linked)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		changes, amended, err := relink(r, audit, linked, func(c *pb.Client) bool { return c.Name != req.Name })
		if err != nil {
			return nil, storage.Changes{}, err
		}
		return &pb.UnlinkClientsResponse{Client: amended[0]}, changes, nil
	})
}

// What is read here is read unchecked by salon: only a caller for the whole chain comes
// here, and clients belong to the chain.

// readLinked reads a client and those linked with it, the client first. One that is
// linked and not there any more is left out: it was erased, and a restored backup brought
// the others back.
func readLinked(r *storage.Snapshot, caller actor.Actor, name string) ([]*pb.Client, error) {
	client, err := record.Get(r, caller, storage.Clients, name)
	if err != nil {
		return nil, err
	}
	all := []*pb.Client{client}
	for _, other := range client.LinkedClients {
		c, err := storage.Clients.GetUnchecked(r, other)
		if errors.Is(err, storage.ErrNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		all = append(all, c)
	}
	return all, nil
}

// Both the link and its end write every client of the group anew: each then lists all
// others, and each has an entry of its own, which the export of that client has too.

// relink links those of the clients for whom stays holds with one another, and the others
// with nobody. It returns what is to be written and the clients as they will be stored. A
// client may be in the chair on what is known without the link, so it is refused while a
// session of one is open.
func relink(r *storage.Snapshot, audit ledger.EntryContext, clients []*pb.Client, stays func(*pb.Client) bool) (storage.Changes, []*pb.Client, error) {
	var together []string
	for _, c := range clients {
		open, err := storage.OpenSessionOf(r, c.Name)
		if err != nil {
			return storage.Changes{}, nil, err
		}
		if open != "" {
			return storage.Changes{}, nil, fault.Precondition(pb.ErrorReason_ERROR_REASON_SESSION_OPEN, open, "a session of one of the clients is open; record its outcome first").Naming("session", open)
		}
		if stays(c) {
			together = append(together, c.Name)
		}
	}
	slices.Sort(together)
	if len(together) == 1 {
		together = nil
	}
	changes := storage.Changes{}
	var amended []*pb.Client
	for _, c := range clients {
		now := proto.CloneOf(c)
		now.LinkedClients = nil
		if stays(c) {
			now.LinkedClients = slices.DeleteFunc(slices.Clone(together), func(name string) bool { return name == c.Name })
		}
		record.SetTime(now, "update_time", audit.Time)
		// The record first: it gives the client the etag that the entry's digest covers.
		changes.Records = append(changes.Records, storage.Clients.Replace(c, now))
		changes.Entries = append(changes.Entries, audit.Linked(c, now))
		changes.Open = append(changes.Open, storage.OpenSessions{Client: c.Name})
		amended = append(amended, now)
	}
	return changes, amended, nil
}

// checkHold refuses what would take records away that one of the clients is held for.
func checkHold(clients []*pb.Client) error {
	for _, c := range clients {
		if c.LegalHold {
			return fault.Precondition(pb.ErrorReason_ERROR_REASON_LEGAL_HOLD, c.Name, "the records are held for a legal claim; a manager may end that with UpdateClient")
		}
	}
	return nil
}
