package timing

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// NewDeviations returns the deviations of after that before did not have. Two are the same
// when kind, section, event and condition are: the words may change without making a new
// one.
func NewDeviations(before, after *pb.SessionState) []*pb.Deviation {
	known := map[string]bool{}
	for _, d := range before.GetDeviations() {
		known[deviationKey(d)] = true
	}
	return slices.DeleteFunc(slices.Clone(after.GetDeviations()), func(d *pb.Deviation) bool {
		return known[deviationKey(d)]
	})
}

// deviationKey tells deviations apart across folds. Time and words are not in it,
// because a fact that arrives late may change them.
func deviationKey(d *pb.Deviation) string {
	return fmt.Sprint(int32(d.Kind), "/", d.SectionId, "/", d.EventId, "/", d.ConditionId)
}

// ClosingDeviations are the deviations that exist only when the service is closed at at.
// Facts are folded in the view of the log. Where no product touched the hair,
// nothing had to be neutralized.
func ClosingDeviations(s *pb.Session, events []*pb.StoredEvent, at time.Time) []*pb.Deviation {
	f := foldFacts(s, events, nil, at, likeliest)
	f.deviations = nil
	if !f.productTouchedHair() {
		return nil
	}
	kind := pb.DeviationKind_DEVIATION_KIND_NOT_OXIDISED
	if !IsThio(s) {
		kind = pb.DeviationKind_DEVIATION_KIND_NOT_NEUTRALIZED
		if n := latherCount(f.lathers); n < fewestShampoos {
			f.addDeviation(pb.DeviationKind_DEVIATION_KIND_FEW_SHAMPOOS, "", "", at,
				"closed after %d neutralizing shampoos; at least %d are usual", n, fewestShampoos)
		}
	}
	if !closable(f.neutralProof()) {
		f.addDeviation(kind, "", "", at, "closed %s", f.notNeutralBecause())
	}
	return f.sortedDeviations()
}

// addDeviation records a deviation. One that time brings about has the event that started
// its clock as its key, so that it stays the same deviation when a later fact ends it.
func (f *folding) addDeviation(kind pb.DeviationKind, sectionID, eventID string, at time.Time, format string, args ...any) {
	f.deviations = append(f.deviations, &pb.Deviation{
		Kind:      kind,
		SectionId: sectionID,
		Message:   fmt.Sprintf(format, args...),
		OccurTime: stamp(at),
		EventId:   eventID,
	})
}

// sortedDeviations are in order of time, each kind, section and event once.
// The order is complete, so the same facts give the same list in whatever order they
// arrived.
func (f *folding) sortedDeviations() []*pb.Deviation {
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

// checkDecision records a session without a decision that allows it. A refusing decision
// has no plan; a student's decision counts only with a supervisor's signature.
func (f *folding) checkDecision() {
	if f.session.GetDecision() == "" || f.session.GetPlan() == nil {
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_NO_DECISION, "", "", f.session.GetStartTime().AsTime(),
			"begun without a decision that lets it go ahead")
	}
	if f.session.GetNotCountersigned() {
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_NOT_COUNTERSIGNED, "", "", f.session.GetStartTime().AsTime(),
			"a student's service, begun without a supervisor's signature")
	}
}

// checkStartAndClosing records how the session was begun or closed against the rules.
func (f *folding) checkStartAndClosing() {
	begun := f.session.GetStartTime().AsTime()
	if f.session.GetNewerDecision() != "" {
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_DECISION_OUTDATED, "", "", begun,
			"begun on a decision that the records of the moment no longer support; they give %s", f.session.NewerDecision)
	}
	if f.session.GetOtherSession() != "" {
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_SECOND_SESSION, "", "", begun, "begun while %s was open on the same client", f.session.OtherSession)
	}
	if c := f.session.GetClosing(); c.GetReason() == pb.ClosingReason_CLOSING_REASON_LEFT_OPEN && !c.GetCloseTime().AsTime().After(f.at) {
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_LEFT_OPEN, "", "", c.GetCloseTime().AsTime(), "left open, and closed without an outcome")
	}
}

// noteUnplannedSection records product on a section for which the plan has no figures.
func (f *folding) noteUnplannedSection(e fact, id string) {
	f.addDeviation(pb.DeviationKind_DEVIATION_KIND_UNPLANNED_SECTION, id, e.EventId, e.at, "section %s is not on the plan", id)
}

// noteScalpChanged records what was seen and says to refer; it names no illness.
func (f *folding) noteScalpChanged(e fact) {
	f.addDeviation(pb.DeviationKind_DEVIATION_KIND_SCALP_CHANGED, "", e.EventId, e.at,
		"the scalp had changed after the service: record what is seen and refer when in doubt")
}

// checkReadingAgainstCap records a strand test that reads beyond the cap.
// A reading in words is a range and cannot show that the cap was passed. The
// sections are marked, so that the water after it does not record the same again.
func (f *folding) checkReadingAgainstCap(e fact, what *pb.StrandTest, tested []*section) {
	left, capLeft := what.GetRemainingCurlPercent(), 100-f.limits.CapPercent
	if what.RemainingCurlPercent == nil || left >= capLeft {
		return
	}
	f.addDeviation(pb.DeviationKind_DEVIATION_KIND_CAP_PASSED, what.SectionId, e.EventId, e.at,
		"strand test of %s: %.0f %% of the curl left, beyond the cap of %.0f %% straightening", sectionWords(what.SectionId), left, f.limits.CapPercent)
	for _, c := range tested {
		c.capDeviation = true
	}
}

// testOverdueTime is when the strand test that is due counts as overdue, by the plan's
// figures as far as they are later. The plan lets a test wait until the section in hand is
// finished, so from revision 1 that time is allowed too.
func (c *section) testOverdueTime() time.Time {
	return later(c.nextTestTime, c.plannedTestTime).Add(minutes(testGraceMinutes + c.guide.applying))
}

