package marking

import (
	"math"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// Standing is the mark that counts: what a person confirmed, or else the proposal.
// A person's mark always counts, also where it is lower than the proposal.
func Standing(m *pb.Mark) pb.MarkValue {
	if m.GetConfirmed() != pb.MarkValue_MARK_VALUE_UNSPECIFIED {
		return m.Confirmed
	}
	return m.GetProposed()
}

// Score is the points reached of all that are marked, in percent with one decimal. A
// mark that is met counts whole, partly met half. Nil: nothing is marked.
// A criterion without any mark leaves the score as it is, so that a school's own criterion
// neither helps nor harms before somebody has marked it.
func Score(marks []*pb.Mark) *float64 {
	reached, all := 0.0, 0.0
	for _, m := range marks {
		weight := float64(m.GetCriterion().GetWeight())
		switch Standing(m) {
		case pb.MarkValue_MARK_VALUE_MET:
			reached += weight
		case pb.MarkValue_MARK_VALUE_PARTLY:
			reached += weight / 2
		case pb.MarkValue_MARK_VALUE_UNSPECIFIED:
			continue
		}
		all += weight
	}
	if all == 0 {
		return nil
	}
	return new(math.Round(reached/all*1000) / 10)
}

// Confirm are the marks of a sheet as an instructor confirms them, with changes. unknown
// is the criterion of a change that is not on the sheet, or that is changed twice; empty:
// none. A school's own criterion that nobody marked stays without a mark and does not
// count.
// The marks of the sheet that is confirmed stay as they are, because it is on record. What
// was confirmed on it before stays confirmed, with its comment, unless it is changed again:
// confirming a confirmed sheet is how a mark is corrected.
func Confirm(marks []*pb.Mark, changes []*pb.MarkChange) (confirmed []*pb.Mark, unknown string) {
	byID := map[string]*pb.MarkChange{}
	for _, c := range changes {
		onSheet := slices.ContainsFunc(marks, func(m *pb.Mark) bool { return m.GetCriterion().GetCriterionId() == c.CriterionId })
		if byID[c.CriterionId] != nil || !onSheet {
			return nil, c.CriterionId
		}
		byID[c.CriterionId] = c
	}
	for _, m := range marks {
		m = proto.CloneOf(m)
		if c := byID[m.GetCriterion().GetCriterionId()]; c != nil {
			m.Confirmed, m.Comment = c.Value, c.Comment
		} else {
			m.Confirmed = Standing(m)
		}
		confirmed = append(confirmed, m)
	}
	return confirmed, ""
}

// Missed are the ids of the criteria that were not or only partly met.
// They are in the order of the sheet.
func Missed(marks []*pb.Mark) []string {
	var ids []string
	for _, m := range marks {
		if v := Standing(m); v == pb.MarkValue_MARK_VALUE_NOT_MET || v == pb.MarkValue_MARK_VALUE_PARTLY {
			ids = append(ids, m.GetCriterion().GetCriterionId())
		}
	}
	return ids
}

// Next chooses the case to try next: the one whose sheet has the most of what was missed,
// by weight; of equals the first. Elements that every case has count only to break ties,
// since any case practises them. cases are those that the student has not tried. Empty:
// nothing was missed, or there is no case.
// The sheet of an attempt that did nothing tells what a case asks for, so cases need no
// labels of their own and a case that is written tomorrow is found as well.
func Next(marks []*pb.Mark, cases []*pb.Case) string {
	missed := map[string]int32{}
	for _, m := range marks {
		if slices.Contains(Missed(marks), m.GetCriterion().GetCriterionId()) {
			missed[m.Criterion.CriterionId] = m.Criterion.GetWeight()
		}
	}
	best, most := "", int32(0)
	for _, c := range cases {
		points := int32(0)
		for _, m := range Mark(c, &pb.Attempt{}) {
			points += missed[m.Criterion.CriterionId]
		}
		if points > most {
			best, most = c.Name, points
		}
	}
	return best
}
