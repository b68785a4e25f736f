package rules

import (
	"fmt"
	"strings"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"

	pb "alkalog/proto/alkalogv1"
)

// What rules read of the history. The step before (history.go) has put the sources
// together; these fields show its result, and turn what is not known yet into the
// questions that would settle it. Which questions these are depends on what is known
// already: the answer for the head is not asked for when a zone says yes, and the date
// of a zone not when the head's date is later. Asking for less is the point: each
// question costs the salon time, and a question that can change nothing teaches people
// to answer without reading.

// The fields of the whole head and of one zone have the same three parts, so one
// function makes both: zone 0 is the head.

// historyFields are what is known of chemical work anywhere on the head.
// known.contradicted waits for answers only as long as no contradiction is found:
// one is enough.
func historyFields(v enumTable) []field {
	var fields []field
	for _, w := range workKinds() {
		fields = append(fields, workFields(v, "known."+w.name, headPath, w, func(*state) pb.Zone { return 0 })...)
	}
	sees := func(s *state) []*pb.SeenAnswer {
		var answers []*pb.SeenAnswer
		for _, c := range s.history().contradictions {
			answers = append(answers, s.evidenceOfContradiction(c.First)...)
			answers = append(answers, s.evidenceOfContradiction(c.Second)...)
		}
		return answers
	}
	return append(fields,
		derive(contradictedPath, cel.BoolType, func(s *state) ref.Val {
			h := s.history()
			if open := h.openContradictions(); len(h.contradictions) == 0 && len(open) > 0 {
				return s.unknownOf(open...)
			}
			return types.Bool(len(h.contradictions) > 0)
		}, sees),
		derive("known.contradiction", cel.StringType, func(s *state) ref.Val {
			return types.String(s.describe(s.history().contradictions))
		}, sees),
	)
}

// contradictedPath is the field whose rules show the contradictions in their
// findings.
const contradictedPath = "known.contradicted"

// isHistoryField tells whether a field is of what is known of the history.
// Fields about age and tests begin with known, too, and are counted among them.
func (l *language) isHistoryField(i int) bool {
	return strings.HasPrefix(l.fields[i].path, "known.") || strings.HasPrefix(l.fields[i].path, "zone.known.")
}

// zoneHistoryFields are what is known of chemical work on one zone.
func zoneHistoryFields(v enumTable) []field {
	var fields []field
	for _, w := range workKinds() {
		fields = append(fields, workFields(v, "zone.known."+w.name, "zone."+w.name, w, func(s *state) pb.Zone { return s.zone.GetZone() })...)
	}
	return fields
}

// treatedField tells whether a zone is treated: all are, but in a retouch only the
// new growth. The others are kept apart and protected, so that what was done to them
// earlier sets conditions and refuses nothing.
// It is unknown until the kind of service is known, but for new growth, which every
// kind of service treats.
func treatedField() field {
	const path = "service_kind"
	return field{path: "zone.treated", celType: cel.BoolType, get: func(s *state) ref.Val {
		switch {
		case s.in.GetServiceKind() != pb.ServiceKind_SERVICE_KIND_RETOUCH && s.in.GetServiceKind() != 0, s.zone.GetZone() == pb.Zone_ZONE_NEW_GROWTH:
			return types.True
		case s.in.GetServiceKind() == 0:
			return s.unknownOf(path)
		}
		return types.False
	}, evidence: func(s *state) []*pb.SeenAnswer {
		return []*pb.SeenAnswer{{Field: path, Value: displayValue(s.value(s.lang.index[path]))}}
	}}
}

// workFields are whether a kind of work was done, when at the latest, and how many
// calendar days of the salon ago.
// stands is the path of the answer that the first field takes the place of. zone is
// asked when a value is read; 0 is the whole head.
func workFields(v enumTable, path, stands string, w workKind, zone func(*state) pb.Zone) []field {
	get := func(s *state) workStatus { return s.history().status[zone(s)][w.kind] }
	sees := func(s *state) []*pb.SeenAnswer {
		var answers []*pb.SeenAnswer
		for _, f := range get(s).considered {
			// A fact that was outvoted is no evidence of the result.
			if f.Happened != 0 && (f.Happened == get(s).happened || f == get(s).decisive) {
				answers = append(answers, s.evidenceOfFact(f)...)
			}
		}
		return answers
	}
	happened := derive(path+".happened", answerType(v), func(s *state) ref.Val {
		if open := s.openHistory(zone(s), w); len(open) > 0 {
			return s.unknownOf(open...)
		}
		return s.lang.answer(get(s).happened)
	}, sees)
	latest := derive(path+".latest_time", cel.TimestampType, func(s *state) ref.Val {
		if k := get(s); k.dated {
			return types.Timestamp{Time: k.at.latest}
		}
		return s.unknownOf(s.openDates(zone(s), w)...)
	}, sees)
	days := derive(path+".days_ago", cel.IntType, func(s *state) ref.Val {
		if k := get(s); k.dated {
			return types.Int(s.daysAgo(k.at.latest))
		}
		return s.unknownOf(s.openDates(zone(s), w)...)
	}, sees)
	return []field{happened.replacing(stands + ".happened"), latest.following(path + ".happened"), days.following(path + ".happened")}
}

