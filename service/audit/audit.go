// Package audit serves the audit log: lists, exports, proofs and summaries of refusals,
// referrals, overrides, deviations, alarms, policy changes and recalls. Apart from
// AcceptRestore it only reads.
//
// # What can be trusted
//
// The signed log is the truth; the database is only where it is stored. Search columns
// and counters are not signed, and somebody with access to the database can edit them.
// Lists are therefore found by search columns and checked by the entries themselves,
// exports go by the places of the signed log, and every answer has the result of the
// last comparison of the log with the database (Logs.Check).
//
// Proofs are made only from tiles that lead to the signed root. If they do not, the
// answer is LOG_DAMAGED and not a proof that fails at the client.
//
// # Who may read
//
// The contract states the roles, and record.Get checks the chain. The interceptors of
// the server put the read of an auditor on the log before the answer is sent. That
// record contains the filter only in the form of Shape, without values that could be
// about people.
//
// # Statistics
//
// Summaries put counts in relation with confidence intervals, and name a practitioner
// as out of line only by a test that keeps the risk of a wrong accusation small for the
// whole list (figures.go). They point to where somebody should look, and prove nothing
// about a person.
package audit

import (
	"context"
	"math"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/storage"
)

// Service implements the AuditService.
type Service struct {
	pb.UnimplementedAuditServiceServer

	// DB has the logs and the counters.
	DB *storage.DB
	// Now is the reference clock.
	Now  func() time.Time
	Logs Logs
}

// Logs is the state of the logs as this server knows it. The sequencer implements it.
//
// Each server has its own state of the logs, so that it can vouch only for what it has
// seen itself.
type Logs interface {
	// RolledBackFrom returns the last checkpoint that the server saw of a chain's
	// log, if the database is not a continuation of it; otherwise nil.
	RolledBackFrom(chain string) []byte
	// CheckAccepted checks again whether an operator has accepted such a log.
	CheckAccepted(ctx context.Context) error
	// Check returns the result of the last comparison of a chain's log with the database.
	Check(chain string) *pb.LogCheck
}

// ListEntries lists a page of the audit log in the order in which it was written.
//
// A page must not pass a position that a running write can still use (storage.ListEntries).
// Which positions are settled is read only if the page may come that far: most pages
// are of entries that were settled long ago. It is read before the page, so that the
// snapshot contains every entry before it. The page is found by search columns, which are not signed: an entry
// that does not itself fit the filter is left out and counted in the answer. The
// opposite case, an entry that a changed column hides, is reported by the check in the
// answer. Entries of coverage are left out unless the filter names their kind.
func (s Service) ListEntries(ctx context.Context, req *pb.ListEntriesRequest) (*pb.ListEntriesResponse, error) {
	filter, err := parse(req.Filter)
	if err != nil {
		return nil, err
	}
	filter = withoutCoverage(filter)
	page, known := storage.Page{Size: req.PageSize, Token: req.PageToken}, storage.KnownSettled(s.DB)
	entries, next, err := s.page(ctx, req.Parent, filter, page, math.MaxInt64)
	if n := len(entries); err == nil && next != "" && n > 0 && entries[n-1].Position >= known {
		if known, err = storage.SettledBefore(ctx, s.DB); err == nil {
			entries, next, err = s.page(ctx, req.Parent, filter, page, known)
		}
	}
	if err != nil {
		return nil, err
	}
	answer := &pb.ListEntriesResponse{NextPageToken: next, Check: s.Logs.Check(record.Chain(req.Parent))}
	for _, e := range entries {
		if !filter.Matches(e.AuditEntry) {
			// The column fits the filter and the signed entry does not: the column was edited.
			answer.LeftOut++
			continue
		}
		answer.Entries = append(answer.Entries, e.AuditEntry)
	}
	return answer, nil
}

// page reads one page of a chain's log, if the caller may see the chain.
//
// The caller's permission is checked in the same snapshot as the entries are read. An
// unknown chain and one that the caller may not see give the same NOT_FOUND.
func (s Service) page(ctx context.Context, chain string, filter storage.EntryFilter, page storage.Page, settled int64) (entries []storage.Entry, next string, err error) {
	caller := actor.From(ctx)
	err = storage.Read(ctx, s.DB, record.Chain(chain), func(r *storage.Snapshot) (err error) {
		if _, err = record.Get(r, caller, storage.Chains, chain); err != nil {
			return err
		}
		entries, next, err = storage.ListEntries(r, filter, page, settled)
		return err
	})
	return entries, next, err
}
