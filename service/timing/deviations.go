package timing

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// NewDeviations are those of after that before did not have, told apart by kind,
// section, event and condition.
func NewDeviations(before, after *pb.SessionState) []*pb.Deviation {
	known := map[string]bool{}
	for _, d := range before.GetDeviations() {
		known[deviationKey(d)] = true
	}
	return slices.DeleteFunc(slices.Clone(after.GetDeviations()), func(d *pb.Deviation) bool {
		return known[deviationKey(d)]
	})
}

func deviationKey(d *pb.Deviation) string {
	return fmt.Sprint(int32(d.Kind), "/", d.SectionId, "/", d.EventId, "/", d.ConditionId)
}

// Closing are the deviations that show only when the service is closed at at.
func Closing(s *pb.Session, events []*pb.StoredEvent, at time.Time) []*pb.Deviation {
	f := run(s, events, nil, at, likeliest)
	f.deviations = nil
	if !f.treated() {
		return nil
	}
	kind := pb.DeviationKind_DEVIATION_KIND_NOT_OXIDISED
	if !IsThio(s) {
		kind = pb.DeviationKind_DEVIATION_KIND_NOT_NEUTRALIZED
		if n := lathersDone(f.lathers); n < fewestShampoos {
			f.deviate(pb.DeviationKind_DEVIATION_KIND_FEW_SHAMPOOS, "", "", at,
				"closed after %d neutralizing shampoos; at least %d are usual", n, fewestShampoos)
		}
	}
	if !closable(f.neutralProof()) {
		f.deviate(kind, "", "", at, "closed %s", f.notNeutralBecause())
	}
	return f.sortedDeviations()
}

// deviate notes a departure. A departure that time brings about is keyed to the event
// that started its clock, so that it stays the same one when a later fact ends it.
func (f *service) deviate(kind pb.DeviationKind, sectionID, eventID string, at time.Time, format string, args ...any) {
	f.deviations = append(f.deviations, &pb.Deviation{
		Kind:      kind,
		SectionId: sectionID,
		Message:   fmt.Sprintf(format, args...),
		OccurTime: stamp(at),
		EventId:   eventID,
	})
}

// sortedDeviations are in order of time; each kind, section and event once.
func (f *service) sortedDeviations() []*pb.Deviation {
	slices.SortStableFunc(f.deviations, func(a, b *pb.Deviation) int {
		return cmp.Or(
			a.OccurTime.AsTime().Compare(b.OccurTime.AsTime()),
			cmp.Compare(a.Kind, b.Kind),
			cmp.Compare(a.SectionId, b.SectionId),
			cmp.Compare(a.EventId, b.EventId),
		)
	})
	seen := map[string]bool{}
	return slices.DeleteFunc(f.deviations, func(d *pb.Deviation) bool {
		again := seen[deviationKey(d)]
		seen[deviationKey(d)] = true
		return again
	})
}

// withoutDecision: a decision that says no has no plan, and a student's counts
// with a supervisor's signature.
func (f *service) withoutDecision() {
	if f.session.GetDecision() == "" || f.session.GetPlan() == nil {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_NO_DECISION, "", "", f.session.GetStartTime().AsTime(),
			"begun without a decision that lets it go ahead")
	}
	if f.session.GetNotCountersigned() {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_NOT_COUNTERSIGNED, "", "", f.session.GetStartTime().AsTime(),
			"a student's service, begun without a supervisor's signature")
	}
}

// irregular notes how the session was begun and closed against the rules.
func (f *service) irregular() {
	begun := f.session.GetStartTime().AsTime()
	if f.session.GetNewerDecision() != "" {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_DECISION_OUTDATED, "", "", begun,
			"begun on a decision that the records of the moment no longer support; they give %s", f.session.NewerDecision)
	}
	if f.session.GetOtherSession() != "" {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_SECOND_SESSION, "", "", begun, "begun while %s was open on the same client", f.session.OtherSession)
	}
	if c := f.session.GetClosing(); c.GetReason() == pb.ClosingReason_CLOSING_REASON_LEFT_OPEN && !c.GetCloseTime().AsTime().After(f.at) {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_LEFT_OPEN, "", "", c.GetCloseTime().AsTime(), "left open, and closed without an outcome")
	}
}

