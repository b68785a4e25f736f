// Package audit serves the history of refusals, referrals, overrides,
// deviations, alarms, policy changes and recalls. It only reads.
package audit

import (
	"context"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/storage"
)

// Service is the AuditService.
type Service struct {
	pb.UnimplementedAuditServiceServer

	DB   *storage.DB
	Now  func() time.Time
	Logs Logs
}

// Logs knows the state of the logs as this server has seen them.
type Logs interface {
	// RolledBackFrom returns the last checkpoint that the server saw of a chain's
	// log, if the database is not a continuation of it; otherwise nil.
	RolledBackFrom(chain string) []byte
	// CheckAccepted checks again whether an operator has accepted such a log.
	CheckAccepted(ctx context.Context) error
	// Check returns what was found when a chain's log was last compared with the
	// records.
	Check(chain string) *pb.LogCheck
}

// ListEntries lists a page of the audit log in the order it was written. What is
// settled is asked before the page is read, so that all of it is seen. The page is
// found by search columns, which are not signed: an entry that does not itself fit
// the filter is left out, and the answer says what the filter may not have seen.
func (s Service) ListEntries(ctx context.Context, req *pb.ListEntriesRequest) (*pb.ListEntriesResponse, error) {
	filter, err := parse(req.Filter)
	if err != nil {
		return nil, err
	}
	filter = withoutCoverage(filter)
	settled, err := storage.SettledBefore(ctx, s.DB)
	if err != nil {
		return nil, err
	}
	entries, next, err := s.page(ctx, req.Parent, filter, storage.Page{Size: req.PageSize, Token: req.PageToken}, settled)
	if err != nil {
		return nil, err
	}
	answer := &pb.ListEntriesResponse{NextPageToken: next, Check: s.Logs.Check(record.Chain(req.Parent))}
	for _, e := range entries {
		if !filter.Matches(e.AuditEntry) {
			answer.LeftOut++
			continue
		}
		answer.Entries = append(answer.Entries, e.AuditEntry)
	}
	return answer, nil
}

// page reads one page of a chain's log.
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
