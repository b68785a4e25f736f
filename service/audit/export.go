package audit

import (
	"context"
	"errors"
	"fmt"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// exportPage is how many places are read per snapshot. Our own choice.
const exportPage = 500

// ExportEntries streams the log in its order. What is on the log stays there, and
// nothing is ever inserted before it, so a copy that is resumed with the last token
// misses nothing.
//
// It goes by the places of the signed log and not by the rows in the database: a place
// without its entry is sent as a gap. A filter is compared with the entries themselves,
// because search columns are not signed. Each page is read in a snapshot of its own and
// sent outside of it, so that a slow reader holds no transaction open.
func (s Service) ExportEntries(req *pb.ExportEntriesRequest, stream pb.AuditService_ExportEntriesServer) error {
	filter, err := parse(req.Filter)
	if err != nil {
		return err
	}
	if filter.Op != "" {
		if filter, err = s.resolve(stream.Context(), req.Parent, filter); err != nil {
			return err
		}
		filter = withoutCoverage(filter) // a copy of all can be verified, so nothing is left out of it
	}
	x := export{caller: actor.From(stream.Context()), req: req, filter: filter}
	return x.pages(stream.Context(), s.DB, func(found []*pb.ExportEntriesResponse) error {
		for _, sent := range found {
			if err := stream.Send(sent); err != nil {
				return err
			}
		}
		return nil
	})
}

// pages reads page after page and passes what was found to send, outside of any
// transaction.
func (x *export) pages(ctx context.Context, db *storage.DB, send func(found []*pb.ExportEntriesResponse) error) error {
	for more := true; more; {
		err := storage.Read(ctx, db, record.Chain(x.req.Parent), func(r *storage.Snapshot) (err error) {
			more, err = x.page(r)
			return err
		})
		if errors.Is(err, storage.ErrBadToken) {
			return fault.Invalid("resume_token", "must be the last resume_token received with the same filter, or empty")
		}
		if err != nil {
			return err
		}
		if err := send(x.found); err != nil {
			return err
		}
	}
	return nil
}

// export is an export in progress.
//
// It holds one page at a time, so that the memory of an export does not grow with the
// log.
type export struct {
	caller actor.Actor
	req    *pb.ExportEntriesRequest
	filter storage.EntryFilter
	// begun means that the resume token was read.
	begun bool
	// next is the place to continue from.
	next int64
	// found are the answers of the page that was read last.
	found []*pb.ExportEntriesResponse
}

// page reads the next places and reports whether there are more. If the tiles do not
// lead to the signed root, the entries are sent without their signed hashes; an auditor
// then sees the damage when the copy is verified.
func (x *export) page(r *storage.Snapshot) (more bool, err error) {
	x.found = nil
	head, err := x.head(r)
	if err != nil {
		return false, err
	}
	if !x.begun {
		if x.next, err = storage.NextPlace(r, x.filter, x.req.ResumeToken); err != nil {
			return false, err
		}
		x.begun = true
	}
	// A copy for a checkpoint ends where that checkpoint does, even if the log has grown.
	end := head.Size
	if x.req.TreeSize > 0 {
		end = x.req.TreeSize
	}
	logged, err := storage.ReadLogged(r, x.next, min(end, x.next+exportPage))
	if err != nil || len(logged) == 0 {
		return false, err
	}
	leaves, err := record.LogHead(head).Leaves(x.next, int64(len(logged)), record.LogTiles(r))
	if errors.Is(err, ledger.ErrTiles) || errors.Is(err, ledger.ErrNoSuchTree) {
		leaves, err = nil, nil
	}
	if err != nil {
		return false, err
	}
	for i, l := range logged {
		if err := x.take(r, l, leaves, i); err != nil {
			return false, err
		}
	}
	x.next += int64(len(logged))
	return x.next < end, nil
}

// head reads the head of the log, if the caller may see the chain. A chain without a
// log yet has an empty head.
//
// A tree size beyond the log is INVALID_ARGUMENT: the caller has a checkpoint that this
// log does not have, or a mistake in the number.
func (x *export) head(r *storage.Snapshot) (storage.LogHead, error) {
	if _, err := record.Get(r, x.caller, storage.Chains, x.req.Parent); err != nil {
		return storage.LogHead{}, err
	}
	head, err := storage.ReadLogHead(r)
	if err != nil && !errors.Is(err, storage.ErrNotFound) {
		return head, err
	}
	if x.req.TreeSize > head.Size {
		return head, fault.Invalid("tree_size", fmt.Sprintf("must be at most the %d entries that are on the log", head.Size))
	}
	return head, nil
}

// take adds a place to the page. It leaves out only entries that are as signed and do
// not fit the filter: a changed entry is sent with every filter, because what it said
// before the change is unknown.
//
// A place without an entry is sent with an empty entry, its index and, if it is known,
// the signed leaf hash, from which the copy can be verified up to that gap.
func (x *export) take(r *storage.Snapshot, l storage.Logged, leaves []ledger.Hash, i int) error {
	sent := &pb.ExportEntriesResponse{Entry: l.Entry, Stored: l.Body, Index: l.Place, MismatchedColumns: l.Mismatched}
	signed := l.Entry != nil
	if leaves != nil {
		sent.LeafHash = leaves[i][:]
		signed = signed && leaves[i] == ledger.LeafHash(l.Body)
	}
	if signed && !x.filter.Matches(l.Entry) {
		return nil
	}
	if l.Entry == nil {
		sent.Entry = &pb.AuditEntry{}
	}
	var err error
	sent.ResumeToken, err = storage.PlaceToken(r, x.filter, l.Place)
	x.found = append(x.found, sent)
	return err
}