func (f *service) unplanned(e fact, id string) {
	f.deviate(pb.DeviationKind_DEVIATION_KIND_UNPLANNED_SECTION, id, e.EventId, e.at, "section %s is not on the plan", id)
}

func (f *service) scalpChanged(e fact) {
	f.deviate(pb.DeviationKind_DEVIATION_KIND_SCALP_CHANGED, "", e.EventId, e.at,
		"the scalp had changed after the service: record what is seen and refer when in doubt")
}

// capSeen notes a strand test that reads beyond the cap.
func (f *service) capSeen(e fact, what *pb.StrandTest, tested []*section) {
	left, capLeft := what.GetRemainingCurlPercent(), 100-f.limits.CapPercent
	if what.RemainingCurlPercent == nil || left >= capLeft {
		return
	}
	f.deviate(pb.DeviationKind_DEVIATION_KIND_CAP_PASSED, what.SectionId, e.EventId, e.at,
		"strand test of %s: %.0f %% of the curl left, beyond the cap of %.0f %% straightening", sectionWords(what.SectionId), left, f.limits.CapPercent)
	for _, c := range tested {
		c.beyondCap = true
	}
}

// testOverdue notes that no strand test of c was made in time by t.
func (f *service) testOverdue(c *section, t time.Time) {
	if c.testDue.IsZero() || !t.After(c.testDue.Add(minutes(testGraceMinutes))) {
		return
	}
	f.deviate(pb.DeviationKind_DEVIATION_KIND_STRAND_TEST_OVERDUE, c.id, c.advisedBy, c.testDue.Add(minutes(testGraceMinutes)),
		"a strand test of %s was due %.1f minutes after first contact and was not made within %d minute of that", c.id,
		c.testDue.Sub(c.first).Minutes(), testGraceMinutes)
}

// limitPassed notes that product was on c beyond the limit by t.
func (f *service) limitPassed(c *section, t time.Time) {
	if t.After(c.limitAt) {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED, c.id, c.contact, c.limitAt,
			"product on %s for %.1f minutes, the limit is %g", c.id, c.exposure(t), c.guide.hardLimit)
	}
}

// rinseBy is when water counts as late on c.
func (c *section) rinseBy() time.Time {
	by := later(c.lateFrom, c.lastTest)
	return by.Add(minutes(c.guide.limits.MinutesToBowl)).Add(minutes(rinseGraceMinutes))
}

// rinseLate notes that water had not come on c by t as advised. It is keyed to what
// the advice rests on: a later test changes the advice, not what was done before it.
func (f *service) rinseLate(c *section, t time.Time) {
	if !c.on || c.callBy.IsZero() || !t.After(c.rinseBy()) {
		return
	}
	f.deviate(pb.DeviationKind_DEVIATION_KIND_RINSED_LATE, c.id, c.advisedBy, c.rinseBy(),
		"water was advised on %s %.1f minutes after first contact and did not come in time", sectionWords(c.id),
		c.rinseBy().Add(-minutes(rinseGraceMinutes)).Sub(c.first).Minutes())
}

// closeSection notes water on c and what that shows.
func (f *service) closeSection(c *section, e fact) {
	f.overdue(c, e.at)
	c.end(e.at)
	surely := straightened(c.earlier, c.belief.quantile(lowTail))
	if surely > f.limits.CapPercent && !c.beyondCap && !c.guide.directions {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_CAP_PASSED, c.id, e.EventId, e.at,
			"%s was rinsed after %.1f minutes: straightened by at least %.0f %% by the estimate, the cap is %.0f %%",
			c.id, c.earlier, surely, f.limits.CapPercent)
		c.beyondCap = true
	}
}

// overdue notes what time has brought about on c by t.
func (f *service) overdue(c *section, t time.Time) {
	f.testOverdue(c, t)
	f.limitPassed(c, t)
	f.rinseLate(c, t)
	f.mixtureTooOld(c, t)
}

// passing notes what the passing of time alone has brought about.
func (f *service) passing() {
	for _, c := range f.sections {
		if c.on {
			f.overdue(c, f.at)
		}
	}
	for _, c := range f.complaints {
		f.lateAnswer(c, f.at)
	}
	for _, w := range f.flushes {
		f.flushShort(w, f.at)
	}
	f.unprepared()
}
