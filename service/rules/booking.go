package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// A booking is a decision on what is known today, made for a later time. What comes
// between is not known, so a booking also says when all waits will be over, and what
// must happen or must not happen before the appointment. It promises nothing: on the
// day the client is asked and looked at again.

// Earliest is the first whole minute, from a time on, at which all waits of a case
// are over if nothing changes; from itself when none holds then. ok is false when
// waiting alone does not end them.
//
// A wait is asked about again at the time at which it seems to end: of a month or a
// year that is not over, the latest moment that fits an answer moves on while it
// lasts. A wait that still holds after ten years has no end.
func (e *Engine) Earliest(in *pb.DecisionInputs, from time.Time) (at time.Time, ok bool, err error) {
	// A copy, because each round asks about a later time.
	in = proto.CloneOf(in)
	for last := from.AddDate(10, 0, 0); from.Before(last); {
		in.DecideTime = timestamppb.New(from)
		end, err := e.lastWait(in)
		if err != nil || !end.After(from) {
			return from, err == nil, err
		}
		from = end
	}
	return time.Time{}, false, nil
}

// Times of appointments are whole minutes, so a wait that ends within one is over with
// the next. That is how "a minute before it waits, at it it does not" holds for events
// whose times have seconds.

// lastWait is the whole minute in which the last of the waits ends that hold at the
// time of a case and stand in the way; the zero time when none does.
func (e *Engine) lastWait(in *pb.DecisionInputs) (time.Time, error) {
	if err := complete(in); err != nil {
		return time.Time{}, err
	}
	s, err := e.open(e.withParameters(in), Revision)
	if err != nil {
		return time.Time{}, err
	}
	defer s.close()
	last := e.lastWaitOf(s, e.policyFor(in.GetHousePolicy()))
	if s.bare != nil {
		if end := e.lastWaitOf(s.bare, e.policyFor(in.GetHousePolicy())); end.After(last) {
			last = end
		}
	}
	if minute := last.Truncate(time.Minute); minute.Before(last) {
		return minute.Add(time.Minute), nil
	}
	return last, nil
}

// lastWaitOf is the moment in which the last of the waits ends that hold in a state and
// stand in the way.
func (e *Engine) lastWaitOf(s *state, p *housePolicyRules) (last time.Time) {
	for _, r := range e.waitingRules(s, p) {
		if !contract.AtLeast(r.text.GetSeverity(), pb.Severity_SEVERITY_ASK) {
			continue
		}
		s.forEachProduct(r, func() {
			s.forEachSubject(r.scope, func(subject) {
				if fires, _, err := r.test(s); err != nil || !fires {
					return
				}
				if span, _, _ := r.wait.test(s); span.end.After(last) {
					last = span.end
				}
			})
		})
	}
	return last
}

// Only rules with a wait are asked here, and of these only those that stand in the way: a
// condition that waits is met or not, and moves no appointment.

// waitingRules are the rules with a wait that hold where the salon is.
// The built-in ones were collected when the policy was built; a house's are picked
// out here.
func (e *Engine) waitingRules(s *state, p *housePolicyRules) []*rule {
	place := jurisdictionBit(Jurisdiction(s.in.GetSalon()))
	return slices.DeleteFunc(slices.Concat(e.waits, p.rules), func(r *rule) bool { return r.wait == nil || r.places&place == 0 })
}

// forEachProduct visits the products that a rule is asked about: that of the head,
// and those of the sections that are treated with another one.
func (s *state) forEachProduct(r *rule, visit func()) {
	visit()
	if r.scope == pb.RuleScope_RULE_SCOPE_SECTION {
		return // each section is asked about with its own
	}
	for _, choice := range s.in.GetSectionProducts() {
		if treated := s.in.GetSectionIds(); len(treated) == 0 || slices.Contains(treated, choice.GetSectionId()) {
			s.useProduct(choice.GetProduct(), choice.GetLotCode())
			visit()
		}
	}
	s.useProduct(s.in.GetProduct(), s.in.GetLotCode())
}

// What a client can do before the appointment is told in four ways, by what the rule
// rests on: a wait that will not be over is a later appointment; a rule that waits at
// all is something not to do; a question of tests or of a doctor is an errand; any
// other doubt is to be settled by then. A refusal for another reason is no errand: it
// stands in the decision, and booking around it would only move the disappointment.

// Requirements are what must happen from now on before an appointment on which d was
// decided, the first to begin first. What was already not to be done before now begins
// now: nobody can keep to a day that is past, and the answers say what was done on it.
func (e *Engine) Requirements(d *pb.Decision, now time.Time) ([]*pb.BookingRequirement, error) {
	s, err := e.lang.open(e.withParameters(d.GetInputs()))
	if err != nil {
		return nil, err
	}
	defer s.close()
	policy := e.policyFor(d.GetInputs().GetHousePolicy())
	requirements := e.abstentions(s, policy, now)
	for _, f := range d.GetFindings() {
		if r := e.requirement(s, policy, f); r != nil {
			requirements = append(requirements, r)
		}
	}
	slices.SortStableFunc(requirements, func(a, b *pb.BookingRequirement) int {
		return cmp.Or(a.GetFromTime().AsTime().Compare(b.GetFromTime().AsTime()), strings.Compare(a.GetRequirementId(), b.GetRequirementId()))
	})
	return requirements, nil
}

