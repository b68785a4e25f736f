package rules

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"time"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// Derived fields are worked out from answers and records before a rule sees
// them: what is known of the chemical history, calendar days, age, what a doctor
// cleared, whether a test counts. A derived field whose answers are missing is
// unknown, and the unknown names the questions to ask, so that a rule that reads
// it waits for those answers and for nothing else. A finding shows the answers a
// derived field rests on, not the field itself.

// derive makes a derived field. get returns its value, or ask of the missing
// answers; sees returns the answers behind the value.
func derive(path string, celType *cel.Type, get func(*state) ref.Val, sees func(*state) []*pb.SeenAnswer) field {
	return field{path: path, celType: celType, derived: true, get: get, evidence: sees}
}

// replacing says which answer the derived field takes the place of, for questions
// that follow that answer.
func (f field) replacing(path string) field {
	f.replaces = path
	return f
}

// unknownOf is the unknown of the answers at the paths. The path of a zone's field
// names the zone in brackets, "zone[ends].thio.happened"; without brackets it is
// the zone that is being looked at.
// Several paths are merged into one unknown, and a rule then waits for all of them.
func (s *state) unknownOf(paths ...string) ref.Val {
	if len(paths) == 1 {
		return s.lang.openAnswers[paths[0]].unknown
	}
	s.key = s.key[:0]
	for _, path := range paths {
		s.key = binary.LittleEndian.AppendUint32(s.key, uint32(s.lang.openAnswers[path].code))
	}
	if known := s.merged[string(s.key)]; known != nil {
		return known
	}
	var unknown *types.Unknown
	for _, path := range paths {
		unknown = types.MergeUnknowns(unknown, s.lang.openAnswers[path].unknown)
	}
	s.merge(unknown)
	return unknown
}

// maxMerged is how many merged unknowns a state keeps for the next case. A policy has
// some dozens. Our own choice.
const maxMerged = 1000

// merge keeps a merged unknown under s.key, with the fields that it stands for.
func (s *state) merge(u *types.Unknown) {
	if s.merged == nil || len(s.merged) == maxMerged {
		s.merged, s.mergedFields = map[string]*types.Unknown{}, map[*types.Unknown][]int{}
	}
	s.merged[string(s.key)] = u
	s.mergedFields[u] = s.lang.appendIDs(nil, u)
}

// A question that a rule waits for is usually of the subject the rule was asked
// about: its code is the index of the field. A derived field of the case may wait
// for a question of one zone: its code also holds the zone.

// questionCode is the code of a question. Zone 0 leaves the subject to the rule that
// waits. Codes cannot collide: the zone counts in steps of the number of fields.
func (l *language) questionCode(field int, zone pb.Zone) int64 {
	return int64(field + int(zone)*len(l.fields))
}

// decodeQuestion splits a code into the field and the subject that the question is about.
func (l *language) decodeQuestion(code int, about subject) (int, subject) {
	zone := pb.Zone(code / len(l.fields))
	if zone == 0 {
		return code, about
	}
	return code % len(l.fields), subjectOf(zone)
}

// subjectOf is a zone as a subject; the empty subject for a zone that is none of the
// three.
func subjectOf(zone pb.Zone) subject {
	for _, z := range zones() {
		if z.Zone == zone {
			return z.subject
		}
	}
	return subject{}
}

// Loading a time zone reads and parses tzdata, so it is kept by name for the policy.

// location is the salon's time zone. A salon that names none, or one that the
// time zone database does not have, counts in UTC.
func (s *state) location() *time.Location {
	name := s.in.GetSalon().GetTimeZone()
	if found, ok := s.lang.locations.Load(name); ok {
		return found.(*time.Location)
	}
	location := locationOf(name)
	s.lang.locations.Store(name, location)
	return location
}

// locationOf is a time zone by its name; UTC when there is none of that name.
func locationOf(name string) *time.Location {
	if location, err := time.LoadLocation(name); err == nil {
		return location
	}
	return time.UTC
}

// now is the instant of the decision.
// The engine has no other clock.
func (s *state) now() time.Time { return s.in.GetDecideTime().AsTime() }

// daysAgo counts the calendar days of the salon from a moment to the decision:
// 0 is today, 1 yesterday, whatever the hour, and -1 tomorrow.
func (s *state) daysAgo(at time.Time) int64 {
	return dayNumber(s.now().In(s.location())) - dayNumber(at.In(s.location()))
}

// dayNumber counts calendar days; two dates that follow one another differ by
// one also where a clock change makes the day 23 or 25 hours long.
func dayNumber(t time.Time) int64 {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / (24 * 60 * 60)
}

