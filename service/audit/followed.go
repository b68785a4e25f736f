package audit

import (
	"context"
	"errors"
	"math"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/storage"
)

// followedWithin is the default of within_hours; the contract states it. A day is our own
// choice: who goes on to another salon does so soon.
const followedWithin = 24 * time.Hour

// ListFollowedRefusals looks at refusals and referrals in the order in which they were
// recorded and, for each, at the sessions of its client. Entries are found as by
// ListEntries, and a page never passes a position that a running write can still use.
//
// Entries are read in a transaction of their own before the sessions. A session that is
// stored in between may be found or not; with the next call it is found.
func (s Service) ListFollowedRefusals(ctx context.Context, req *pb.ListFollowedRefusalsRequest) (*pb.ListFollowedRefusalsResponse, error) {
	refused := storage.EntryFilter{Op: "OR", Of: []storage.EntryFilter{
		{Op: "=", Field: "kind", Value: pb.EntryKind_ENTRY_KIND_REFUSAL.String()},
		{Op: "=", Field: "kind", Value: pb.EntryKind_ENTRY_KIND_REFERRAL.String()},
	}}
	filter := storage.EntryFilter{Op: "AND", Of: []storage.EntryFilter{refused}}
	if req.StartTime != nil {
		filter.Of = append(filter.Of, storage.EntryFilter{Op: ">=", Field: "record_time", Value: req.StartTime.AsTime()})
	}
	if req.EndTime != nil {
		filter.Of = append(filter.Of, storage.EntryFilter{Op: "<", Field: "record_time", Value: req.EndTime.AsTime()})
	}
	answer := &pb.ListFollowedRefusalsResponse{}
	f := following{caller: actor.From(ctx), req: req, sessions: map[string][]*pb.Session{}}
	wanted := storage.Page{Size: req.PageSize}.Limit()
	// Most refusals are followed by nothing, so a page of answers takes several pages of
	// entries.
	for token := req.PageToken; ; {
		page := storage.Page{Size: storage.MaxPageSize, Token: token}
		entries, next, err := s.settledPage(ctx, req.Parent, filter, page)
		if err != nil {
			return nil, err
		}
		if answer.NextPageToken, err = f.look(ctx, s.DB, entries, wanted, answer); err != nil || answer.NextPageToken != "" || next == "" {
			return answer, err
		}
		if answer.LookedAt >= mostLooks || next == token {
			answer.NextPageToken = next
			return answer, nil
		}
		token = next
	}
}

// mostLooks is after how many refusals a page ends, however few were followed. Our own
// choice.
const mostLooks = 5000

// look adds the followed refusals of some entries to a page, with how many entries it has
// looked at for them, so that a reader can tell "none" from "none of few". If the page is
// full before the last of them it returns the token of the next page.
func (f following) look(ctx context.Context, db *storage.DB, entries []storage.Entry, wanted int, answer *pb.ListFollowedRefusalsResponse) (next string, err error) {
	err = storage.Read(ctx, db, record.Chain(f.req.Parent), func(r *storage.Snapshot) error {
		f.r = r
		for i, e := range entries {
			if len(answer.FollowedRefusals) == wanted {
				next = entries[i-1].Token
				return nil
			}
			answer.LookedAt++
			found, readable, err := f.after(e.AuditEntry)
			if err != nil {
				return err
			}
			if !readable {
				answer.Unreadable++
			}
			if found != nil {
				answer.FollowedRefusals = append(answer.FollowedRefusals, found)
			}
		}
		return nil
	})
	return next, err
}

// following looks for the services after refusals. The sessions of a client are read
// once, however often the client was refused.
type following struct {
	r      *storage.Snapshot
	caller actor.Actor
	req    *pb.ListFollowedRefusalsRequest
	// sessions are those of clients that were looked at, newest first.
	sessions map[string][]*pb.Session
}

// after returns the first service after a refusal, nil if there is none, and whether the
// client's sessions could be read. Times are those at which things happened and not of
// their recording, because a till may have been offline. A visit that was moved to
// another client was never this client's.
func (f following) after(e *pb.AuditEntry) (*pb.FollowedRefusal, bool, error) {
	client := e.GetClient()
	sessions, known := f.sessions[client]
	if !known {
		var err error
		if sessions, err = f.of(client); err != nil {
			return nil, false, err
		}
		f.sessions[client] = sessions
	}
	if sessions == nil {
		return nil, false, nil
	}
	within := followedWithin
	if f.req.WithinHours != nil {
		within = time.Duration(*f.req.WithinHours) * time.Hour
	}
	var first *pb.Session
	var began time.Time
	for _, session := range sessions {
		at := session.GetStartTime().AsTime()
		later := at.Sub(e.GetOccurTime().AsTime())
		switch {
		case session.GetMovedTo() != "", later < 0, later > within:
		case !f.req.SameSalon && session.GetSalon() == e.GetSalon():
		case first == nil || at.Before(began):
			first, began = session, at
		}
	}
	if first == nil {
		return nil, true, nil
	}
	found := &pb.FollowedRefusal{
		Entry: e, Session: first.GetName(), Salon: first.GetSalon(), Practitioner: first.GetPractitioner(), Decision: first.GetDecision(),
		StartTime: first.GetStartTime(), AfterMinutes: int64(began.Sub(e.GetOccurTime().AsTime()).Minutes()),
	}
	overrides, err := storage.Overrides(f.r, e.GetDecision())
	for _, o := range overrides {
		if o.GetDenial() == pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED && !o.GetCreateTime().AsTime().After(began) {
			found.Overridden = true
		}
	}
	return found, true, err
}

// of returns the sessions of a client and of those linked with it, who are the same
// person; nil if they cannot be read any more. A client without any session has an empty
// list.
func (f following) of(client string) ([]*pb.Session, error) {
	stored, err := storage.Clients.GetUnchecked(f.r, client)
	if errors.Is(err, storage.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	all := []*pb.Session{}
	for _, name := range record.Linked(stored) {
		for page := (storage.Page{Size: storage.MaxPageSize}); ; {
			sessions, next, err := storage.ListSessions(f.r, storage.SessionFilter{Client: name}, page)
			if all = append(all, sessions...); err != nil {
				return nil, err
			}
			if next == "" {
				break
			}
			page.Token = next
		}
	}
	return all, nil
}

// settledPage reads a page of entries that ends before anything that a running write can
// still insert; see ListEntries. What is settled is asked only if the page may come that
// far: most pages are of entries that were settled long ago. It is asked before the page
// is read again, so that the snapshot has every entry before it.
func (s Service) settledPage(ctx context.Context, chain string, filter storage.EntryFilter, page storage.Page) ([]storage.Entry, string, error) {
	known := storage.KnownSettled(s.DB)
	entries, next, err := s.page(ctx, chain, filter, page, math.MaxInt64)
	if n := len(entries); err == nil && next != "" && n > 0 && entries[n-1].Position >= known {
		if known, err = storage.SettledBefore(ctx, s.DB); err == nil {
			entries, next, err = s.page(ctx, chain, filter, page, known)
		}
	}
	return entries, next, err
}
