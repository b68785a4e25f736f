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

// mostRows bounds the lists of a summary; the contract states it.
const mostRows = 1000

// SummarizeEntries reads the counters of a span and puts them in relation. The answer
// says how many facts are not counted yet and what the last inspection found, so that
// nobody relies on figures that are incomplete or changed.
func (s Service) SummarizeEntries(ctx context.Context, req *pb.SummarizeEntriesRequest) (*pb.SummarizeEntriesResponse, error) {
	caller := actor.From(ctx)
	answer := &pb.SummarizeEntriesResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) error {
		if _, err := record.Get(r, caller, storage.Chains, req.Parent); err != nil {
			return err
		}
		span := storage.NewSpan(instant(req.StartTime), instant(req.EndTime))
		if err := s.count(r, req, span, answer); err != nil {
			return err
		}
		figures, err := storage.ReadFigures(r, span)
		if err != nil {
			return err
		}
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

// count fills in the counts of a summary: from the counters if they have what is asked
// for, otherwise from the entries of the span.
func (s Service) count(r *storage.Snapshot, req *pb.SummarizeEntriesRequest, span storage.Span, answer *pb.SummarizeEntriesResponse) error {
	filter, err := parse(req.Filter)
	if err != nil {
		return err
	}
	if filter, err = (values{r, req.Parent, s.Rules}).resolve(filter); err != nil {
		return err
	}
	by := dimension(req.Dimension)
	counts, err := storage.CountEntries(r, by, span)
	if err != nil {
		return err
	}
	answer.Rows, answer.Total, answer.Decisions = rows(counts, by)
	if filter.Op == "" && keyed[req.Dimension] == nil {
		return nil
	}
	answer.Rows, answer.Total, err = countOneByOne(r, cmp.Or(req.Dimension, pb.SummaryDimension_SUMMARY_DIMENSION_KIND), filter, span)
	return err
}

// instant returns a time limit; zero if there is none.
func instant(t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.AsTime()
}

// dimension returns the stored dimension. Unspecified means by kind.
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

// rows returns the counts with their rates, largest first, and the total numbers of
// entries and decisions. A rate by salon, actor or week relates to the decisions with
// the same key, any other rate to all decisions.
//
// Rates count decisions and not entries, so that a decision that was overridden twice
// counts once.
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
	slices.SortFunc(list, compareRows)
	return list[:min(len(list), mostRows)], total, decisions
}

// isRated reports whether a rate makes sense: the entries of the kind come from
// decisions, and these are counted under the same key.
//
// Overrides are not rated by actor, because the one who overrides is seldom the one who
// asked for the decision.
func isRated(kind pb.EntryKind, by storage.Dimension) bool {
	switch kind {
	case pb.EntryKind_ENTRY_KIND_REFUSAL, pb.EntryKind_ENTRY_KIND_REFERRAL:
		return true
	case pb.EntryKind_ENTRY_KIND_OVERRIDE, pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED:
		return by != storage.ByActor
	}
	return false
}

// followUp returns what became of refusals and overrides, for all practitioners
// together.
//
// Each proportion relates a count to the decisions in which it could have occurred; see
// storage.Figures.
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
