package audit

import (
	"context"
	"errors"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/storage"
)

// reportDimensions are the summaries of a report, in the order in which they are sent.
// Counts by salon and rule together are made from the entries. The one by kind also has the
// practitioners, what followed overrides, and the check of the log.
var reportDimensions = []pb.SummaryDimension{
	pb.SummaryDimension_SUMMARY_DIMENSION_KIND, pb.SummaryDimension_SUMMARY_DIMENSION_WEEK, pb.SummaryDimension_SUMMARY_DIMENSION_SALON,
	pb.SummaryDimension_SUMMARY_DIMENSION_ACTOR, pb.SummaryDimension_SUMMARY_DIMENSION_RULE, pb.SummaryDimension_SUMMARY_DIMENSION_ANY_RULE,
	pb.SummaryDimension_SUMMARY_DIMENSION_REASON, pb.SummaryDimension_SUMMARY_DIMENSION_POLICY, pb.SummaryDimension_SUMMARY_DIMENSION_TILL_VERSION,
}

// reportStream is where the parts of a report are sent to. The interceptors of the server
// record the read before the first part is sent.
type reportStream = pb.AuditService_ExportReportServer

// ExportReport sends the parts of a report. It makes the same calls that a client would
// make one by one; an auditor's read is one entry on the log because it is one call.
//
// The checkpoint is read first, and entries up to its size, so that what was sent can be
// verified against it. Every part is read in a snapshot of its own, so that a report on
// years holds no transaction open; what is recorded meanwhile may be in one part and not
// in an earlier one.
func (s Service) ExportReport(req *pb.ExportReportRequest, stream pb.AuditService_ExportReportServer) error {
	ctx := stream.Context()
	checkpoint, err := s.GetCheckpoint(ctx, &pb.GetCheckpointRequest{Name: req.Parent})
	if err != nil {
		return err
	}
	if err := stream.Send(&pb.ExportReportResponse{Part: &pb.ExportReportResponse_Checkpoint{Checkpoint: checkpoint}}); err != nil {
		return err
	}
	for _, by := range reportDimensions {
		summary, err := s.SummarizeEntries(ctx, &pb.SummarizeEntriesRequest{Parent: req.Parent, Dimension: by, StartTime: req.StartTime, EndTime: req.EndTime})
		if err != nil {
			return err
		}
		figures := &pb.ReportFigures{Dimension: by, Summary: summary}
		if err := stream.Send(&pb.ExportReportResponse{Part: &pb.ExportReportResponse_Figures{Figures: figures}}); err != nil {
			return err
		}
	}
	if err := s.sendWhatFollowed(ctx, req, stream); err != nil {
		return err
	}
	return s.sendEntries(ctx, req, stream, checkpoint.TreeSize)
}

// sendWhatFollowed sends the times from discomfort to water and the followed refusals, of
// 24 hours and other salons. Who wants other bounds makes the call by itself.
func (s Service) sendWhatFollowed(ctx context.Context, req *pb.ExportReportRequest, stream reportStream) error {
	times, err := s.SummarizeDiscomfort(ctx, &pb.SummarizeDiscomfortRequest{Parent: req.Parent, StartTime: req.StartTime, EndTime: req.EndTime,
		Dimension: pb.SummaryDimension_SUMMARY_DIMENSION_SALON})
	if err != nil {
		return err
	}
	if err := stream.Send(&pb.ExportReportResponse{Part: &pb.ExportReportResponse_Discomfort{Discomfort: times}}); err != nil {
		return err
	}
	page := &pb.ListFollowedRefusalsRequest{Parent: req.Parent, PageSize: storage.MaxPageSize, StartTime: req.StartTime, EndTime: req.EndTime}
	for {
		followed, err := s.ListFollowedRefusals(ctx, page)
		if err != nil {
			return err
		}
		page.PageToken, followed.NextPageToken = followed.NextPageToken, ""
		if err := stream.Send(&pb.ExportReportResponse{Part: &pb.ExportReportResponse_Followed{Followed: followed}}); err != nil {
			return err
		}
		if page.PageToken == "" {
			return nil
		}
	}
}

// sendEntries sends the entries of the period with their decisions, and the end. The end
// has the counts, so that a stream that was cut off does not look like a short report.
//
// Which decisions were sent is remembered by name, about a hundred bytes each.
func (s Service) sendEntries(ctx context.Context, req *pb.ExportReportRequest, stream reportStream, size int64) error {
	caller, end, sent := actor.From(ctx), &pb.ReportComplete{}, map[string]bool{}
	period := storage.EntryFilter{Op: "AND"}
	if req.StartTime != nil {
		period.Of = append(period.Of, storage.EntryFilter{Op: ">=", Field: "record_time", Value: req.StartTime.AsTime()})
	}
	if req.EndTime != nil {
		period.Of = append(period.Of, storage.EntryFilter{Op: "<", Field: "record_time", Value: req.EndTime.AsTime()})
	}
	if len(period.Of) == 0 {
		period = storage.EntryFilter{} // of the whole log, which can then be verified
	} else {
		period = withoutCoverage(period)
	}
	x := export{caller: caller, req: &pb.ExportEntriesRequest{Parent: req.Parent, TreeSize: size}, filter: period}
	err := x.pages(ctx, s.DB, func(found []*pb.ExportEntriesResponse) error {
		for _, e := range found {
			end.Entries++
			if err := stream.Send(&pb.ExportReportResponse{Part: &pb.ExportReportResponse_Entry{Entry: e}}); err != nil {
				return err
			}
			name := decisionOf(e.Entry)
			if name == "" || sent[name] {
				continue
			}
			sent[name] = true
			d, err := s.decision(ctx, caller, name)
			if err != nil {
				return err
			}
			if d == nil {
				continue
			}
			end.Decisions++
			if err := stream.Send(&pb.ExportReportResponse{Part: &pb.ExportReportResponse_Decision{Decision: d}}); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return stream.Send(&pb.ExportReportResponse{Part: &pb.ExportReportResponse_Complete{Complete: end}})
}

// decisionOf returns the decision that a report shows with an entry: of refusals,
// referrals and overrides, with their findings and answers. Other entries say all there
// is in their summary.
func decisionOf(e *pb.AuditEntry) string {
	switch e.GetKind() {
	case pb.EntryKind_ENTRY_KIND_REFUSAL, pb.EntryKind_ENTRY_KIND_REFERRAL, pb.EntryKind_ENTRY_KIND_OVERRIDE, pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED:
		return e.GetDecision()
	}
	return ""
}

// decision reads a decision; nil if it cannot be read any more, because its client was
// erased or its retention has ended. The entry remains and says what is left.
//
// It is read as by GetDecision: with its overrides and its signature as they are now, and
// in the words in which it was stored.
func (s Service) decision(ctx context.Context, caller actor.Actor, name string) (d *pb.Decision, err error) {
	err = storage.Read(ctx, s.DB, record.Chain(name), func(r *storage.Snapshot) (err error) {
		d, err = record.Decision(r, caller, name)
		return err
	})
	var told *fault.Error
	if errors.As(err, &told) && told.Reason() == pb.ErrorReason_ERROR_REASON_NOT_FOUND {
		return nil, nil
	}
	return d, err
}