// interval is the earliest and the latest moment that fit an answer.
// For an exact time both are the same.
type interval struct{ earliest, latest time.Time }

// People say "in January" as often as a date. An answer is an interval then, and what
// waits is counted from its latest moment: the client who was at the beginning of the
// month can say so.

// when reads the time of a past event. A calendar day, or a month or year when
// the day or the month is 0, is an interval in the salon's time zone; what has
// happened cannot lie after now, so it ends there. ok is false when no usable
// time was given.
func (s *state) when(e *pb.PastEvent) (at interval, ok bool) {
	if t, given := moment(e.GetLastTime()).(types.Timestamp); given {
		return interval{t.Time, t.Time}, true
	}
	at, ok = dateSpan(e.GetLastDate(), s.location())
	if ok && at.latest.After(s.now()) && !at.earliest.After(s.now()) {
		at.latest = s.now()
	}
	return at, ok
}

// DateSpan is the first and the last moment of a date in a time zone; ok is false for what
// is no date.
func DateSpan(d *date.Date, in *time.Location) (earliest, latest time.Time, ok bool) {
	span, ok := dateSpan(d, in)
	return span.earliest, span.latest, ok
}

// dateSpan is the first and the last moment of a date in a time zone.
// ok is false for what is no date: a day without a month, a day that its month does
// not have, and a year outside 1900-2149, as in moment.
func dateSpan(d *date.Date, in *time.Location) (interval, bool) {
	y, m, day := int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay())
	var from, to time.Time
	switch {
	case y < 1900 || y >= 2150 || m < 0 || m > 12 || day < 0 || m == 0 && day > 0:
		return interval{}, false
	case m == 0:
		from, to = midnight(y, 1, 1, in), midnight(y+1, 1, 1, in)
	case day == 0:
		from, to = midnight(y, m, 1, in), midnight(y, m+1, 1, in)
	case time.Date(y, m, day, 12, 0, 0, 0, time.UTC).Day() != day: // 30 February
		return interval{}, false
	default:
		from, to = midnight(y, m, day, in), midnight(y, m, day+1, in)
	}
	return interval{from, to.Add(-time.Nanosecond)}, true
}

// midnight is the first moment of a day. Where a clock change skips midnight, the
// day begins at the moment of the change.
func midnight(y int, m time.Month, d int, in *time.Location) time.Time {
	t := time.Date(y, m, d, 0, 0, 0, 0, in)
	wanted := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	if dayNumber(t) < dayNumber(wanted) { // the clock jumped over midnight
		_, end := t.ZoneBounds()
		return end
	}
	return t
}

// stamp is a time of the contract; the zero time is absent.
func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// evidenceOfEvent shows a past event as it was answered. A path that begins with
// "zone." is of the zone that is being looked at.
func (s *state) evidenceOfEvent(path string, e *pb.PastEvent) []*pb.SeenAnswer {
	if rest, ok := strings.CutPrefix(path, "zone."); ok {
		path = subjectOf(s.zone.GetZone()).path + "." + rest
	}
	var answers []*pb.SeenAnswer
	if a := e.GetHappened(); a != 0 {
		answers = append(answers, &pb.SeenAnswer{Field: path + ".happened", Value: s.lang.answer(a).text()})
	}
	switch {
	case e.GetLastTime() != nil:
		answers = append(answers, &pb.SeenAnswer{Field: path + ".last_time", Value: displayValue(types.Timestamp{Time: e.GetLastTime().AsTime()})})
	case e.GetLastDate() != nil:
		answers = append(answers, &pb.SeenAnswer{Field: path + ".last_date", Value: displayDate(e.GetLastDate())})
	}
	return answers
}

// displayDate writes a date, or a month or a year, as ISO 8601 has it.
func displayDate(d *date.Date) string {
	switch {
	case d.GetMonth() == 0:
		return fmt.Sprintf("%04d", d.GetYear())
	case d.GetDay() == 0:
		return fmt.Sprintf("%04d-%02d", d.GetYear(), d.GetMonth())
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}

// Several fields of one rule can rest on one answer. The finding shows it once, at the
// place where it was first looked at.

// addEvidence adds answers to a finding, each field once.
func addEvidence(f *pb.Finding, answers []*pb.SeenAnswer) {
	for _, a := range answers {
		if !slices.ContainsFunc(f.Answers, func(b *pb.SeenAnswer) bool { return b.GetField() == a.GetField() }) {
			f.Answers = append(f.Answers, a)
		}
	}
}
