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
// # Questions
//
// An auditor asks in filters and gets lists, counts and reports (filter.go, values.go,
// countentries.go). A question about something that does not exist is an error and not
// an empty answer, because an empty answer reads like "it did not happen".
//
// Two questions need more than entries. What followed a refusal is found by the
// client's sessions (followed.go), and how long water took after discomfort by folding
// the events of sessions (discomfort.go). Both read sealed records, so both leave out
// erased clients.
//
// A report reads hundreds of records and is one question. It is one call
// (exportreport.go), so that an auditor's report is one entry on the log and does not
// bury the entries that it is about.
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
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/service/rules"
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
	// Rules has the rules whose names filters may contain.
	Rules *rules.Engine
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
	if filter, err = s.resolve(ctx, req.Parent, filter); err != nil {
		return nil, err
	}
	filter = withoutCoverage(filter)
	entries, next, err := s.settledPage(ctx, req.Parent, filter, storage.Page{Size: req.PageSize, Token: req.PageToken})
	if err != nil {
		return nil, err
	}
	searched := filter.Searched()
	answer := &pb.ListEntriesResponse{NextPageToken: next, Check: s.Logs.Check(record.Chain(req.Parent))}
	for _, e := range entries {
		if !filter.Matches(e.AuditEntry) {
			// If a column fits the filter and the signed entry does not, the column was edited.
			if !searched.Matches(e.AuditEntry) {
				answer.LeftOut++
			}
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