// requirement is what a finding asks for before the appointment; nil when nothing
// that is done before it changes the finding.
// Its id is that of the rule, with the subject where there is one, so two zones give
// two requirements. How early a test or a doctor's word may be follows from how long
// it counts: test_days and clearance_days, in calendar days before the appointment.
func (e *Engine) requirement(s *state, p *housePolicyRules, f *pb.Finding) *pb.BookingRequirement {
	r := &pb.BookingRequirement{RuleIds: []string{f.GetRuleId()}, Subject: f.GetSubject(), Text: f.GetMessage(), ByTime: timestamppb.New(s.now())}
	if r.RequirementId = f.GetRuleId(); f.GetSubject() != "" {
		r.RequirementId += "@" + f.GetSubject()
	}
	reads := func(prefix string) bool {
		return slices.ContainsFunc(e.ruleOf(p, f.GetRuleId()).fields, func(i int) bool { return strings.HasPrefix(e.lang.fields[i].path, prefix) })
	}
	parameters := s.in.GetParameters()
	switch {
	case f.GetWait() != nil && contract.AtLeast(f.GetSeverity(), pb.Severity_SEVERITY_ASK):
		r.Kind, r.FromTime, r.ByTime = pb.BookingRequirementKind_BOOKING_REQUIREMENT_KIND_WAIT, f.GetWait().GetEndTime(), nil
		r.Text += " Not before " + s.dayAndHour(r.GetFromTime().AsTime()) + "."
	case f.GetSeverity() == pb.Severity_SEVERITY_REFER && reads("cleared."):
		r.Kind = pb.BookingRequirementKind_BOOKING_REQUIREMENT_KIND_DOCTORS_WORD
		r.FromTime = stamp(s.midnightAfter(s.now(), -int64(parameters.GetClearanceDays())))
	case f.GetSeverity() == pb.Severity_SEVERITY_ASK && (reads("known.strand") || reads("known.incompatibility")):
		r.Kind = pb.BookingRequirementKind_BOOKING_REQUIREMENT_KIND_TEST
		r.FromTime = stamp(s.midnightAfter(s.now(), -int64(parameters.GetTestDays())))
	case f.GetSeverity() == pb.Severity_SEVERITY_ASK:
		r.Kind = pb.BookingRequirementKind_BOOKING_REQUIREMENT_KIND_SETTLE
	default:
		return nil
	}
	return r
}

// ruleOf is the rule of a finding; one without fields for a finding of a rule that is
// not in this policy.
func (e *Engine) ruleOf(p *housePolicyRules, id string) *rule {
	for _, r := range slices.Concat(e.builtInRules, p.rules) {
		if r.text.GetRuleId() == id {
			return r
		}
	}
	return &rule{expression: &expression{}}
}

// These are told whether the event happened before or not: who washed last week can wash
// again before the appointment. A rule counts if it could fire about this case at all, so
// nobody is told to abstain from waving before a hydroxide service for a rule about thio
// products.

// abstentions are what is not done before the appointment, so that no wait begins:
// one for each thing, from the earliest moment that any of its rules counts from,
// with the product of the head or of a section.
func (e *Engine) abstentions(s *state, p *housePolicyRules, now time.Time) []*pb.BookingRequirement {
	var found []*pb.BookingRequirement
	add := func(r *rule) {
		text := r.text.GetWait().GetAbstainText()
		if text == "" || !r.concerns(s) {
			return
		}
		from := r.wait.lastChance(s)
		i := slices.IndexFunc(found, func(b *pb.BookingRequirement) bool { return b.GetText() == text })
		if i < 0 {
			found = append(found, &pb.BookingRequirement{
				RequirementId: r.text.GetRuleId(), Kind: pb.BookingRequirementKind_BOOKING_REQUIREMENT_KIND_ABSTAIN,
				Text: text, FromTime: timestamppb.New(from), ByTime: timestamppb.New(s.now()),
			})
			i = len(found) - 1
		}
		if !slices.Contains(found[i].RuleIds, r.text.GetRuleId()) {
			found[i].RuleIds = append(found[i].RuleIds, r.text.GetRuleId())
		}
		if from.Before(found[i].GetFromTime().AsTime()) {
			found[i].FromTime = timestamppb.New(from)
		}
	}
	for _, r := range e.waitingRules(s, p) {
		s.forEachProduct(r, func() { add(r) })
	}
	for _, b := range found {
		from := "now"
		if b.GetFromTime().AsTime().After(now) {
			from = s.dayAndHour(b.GetFromTime().AsTime())
		} else {
			b.FromTime = nil
		}
		b.Text = fmt.Sprintf("%s from %s on.", b.GetText(), from)
	}
	return found
}

// concerns tells whether a rule with a wait could fire about the case if its event
// happened: its expression holds, or is not known, about some subject.
// A rule that fails counts too, because it may fire.
func (r *rule) concerns(s *state) (could bool) {
	s.forEachSubject(r.scope, func(subject) {
		answer, missing, err := r.expression.test(s)
		could = could || answer || len(missing) > 0 || err != nil
	})
	return could
}

// lastChance is the first moment from which on the event would be too late for the
// time of the case.
// Hours count back from the appointment, days from the first midnight after which the
// wait would not be over by then. A wait until a fixed time does not depend on when its
// events happen, so it gives the time of the case.
func (w *wait) lastChance(s *state) time.Time {
	switch {
	case w.hours >= 0:
		return s.now().Add(-time.Duration(s.number(w.hours)) * time.Hour)
	case w.days >= 0:
		return s.midnightAfter(s.now(), 1-s.number(w.days))
	}
	return s.now()
}

// dayAndHour is a time in the salon's time zone, as a client is told it: "Thursday 5
// November, 14:00".
func (s *state) dayAndHour(t time.Time) string {
	return t.In(s.location()).Format("Monday 2 January, 15:04")
}