// Which questions are open is not simply which answers are missing. For a zone it is the
// zone's own answer, and the head's as long as no zone accounts for a relaxer: then it
// could still be on this zone. For new growth the head's date can matter too, because a
// relaxer of the last days is on it. For the whole head the head's answer settles
// relaxers, and the three zones settle every other kind of work.

// openHistory are the questions that could still show that a kind of work was done
// on a zone, or anywhere when the zone is 0; none when it was.
func (s *state) openHistory(zone pb.Zone, w workKind) []string {
	h := s.history()
	if h.status[zone][w.kind].happened == pb.Answer_ANSWER_YES {
		return nil
	}
	head := h.answers[0][w.kind]
	var open []string
	switch {
	case zone != 0 && h.answers[zone][w.kind].Happened == 0:
		open = append(open, happenedPath(zone, w.kind))
	case zone == 0 && head == nil:
		open = h.unansweredZones(w, open)
	}
	switch {
	case head == nil:
	case head.Happened == 0 && (zone == 0 || zone == pb.Zone_ZONE_NEW_GROWTH || !h.someZoneRelaxed()):
		open = append(open, headPath+".happened")
	case zone == pb.Zone_ZONE_NEW_GROWTH && head.done() && !head.dated:
		open = append(open, headPath+".last_time")
	}
	return open
}

// unansweredZones are the zones that were not asked about a kind of work.
func (h *history) unansweredZones(w workKind, paths []string) []string {
	for _, z := range zones() {
		if h.answers[z.Zone][w.kind].Happened == 0 {
			paths = append(paths, happenedPath(z.Zone, w.kind))
		}
	}
	return paths
}

// A date is asked of the source that can be the latest: the head's answer where it is
// yes, since it means the last relaxer anywhere, else the zones that say yes. A kind of
// work of which nobody knows yet whether it was done is asked about first.

// openDates are the questions that could date a kind of work that was done, or
// else show that it was.
func (s *state) openDates(zone pb.Zone, w workKind) []string {
	h := s.history()
	head := h.answers[0][w.kind]
	switch {
	case h.status[zone][w.kind].happened != pb.Answer_ANSWER_YES:
		if open := s.openHistory(zone, w); len(open) > 0 {
			return open
		}
	case zone == 0 && head != nil && head.Happened == 0:
		return []string{headPath + ".happened"}
	case head.done():
		return []string{headPath + ".last_time"}
	}
	if zone != 0 {
		return []string{lastTimePath(zone, w.kind)}
	}
	var dates []string
	for _, z := range zones() {
		if own := h.answers[z.Zone][w.kind]; own.done() || h.status[0][w.kind].happened != pb.Answer_ANSWER_YES {
			dates = append(dates, lastTimePath(z.Zone, w.kind))
		}
	}
	return dates
}

// evidenceOfFact shows the answer or the record behind a fact, by its path in the inputs.
// A record has no field of its own and is shown by its place in the recorded work.
func (s *state) evidenceOfFact(f *fact) []*pb.SeenAnswer {
	switch f.Source {
	case pb.HistorySource_HISTORY_SOURCE_HEAD_ANSWER:
		return s.evidenceOfEvent(headPath, s.in.GetConsultation().GetHistory().GetRelaxer())
	case pb.HistorySource_HISTORY_SOURCE_ZONE_ANSWER:
		w := workKinds()[f.Work-1]
		return s.evidenceOfEvent(subjectOf(f.Zone).path+"."+w.name, w.get(s.zoneOf(f.Zone)))
	case pb.HistorySource_HISTORY_SOURCE_RECORD_CARD, pb.HistorySource_HISTORY_SOURCE_IMPORTED:
		return []*pb.SeenAnswer{{Field: fmt.Sprintf("recorded_work[%d]", f.index), Value: displayValue(types.Timestamp{Time: f.at.latest})}}
	}
	return nil
}

// evidenceOfContradiction shows the answer or the record behind a fact of a contradiction.
// It is found by identity, because two facts can say the same.
func (s *state) evidenceOfContradiction(wanted *pb.HistoryFact) []*pb.SeenAnswer {
	h := s.history()
	for _, of := range h.answers {
		for _, f := range of {
			if f != nil && f.HistoryFact == wanted {
				return s.evidenceOfFact(f)
			}
		}
	}
	for _, f := range h.recorded {
		if f.HistoryFact == wanted {
			return s.evidenceOfFact(f)
		}
	}
	return nil
}
