// Package audit serves the history of refusals, referrals, overrides,
// deviations, alarms, policy changes and recalls. It only reads.
package audit

import (
	"context"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/record"
	"alkalog/storage"
)

// Service is the AuditService.
type Service struct {
	pb.UnimplementedAuditServiceServer

	DB       *storage.DB
	Now      func() time.Time
	Restores Restores
}

// ListEntries lists a page of the audit log in the order it was written. What is
// settled is asked before the page is read, so that all of it is seen.
func (s Service) ListEntries(ctx context.Context, req *pb.ListEntriesRequest) (*pb.ListEntriesResponse, error) {
	filter, err := parse(req.Filter)
	if err != nil {
		return nil, err
	}
	settled, err := storage.SettledBefore(ctx, s.DB)
	if err != nil {
		return nil, err
	}
	entries, next, err := s.page(ctx, req.Parent, filter, storage.Page{Size: req.PageSize, Token: req.PageToken}, settled)
	answer := &pb.ListEntriesResponse{NextPageToken: next}
	for _, e := range entries {
		answer.Entries = append(answer.Entries, e.AuditEntry)
	}
	return answer, err
}

// page reads one page of a chain's log.
func (s Service) page(ctx context.Context, chain string, filter storage.EntryFilter, page storage.Page, settled int64) (entries []storage.Entry, next string, err error) {
	err = storage.Read(ctx, s.DB, record.Chain(chain), func(r *storage.Snapshot) (err error) {
		if _, err = record.Get(r, storage.Chains, chain); err != nil {
			return err
		}
		entries, next, err = storage.ListEntries(r, filter, page, settled)
		return err
	})
	return entries, next, err
}