// calledWithAnother reports whether another section with product on was tested and called
// to the bowl by t. A stage is rinsed together, so no strand test of c is awaited then.
func (f *folding) calledWithAnother(c *section, t time.Time) bool {
	return c.guide.hands && slices.ContainsFunc(f.sections, func(other *section) bool {
		called := other.latestCallTime
		if near := other.nearTargetTime(); !near.IsZero() {
			called = earlier(called, near)
		}
		return other != c && other.on && !other.lastTestTime.IsZero() && !later(called, other.lastTestTime).After(t)
	})
}

// checkTestsOverdue records the overdue strand tests of all sections by t. It comes before
// every fact that can change what a section is called for, so that such a fact neither
// excuses nor accuses what was so before it.
func (f *folding) checkTestsOverdue(t time.Time) {
	for _, c := range f.sections {
		if c.on {
			f.checkTestOverdue(c, t)
		}
	}
}

// checkTestOverdue records that no strand test of c was made in time by t.
// A test that another section's call excused stays excused until the next one is
// due.
func (f *folding) checkTestOverdue(c *section, t time.Time) {
	if c.nextTestTime.IsZero() || !t.After(c.testOverdueTime()) || !c.timeKnown() || c.excusedTest.Equal(c.nextTestTime) {
		return
	}
	if f.calledWithAnother(c, c.testOverdueTime()) {
		c.excusedTest = c.nextTestTime
		return
	}
	due, grace := later(c.nextTestTime, c.plannedTestTime), testGraceMinutes+c.guide.applying
	f.addDeviation(pb.DeviationKind_DEVIATION_KIND_STRAND_TEST_OVERDUE, c.id, c.adviceEvent, c.testOverdueTime(),
		"a strand test of %s was due %.1f minutes after first contact and was not made within %s of that", c.id,
		due.Sub(c.firstContact).Minutes(), minutesWords(grace))
}

// minutesWords is a number of minutes in words.
func minutesWords(m float64) string {
	if m == 1 {
		return "1 minute"
	}
	return fmt.Sprintf("%.3g minutes", m)
}

// checkLimit records that product was on c beyond the limit by t.
// Its key is the contact with which the limit began.
func (f *folding) checkLimit(c *section, t time.Time) {
	if t.After(c.limitTime) && c.timeKnown() {
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED, c.id, c.contactEvent, c.limitTime,
			"product on %s for %.1f minutes, the limit is %g", c.id, c.exposure(t), c.guide.hardLimit)
	}
}

// lateTime is when water counts as late on c: after the call that was on the screen, and
// by the plan's figures where they are later. From revision 1 slow hands on a slow way are
// not late.
func (c *section) lateTime() time.Time {
	by := later(c.plannedCallTime, c.lastTestTime)
	if !c.guide.hands {
		return by.Add(minutes(c.guide.limits.MinutesToBowl)).Add(minutes(rinseGraceMinutes))
	}
	return later(by, c.latestCallTime).Add(minutes(c.guide.walk)).Add(minutes(rinseGraceMinutes))
}

// checkRinseLate records that water had not come on c by t as advised. Its key is the
// event that the advice follows from: a later test changes the advice, not what was done
// before it.
func (f *folding) checkRinseLate(c *section, t time.Time) {
	if !c.on || c.latestCallTime.IsZero() || !t.After(c.lateTime()) || !c.timeKnown() {
		return
	}
	f.addDeviation(pb.DeviationKind_DEVIATION_KIND_RINSED_LATE, c.id, c.adviceEvent, c.lateTime(),
		"water was advised on %s %.1f minutes after first contact and did not come in time", sectionWords(c.id),
		c.lateTime().Add(-minutes(rinseGraceMinutes)).Sub(c.firstContact).Minutes())
}

// endExposure records water on c, and the cap if it was passed even at the lower end of
// the estimate.
// The shorter exposure and the slower rate count, so that an estimate accuses nobody
// wrongly. A section that only directions guide has no estimate, and an assumed
// contact proves nothing.
func (f *folding) endExposure(c *section, e fact) {
	c.endExposure(e.at)
	surely := straightened(c.earlierMinutes, c.posterior.quantile(lowTail))
	if surely > f.limits.CapPercent && !c.capDeviation && !c.guide.directions && !c.contactAssumed {
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_CAP_PASSED, c.id, e.EventId, e.at,
			"%s was rinsed after %.1f minutes: straightened by at least %.0f %% by the estimate, the cap is %.0f %%",
			c.id, c.earlierMinutes, surely, f.limits.CapPercent)
		c.capDeviation = true
	}
}

// checkDeadlines records what time has brought about on c by t.
func (f *folding) checkDeadlines(c *section, t time.Time) {
	f.checkTestOverdue(c, t)
	f.checkLimit(c, t)
	f.checkRinseLate(c, t)
	f.checkMixture(c, t)
}

// timeKnown reports whether a deviation may be based on the exposure of c: the time of its
// contact is known, or a strand test itself calls for water. Of a stage that was noted with
// one contact, the first section stands for the others.
func (c *section) timeKnown() bool { return !c.contactAssumed || c.rinseRead() }

// checkPassedTime records what time alone has brought about by the end of the fold.
// It comes after the last fact, so that each fact could show that a time was kept.
func (f *folding) checkPassedTime() {
	for _, c := range f.sections {
		if c.on {
			f.checkDeadlines(c, f.at)
		}
	}
	for _, c := range f.reports {
		f.checkRinseAfterDiscomfort(c, f.at)
	}
	for _, w := range f.flushes {
		f.checkFlush(w, f.at)
	}
	f.checkPreparation()
}
