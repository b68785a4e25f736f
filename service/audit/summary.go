package audit

import (
	"cmp"
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/storage"
)

// mostRows bounds the lists of a summary. The contract says so.
const mostRows = 1000

// SummarizeEntries reads the counters of a time and puts them in proportion.
func (s Service) SummarizeEntries(ctx context.Context, req *pb.SummarizeEntriesRequest) (*pb.SummarizeEntriesResponse, error) {
	caller := actor.From(ctx)
	answer := &pb.SummarizeEntriesResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) error {
		if _, err := record.Get(r, caller, storage.Chains, req.Parent); err != nil {
			return err
		}
		span := storage.NewSpan(instant(req.StartTime), instant(req.EndTime))
		counts, err := storage.CountEntries(r, dimension(req.Dimension), span)
		if err != nil {
			return err
		}
		figures, err := storage.ReadFigures(r, span)
		if err != nil {
			return err
		}
		answer.Rows, answer.Total, answer.Decisions = rows(counts, dimension(req.Dimension))
		answer.Overrides, answer.Practitioners = followUp(figures), practitioners(figures)
		for _, f := range figures {
			answer.WhatIfs += f.WhatIfs
		}
		answer.Uncounted, err = storage.Uncounted(r)
		return err
	})
	answer.Check = s.Logs.Check(record.Chain(req.Parent))
	return answer, err
}

// instant is a time limit; zero when absent.
func instant(t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.AsTime()
}

// dimension is what is counted by, as it is stored.
func dimension(d pb.SummaryDimension) storage.Dimension {
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

// rows are the counts with their rates, largest first, and how many entries and
// decisions there are in all.
func rows(counts []storage.Count, by storage.Dimension) (list []*pb.SummaryRow, total, decisions int64) {
	made := map[string]int64{} // decisions, by key
	for _, c := range counts {
		total += c.Entries
		if c.Kind == "" {
			decisions += c.Decisions
			made[c.Key] = c.Decisions
		}
	}
	for _, c := range counts {
		if c.Kind == "" {
			continue
		}
		of := decisions
		if by == storage.BySalon || by == storage.ByActor || by == storage.ByWeek {
			of = made[c.Key]
		}
		row := &pb.SummaryRow{Kind: pb.EntryKind(pb.EntryKind_value[c.Kind]), Key: c.Key, Count: c.Entries}
		if of > 0 && isRated(row.Kind, by) {
			row.Rate = proportion(c.Decisions, of)
		}
		list = append(list, row)
	}
	slices.SortFunc(list, func(a, b *pb.SummaryRow) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Key, b.Key))
	})
	return list[:min(len(list), mostRows)], total, decisions
}

// isRated reports whether entries of a kind come of decisions, and of decisions
// that stand under the same key.
func isRated(kind pb.EntryKind, by storage.Dimension) bool {
	switch kind {
	case pb.EntryKind_ENTRY_KIND_REFUSAL, pb.EntryKind_ENTRY_KIND_REFERRAL:
		return true
	case pb.EntryKind_ENTRY_KIND_OVERRIDE, pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED:
		return by != storage.ByActor
	}
	return false
}

// followUp is what became of refusals and overrides.
func followUp(all []storage.PractitionerFigures) *pb.OverrideFigures {
	var sum storage.Figures
	for _, f := range all {
		sum.Add(f.Figures, 1)
	}
	return &pb.OverrideFigures{
		RefusalsOverridden:   proportion(sum.TurnedAwayOverridden, sum.TurnedAway),
		FollowedByDeviation:  proportion(sum.Deviated, sum.Begun),
		FollowedByBadOutcome: proportion(sum.Bad, sum.Closed),
	}
}
