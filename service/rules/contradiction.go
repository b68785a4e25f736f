package rules

import (
	"fmt"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// Facts contradict each other when no history of one head fits both: relaxed by the
// record and never by the answer, or two dates for the last relaxer that are further
// apart than people misremember. Until it is settled the stricter one counts, which is
// what history.go does anyway; the contradiction is a finding of its own, because only a
// person can say which is right, and a wrong answer should be corrected and not just
// outvoted.
//
// Not every difference is one. A zone that says "never" beside a head that says "years
// ago" is hair that has grown since. A recorded visit that the client does not remember
// for new growth is the same.

// toleranceDays is how far two dates for the same work may lie apart before they
// contradict each other. Our own choice: people remember to the week.
const toleranceDays = 7

// findContradictions lists the pairs of facts that cannot both be right. New growth
// that was never treated contradicts nothing: it grew since.
// Answers are compared with each other first, then each recorded service with the
// answers. A finding lists them in this order, so it must stay as it is.
func findContradictions(h *history) []*pb.Contradiction {
	var found []*pb.Contradiction
	add := func(a, b *fact) {
		found = append(found, &pb.Contradiction{First: a.HistoryFact, Second: b.HistoryFact})
	}
	h.compareAnswers(add)
	for _, r := range h.recorded {
		h.compareRecord(r, add)
	}
	return found
}

// The head's answer is about the last relaxer anywhere. So a zone cannot have had one
// later, and one of the zones must account for it unless they were not asked.

// compareAnswers compares the head's answer with those for the zones.
func (h *history) compareAnswers(add func(a, b *fact)) {
	const hydroxide = pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE
	head := h.answers[0][hydroxide]
	zone := func(z pb.Zone) *fact { return h.answers[z][hydroxide] }
	mid, ends := zone(pb.Zone_ZONE_MID_STRAND), zone(pb.Zone_ZONE_ENDS)
	// allEarlier: no zone accounts for the date of the head's answer, because each
	// was treated clearly earlier or never.
	allEarlier := head.done() && head.dated && h.someZoneRelaxed()
	for _, z := range zones() {
		own := zone(z.Zone)
		switch {
		case own.done() && head.Happened == pb.Answer_ANSWER_NO:
			add(own, head)
		case later(own, head): // the head's is the last anywhere
			add(own, head)
		}
		if own.Happened == 0 || own.Happened == pb.Answer_ANSWER_UNSURE || own.done() && !later(head, own) {
			allEarlier = false
		}
	}
	switch {
	case head.done() && mid.Happened == pb.Answer_ANSWER_NO && ends.Happened == pb.Answer_ANSWER_NO && !h.someZoneRelaxed():
		add(head, mid)
	case allEarlier && mid.done():
		add(head, mid)
	case allEarlier && ends.done():
		add(head, ends)
	}
}

// compareRecord compares a recorded service with the answers.
// A zone is compared only where the record says that it was treated. New growth is
// left out, because it may have grown since.
func (h *history) compareRecord(r *fact, add func(a, b *fact)) {
	against := func(answer *fact) {
		if answer != nil && (answer.Happened == pb.Answer_ANSWER_NO || later(r, answer)) {
			add(r, answer)
		}
	}
	against(h.answers[0][r.Work])
	for _, zone := range []pb.Zone{pb.Zone_ZONE_MID_STRAND, pb.Zone_ZONE_ENDS} {
		if r.Zone == 0 || r.Zone == zone {
			against(h.answers[zone][r.Work])
		}
	}
}

// later tells whether a was surely done later than b says, beyond the tolerance.
// The earliest moment of a is compared with the latest of b, so that answers which
// can mean the same time never contradict each other.
func later(a, b *fact) bool {
	const tolerance = toleranceDays * 24 * time.Hour
	return a.done() && b.done() && a.dated && b.dated && a.at.earliest.Sub(b.at.latest) > tolerance
}

// A contradiction that is not there yet can come with the next answer. As long as one can,
// it is not known that there is none, and the rule waits for the answers that could bring
// it.

// openContradictions are the questions whose answer could contradict something.
// Dates of the zones are not among them: the head's date is asked for instead.
func (h *history) openContradictions() []string {
	const hydroxide = pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE
	var missing []string
	head := h.answers[0][hydroxide]
	switch {
	case head.Happened == 0:
		missing = append(missing, headPath+".happened")
	case head.done() && !head.dated:
		missing = append(missing, headPath+".last_time")
	}
	for _, w := range workKinds() {
		recorded := false
		for _, r := range h.recorded {
			recorded = recorded || r.Work == w.kind
		}
		for _, z := range zones() {
			switch own := h.answers[z.Zone][w.kind]; {
			case own.Happened == 0 && (recorded || w.kind == hydroxide):
				missing = append(missing, happenedPath(z.Zone, w.kind))
			case own.done() && !own.dated && (recorded || w.kind == hydroxide && head.Happened == pb.Answer_ANSWER_NO):
				missing = append(missing, lastTimePath(z.Zone, w.kind))
			}
		}
	}
	return missing
}

// A stylist settles a contradiction with the client, so it names both facts with their
// sources and dates, in words, and in the salon's days.

// describe writes contradictions in words, with dates in the salon's time zone.
func (s *state) describe(found []*pb.Contradiction) string {
	var lines []string
	for _, c := range found {
		lines = append(lines, s.sentence(c.First)+", but "+s.sentence(c.Second))
	}
	return strings.Join(lines, "; ")
}

// sentence is one fact in words: "the answer for the ends says: relaxed in 2026-01".
// An answer that names a month or a year is shown as the range of days that it
// means.
func (s *state) sentence(f *pb.HistoryFact) string {
	source := "the answer for the whole head says"
	switch f.GetSource() {
	case pb.HistorySource_HISTORY_SOURCE_ZONE_ANSWER:
		source = "the answer for the " + strings.ReplaceAll(subjectOf(f.GetZone()).name[len("zone:"):], "-", " ") + " says"
	case pb.HistorySource_HISTORY_SOURCE_RECORD_CARD:
		source = "the record of this chain shows"
	case pb.HistorySource_HISTORY_SOURCE_IMPORTED:
		source = "a record from another system shows"
	}
	what := map[pb.ChemicalWork]string{
		pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE: "a relaxer", pb.ChemicalWork_CHEMICAL_WORK_THIO: "a thio service",
		pb.ChemicalWork_CHEMICAL_WORK_PERMANENT_COLOUR: "permanent colour", pb.ChemicalWork_CHEMICAL_WORK_SEMI_PERMANENT_COLOUR: "semi-permanent colour",
		pb.ChemicalWork_CHEMICAL_WORK_LIGHTENING: "lightening", pb.ChemicalWork_CHEMICAL_WORK_SMOOTHING: "smoothing",
	}[f.GetWork()]
	if f.GetHappened() == pb.Answer_ANSWER_NO {
		return source + " never " + what
	}
	if f.GetLatestTime() == nil {
		return source + " " + what + " without a date"
	}
	first, last := s.day(f.GetEarliestTime().AsTime()), s.day(f.GetLatestTime().AsTime())
	if first == last {
		return fmt.Sprintf("%s %s on %s", source, what, last)
	}
	return fmt.Sprintf("%s %s between %s and %s", source, what, first, last)
}

// day is the calendar day of a moment in the salon's time zone.
func (s *state) day(t time.Time) string { return t.In(s.location()).Format(time.DateOnly) }
