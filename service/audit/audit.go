// Package audit serves the history of refusals, referrals, overrides,
// deviations, alarms, policy changes and recalls. It only reads.
package audit

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

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

// ListEntries lists a page of the audit log in the order it was written.
func (s Service) ListEntries(ctx context.Context, req *pb.ListEntriesRequest) (*pb.ListEntriesResponse, error) {
	filter, err := parse(req.Filter)
	if err != nil {
		return nil, err
	}
	entries, next, err := s.page(ctx, req.Parent, filter, storage.Page{Size: req.PageSize, Token: req.PageToken})
	answer := &pb.ListEntriesResponse{NextPageToken: next}
	for _, e := range entries {
		answer.Entries = append(answer.Entries, e.AuditEntry)
	}
	return answer, err
}

// page reads one page of a chain's log.
func (s Service) page(ctx context.Context, chain string, filter storage.EntryFilter, page storage.Page) (entries []storage.Entry, next string, err error) {
	err = storage.Read(ctx, s.DB, record.Chain(chain), func(r *storage.Snapshot) (err error) {
		if _, err = record.Get(r, storage.Chains, chain); err != nil {
			return err
		}
		entries, next, err = storage.ListEntries(r, filter, page)
		return err
	})
	return entries, next, err
}

// SummarizeEntries counts the entries of a time.
func (s Service) SummarizeEntries(ctx context.Context, req *pb.SummarizeEntriesRequest) (*pb.SummarizeEntriesResponse, error) {
	answer := &pb.SummarizeEntriesResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) error {
		if _, err := record.Get(r, storage.Chains, req.Parent); err != nil {
			return err
		}
		counts, err := storage.CountEntries(r, column(req.Dimension), bound(req.StartTime), bound(req.EndTime))
		for _, c := range counts {
			kind := pb.EntryKind(pb.EntryKind_value[c.Kind])
			answer.Rows = append(answer.Rows, &pb.SummaryRow{Kind: kind, Key: c.Key, Count: c.Count})
			answer.Total += c.Count
		}
		return err
	})
	return answer, err
}

// column is the stored column of a dimension.
func column(d pb.SummaryDimension) storage.EntryColumn {
	switch d {
	case pb.SummaryDimension_SUMMARY_DIMENSION_SALON:
		return storage.BySalon
	case pb.SummaryDimension_SUMMARY_DIMENSION_ACTOR:
		return storage.ByActor
	case pb.SummaryDimension_SUMMARY_DIMENSION_RULE:
		return storage.ByRule
	case pb.SummaryDimension_SUMMARY_DIMENSION_REASON:
		return storage.ByReason
	case pb.SummaryDimension_SUMMARY_DIMENSION_WEEK:
		return storage.ByWeek
	}
	return storage.ByKind
}

// bound is a time limit; zero when absent.
func bound(t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.AsTime()
}
