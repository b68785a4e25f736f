package rules

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"

	pb "alkalog/proto/alkalogv1"
)

// A rule can state its wait as data: the events it is counted from and how long it
// is. Such a rule fires while its expression holds and the wait is not over, so the
// end of the wait is known, and a booking can be told when it may be.
//
//   - Hours are hours from the latest moment that fits the event. Days are calendar
//     days of the salon: the wait ends when the day begins that many days later.
//   - With several events the rule fires if the wait after any of them is not over:
//     what one source knows does not excuse from another's question.
//   - A time until which it lasts can stand instead, with the events that it is about;
//     they tell only since when.
//   - An event that did not happen is not waited for. One of which nobody said
//     whether or when it happened is asked about, like any other answer.

// wait is the wait of a rule, ready to be asked.
type wait struct {
	events []waitEvent
	until  int // the field of a time; -1: counted from events
	hours  int // the field of a number; -1: counted in days
	days   int
}

// waitEvent is a past event by its fields: whether it happened and when at the
// latest. dated is the field whose missing answer is asked for, and whose evidence
// is shown.
type waitEvent struct{ happened, at, dated int }

// A wait is checked when the policy is built, like an expression: a path that is none, or
// a field of another type, is an error and not a wait that never holds. The fields of an
// event follow from its path, so a file cannot pair the question of one event with the
// date of another.

// newWait finds the fields that a wait names; nil when the rule has none.
func (l *language) newWait(text *pb.RuleWait) (*wait, error) {
	if text == nil {
		return nil, nil
	}
	w := &wait{until: -1, hours: -1, days: -1}
	var errs []error
	find := func(path string, celType *cel.Type) int {
		i, ok := l.index[path]
		if !ok || !l.fields[i].celType.IsAssignableType(celType) {
			errs = append(errs, fmt.Errorf("its wait must name a field of type %s; %q is none", celType, path))
			return 0
		}
		return i
	}
	if text.GetUntilField() != "" {
		w.until = find(text.GetUntilField(), cel.TimestampType)
	}
	for _, path := range text.GetEvents() {
		e := waitEvent{happened: find(path+".happened", l.answer(0).celType)}
		at := path + ".last_time"
		if _, known := l.index[path+".latest_time"]; known {
			at = path + ".latest_time"
		}
		e.at = find(at, cel.TimestampType)
		e.dated = e.at
		if text.GetHoursField() == "" {
			e.dated = find(path+".days_ago", cel.IntType)
		}
		w.events = append(w.events, e)
	}
	if text.GetHoursField() != "" {
		w.hours = find(text.GetHoursField(), cel.IntType)
	}
	if text.GetDaysField() != "" {
		w.days = find(text.GetDaysField(), cel.IntType)
	}
	counted := (w.hours >= 0) != (w.days >= 0)
	if len(w.events) == 0 || counted == (w.until >= 0) {
		errs = append(errs, errors.New("its wait must name events, and either hours or days or a time until which it lasts"))
	}
	return w, errors.Join(errs...)
}

// fields are all fields that the wait reads.
func (w *wait) fields() []int {
	if w.until >= 0 {
		return []int{w.until}
	}
	var fields []int
	for _, e := range w.events {
		fields = append(fields, e.happened, e.dated)
	}
	for _, i := range []int{w.hours, w.days} {
		if i >= 0 {
			fields = append(fields, i)
		}
	}
	return fields
}

// waitSpan is the wait after one event.
// since is the zero time where a wait lasts until a fixed time and no event is
// dated.
type waitSpan struct{ since, end time.Time }

// The order matters for what is asked: an event that certainly holds the rule makes every
// other question needless, as "a || b" does in an expression. Only when none does are the
// answers listed that could still.

// test tells whether the wait is not over, or which answers that depends on. Of
// several spans the one that ends last is returned.
func (w *wait) test(s *state) (span waitSpan, holds bool, missing []int) {
	if w.until >= 0 {
		return w.testUntil(s)
	}
	for _, e := range w.events {
		happened := s.value(e.happened)
		if unknown, ok := happened.(*types.Unknown); ok {
			missing = append(missing, s.missingFields(unknown)...)
			continue
		}
		if happened != s.lang.answer(pb.Answer_ANSWER_YES) {
			continue
		}
		at, ok := s.value(e.at).(types.Timestamp)
		if !ok {
			if unknown, isUnknown := s.value(e.dated).(*types.Unknown); isUnknown {
				missing = append(missing, s.missingFields(unknown)...)
			}
			continue
		}
		if end := w.end(s, at.Time); s.now().Before(end) && end.After(span.end) {
			span, holds = waitSpan{at.Time, end}, true
		}
	}
	if holds {
		return span, true, nil
	}
	slices.Sort(missing)
	return span, false, slices.Compact(missing)
}

// testUntil is test for a wait that lasts until a time.
// It asks for nothing: without a time there is no wait.
func (w *wait) testUntil(s *state) (span waitSpan, holds bool, missing []int) {
	if at, ok := s.value(w.until).(types.Timestamp); ok {
		span.end = s.midnightAfter(at.Time, 0)
	}
	for _, e := range w.events {
		if at, ok := s.value(e.at).(types.Timestamp); ok && s.value(e.happened) == s.lang.answer(pb.Answer_ANSWER_YES) && at.After(span.since) {
			span.since = at.Time
		}
	}
	return span, s.now().Before(span.end), nil
}

// end is when the wait after an event at a moment is over.
// Hours run on through the night; days end at midnight in the salon.
func (w *wait) end(s *state, since time.Time) time.Time {
	if w.hours >= 0 {
		return since.Add(time.Duration(s.number(w.hours)) * time.Hour)
	}
	return s.midnightAfter(since, s.number(w.days))
}

// number is the value of a field that holds a whole number; 0 when it holds none.
func (s *state) number(i int) int64 {
	n, _ := s.value(i).(types.Int)
	return int64(n)
}

// Days are counted on the calendar and not as 24 hours: "eight weeks to the day" is a
// date for client and salon, and two days of a year have 23 or 25 hours. A visit in the
// evening does not put the next one off to an evening.

// midnightAfter is when the day begins in the salon that is some days after the day
// of a moment.
func (s *state) midnightAfter(t time.Time, days int64) time.Time {
	y, m, d := t.In(s.location()).Date()
	return midnight(y, m, d+int(days), s.location())
}

// of is the wait as a finding tells it.
func (span waitSpan) of() *pb.FindingWait {
	return &pb.FindingWait{SinceTime: stamp(span.since), EndTime: stamp(span.end)}
}

// waitText is the wait of a rule as its file has it.
type waitText struct {
	Since   []string `yaml:"since"`
	Until   string   `yaml:"until"`
	Hours   string   `yaml:"hours"`
	Days    string   `yaml:"days"`
	Abstain string   `yaml:"abstain"`
}

// wait is the contract's form of it; nil when there is none.
func (t *waitText) wait() *pb.RuleWait {
	if t == nil {
		return nil
	}
	return &pb.RuleWait{Events: t.Since, UntilField: t.Until, HoursField: t.Hours, DaysField: t.Days, AbstainText: strings.TrimSpace(t.Abstain)}
}
