package timing

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// alarms are the calls to act now, most severe first. A call for water stands until water
// comes, whatever else is recorded, even when the session is closed.
func (f *folding) alarms() []*pb.Alarm {
	calls := append(f.comfortAlarms(), f.flushAlarms()...)
	if n := len(f.unknownCalls); n > 0 { // one alarm, since the first and with the newest
		first, newest := f.unknownCalls[0], f.unknownCalls[n-1]
		calls = append(calls, &pb.Alarm{Kind: pb.AlarmKind_ALARM_KIND_RINSE_NOW, Cause: pb.AlarmCause_ALARM_CAUSE_OTHER_FACT, Place: pb.Place_PLACE_HEAD,
			SinceTime: stamp(first.at), EventId: newest.event, Message: fmt.Sprintf("Rinse now. The till reported %q.", newest.fact)})
	}
	for _, c := range f.sections {
		if c.on {
			calls = append(calls, f.sectionAlarms(c)...)
		}
	}
	calls = append(calls, f.courseAlarms()...)
	if f.session.GetOutcome() != "" || f.session.GetClosing() != nil {
		calls = slices.DeleteFunc(calls, func(a *pb.Alarm) bool { return !callsForWater(a.Kind) })
	}
	slices.SortStableFunc(calls, func(a, b *pb.Alarm) int {
		return cmp.Or(
			contract.CompareRank(b.Kind, a.Kind),
			a.SinceTime.AsTime().Compare(b.SinceTime.AsTime()),
			cmp.Compare(a.SectionId, b.SectionId),
			cmp.Compare(a.Place, b.Place),
		)
	})
	return calls
}

// callsForWater reports whether alarms of a kind continue after a session is closed.
// Kinds are ranked by severity, so every kind from FLUSH on calls for water.
func callsForWater(k pb.AlarmKind) bool {
	return contract.AtLeast(k, pb.AlarmKind_ALARM_KIND_FLUSH)
}

// courseAlarms are about the service as a whole.
// The product is to be confirmed only while nothing has been put on: later the call
// would come too late. Neutralizing is called for from the end of the rinse, or from
// the end of an oxidiser's time.
func (f *folding) courseAlarms() []*pb.Alarm {
	var calls []*pb.Alarm
	if f.confirmationDue() && f.contact == nil && f.preparation.namedTime.IsZero() && f.stopped == nil {
		calls = append(calls, &pb.Alarm{Kind: pb.AlarmKind_ALARM_KIND_CONFIRM_PRODUCT, SinceTime: f.session.GetStartTime(),
			Message: "Scan or confirm product and lot. Then apply."})
	}
	if a := f.unrinsedAlarm(); a != nil {
		calls = append(calls, a)
	}
	if !f.rinsedOut.IsZero() && !closable(f.neutralProof()) && !f.oxidiserOn() {
		calls = append(calls, &pb.Alarm{Kind: pb.AlarmKind_ALARM_KIND_NOT_NEUTRALIZED, SinceTime: stamp(later(f.rinsedOut, f.oxidiserEnds())),
			Message: f.neutralAdvice()})
	}
	return calls
}

// unrinsedAlarm asks for a rinse that nobody recorded; nil when none is missing. A lather or
// a normalizer ends the exposures, because it goes on rinsed hair only. If it was tapped by
// mistake, product is still on and every other clock has stopped. It becomes RINSE_NOW when
// the hard limit has passed since the first contact.
func (f *folding) unrinsedAlarm() *pb.Alarm {
	if !f.unrinsed || f.session.GetGuidanceRevision() < 1 {
		return nil
	}
	a := &pb.Alarm{Kind: pb.AlarmKind_ALARM_KIND_RINSE_DUE, Place: pb.Place_PLACE_HEAD, SinceTime: stamp(f.rinsedOut),
		Message: "Rinse the product out and tap it. No rinse is on record."}
	if f.at.Sub(f.contactTime) >= minutes(f.limits.HardLimitMinutes) {
		a.Kind, a.Cause = pb.AlarmKind_ALARM_KIND_RINSE_NOW, pb.AlarmCause_ALARM_CAUSE_HARD_LIMIT
		a.Message = "Rinse now and tap it. No rinse is on record."
	}
	return a
}

// comfortAlarms call for water where discomfort was reported: one alarm per section, since
// the first report and with the event of the newest. They do not require that product is
// known to be on: that fact may still be on its way from a till, and the skin does not
// wait for it.
func (f *folding) comfortAlarms() []*pb.Alarm {
	var calls []*pb.Alarm
	said := map[string]*pb.Alarm{}
	for _, c := range f.reports {
		if !c.open {
			continue
		}
		a := said[c.section]
		if a == nil {
			a = &pb.Alarm{Kind: pb.AlarmKind_ALARM_KIND_RINSE_NOW, Cause: pb.AlarmCause_ALARM_CAUSE_DISCOMFORT, Place: pb.Place_PLACE_HEAD,
				SectionId: c.section, SinceTime: stamp(f.rinseDutyTime(c))}
			said[c.section] = a
			calls = append(calls, a)
		}
		a.EventId = c.eventID
		a.Message = "Rinse now. " + discomfortText(c)
	}
	return calls
}

// discomfortText is what the client feels, as a sentence.
func discomfortText(c *discomfortReport) string {
	verb := "It tingles"
	if isBurn(c.comfort) {
		verb = "It burns"
	}
	if c.section == "" {
		return verb + "."
	}
	return verb + " at " + c.section + "."
}

// flushAlarms call for water on eyes and skin, and for more of it. No alarm ever says that
// the flush is complete: only medical help can say so.
// After the flush time an eye keeps calling for medical help; skin does not.
func (f *folding) flushAlarms() []*pb.Alarm {
	var calls []*pb.Alarm
	call := func(kind pb.AlarmKind, w *flush, since time.Time, event, format string, args ...any) {
		a := &pb.Alarm{Kind: kind, Place: w.place, SinceTime: stamp(since), EventId: event, Message: fmt.Sprintf(format, args...),
			Cause: pb.AlarmCause_ALARM_CAUSE_SPLASH}
		if w.place == pb.Place_PLACE_HEAD && w.splashTime.IsZero() {
			a.Cause = pb.AlarmCause_ALARM_CAUSE_DISCOMFORT
		}
		calls = append(calls, a)
	}
	for _, w := range f.flushes {
		where, least := placeWords(w.place), f.leastFlush()
		switch {
		case !w.needsCare():
		case !w.watered && !w.splashTime.Before(w.reportTime): // burning calls for itself
			call(pb.AlarmKind_ALARM_KIND_RINSE_NOW, w, w.reportTime, w.reportEvent, "Rinse %s now. Keep clean water running.", where)
		case !w.watered:
		case !w.waterSince.IsZero():
			call(pb.AlarmKind_ALARM_KIND_FLUSH, w, later(w.waterSince, w.reportTime), w.reportEvent,
				"Keep water running on %s for at least %g minutes, and until medical help says stop. The safety data sheet comes first.", where, least)
		case w.tooShort(least):
			call(pb.AlarmKind_ALARM_KIND_WATER_OFF_TOO_SOON, w, w.waterOffTime, w.waterOffEvent,
				"Put the water back on %s. It ran for %.0f of at least %g minutes.", where, w.ranMinutes, least)
		case isEye(w.place):
			call(pb.AlarmKind_ALARM_KIND_FLUSH, w, w.waterOffTime, w.reportEvent, "Get medical help for %s now. Keep flushing until they say stop.", where)
		}
	}
	if a := f.briefRinseAlarm(); a != nil {
		calls = append(calls, a)
	}
	return calls
}

// briefRinseAlarm calls for water again when it was taken off so soon that product must
// still be in the hair; nil when it was not.
// A head that burns is left to its flush, which asks for more water than this.
func (f *folding) briefRinseAlarm() *pb.Alarm {
	h := f.head
	if h.waterOffTime.IsZero() || len(h.running) > 0 || !f.productTouchedHair() || !f.rinsedOut.IsZero() || h.ranMinutes >= briefRinseMinutes || len(h.burnt) > 0 {
		return nil
	}
	return &pb.Alarm{Kind: pb.AlarmKind_ALARM_KIND_WATER_OFF_TOO_SOON, Place: pb.Place_PLACE_HEAD, SinceTime: stamp(h.waterOffTime), EventId: h.waterOffEvent,
		Message: "Put the water back on. Product is still in the hair."}
}

// discomfortAt reports whether discomfort on a section or on the whole head still needs
// water.
func (f *folding) discomfortAt(id string) bool {
	return slices.ContainsFunc(f.reports, func(c *discomfortReport) bool { return c.open && (c.section == "" || c.section == id) })
}

// sectionAlarms are the calls about one section that has product on. A section that
// should be under water gets no call for a strand test.
func (f *folding) sectionAlarms(c *section) []*pb.Alarm {
	if a := f.rinseNowAlarm(c); a != nil {
		a.Kind, a.Place, a.SectionId = pb.AlarmKind_ALARM_KIND_RINSE_NOW, pb.Place_PLACE_HEAD, c.id
		return []*pb.Alarm{a}
	}
	var calls []*pb.Alarm
	call := func(kind pb.AlarmKind, since time.Time, message string) {
		calls = append(calls, &pb.Alarm{Kind: kind, SectionId: c.id, SinceTime: stamp(since), Message: message})
	}
	// RINSE_DUE includes what TARGET_NEAR says, so only one of them is raised.
	switch near := c.nearTargetTime(); {
	case c.readsAtCap():
		call(pb.AlarmKind_ALARM_KIND_RINSE_DUE, c.latestCallTime, fmt.Sprintf("Go to the bowl with %s now. It looks as straight as it may get.", sectionWords(c.id)))
	case !c.latestCallTime.After(f.at):
		call(pb.AlarmKind_ALARM_KIND_RINSE_DUE, c.latestCallTime, fmt.Sprintf("Go to the bowl with %s now. Its time is up.", sectionWords(c.id)))
	case !near.IsZero() && !near.After(f.at):
		call(pb.AlarmKind_ALARM_KIND_TARGET_NEAR, near, fmt.Sprintf("Go to the bowl with %s. It is straight enough, or nearly.", sectionWords(c.id)))
	}
	if !c.nextTestTime.IsZero() && !c.nextTestTime.After(f.at) && !f.discomfortAt(c.id) {
		call(pb.AlarmKind_ALARM_KIND_STRAND_TEST_DUE, c.nextTestTime, fmt.Sprintf("Test a strand of %s.", sectionWords(c.id)))
	}
	return calls
}

// AlarmPlace names the place that an alarm is about.
// An alarm about a section names the section, every other one the place of the body.
func AlarmPlace(a *pb.Alarm) string {
	if a.SectionId == "" && (a.Place != pb.Place_PLACE_UNSPECIFIED || a.Cause == pb.AlarmCause_ALARM_CAUSE_SPLASH) {
		return placeWords(a.Place)
	}
	return sectionWords(a.SectionId)
}

// sectionWords names a section; the empty ID is the whole head.
func sectionWords(id string) string { return cmp.Or(id, "the head") }

// sentenceStart begins a sentence with a place. A section ID keeps its form, because
// the salon chose it.
func sentenceStart(where string) string {
	if where == sectionWords("") {
		return "The head"
	}
	return where
}

// rinseNowAlarm says why water must come on a section now; nil when it need not. The
// order of the cases is the order of certainty: what is known comes before what is
// estimated.
func (f *folding) rinseNowAlarm(c *section) *pb.Alarm {
	call := func(cause pb.AlarmCause, since time.Time, event, format string, args ...any) *pb.Alarm {
		return &pb.Alarm{Cause: cause, SinceTime: stamp(since), EventId: event, Message: "Rinse now. " + fmt.Sprintf(format, args...)}
	}
	where := sectionWords(c.id)
	switch {
	case !c.limitTime.After(f.at):
		return call(pb.AlarmCause_ALARM_CAUSE_HARD_LIMIT, c.limitTime, "", "%s has had the longest time allowed: %g minutes.", sentenceStart(where), c.guide.hardLimit)
	case c.distressEvent != "":
		return call(pb.AlarmCause_ALARM_CAUSE_DISTRESSED_HAIR, c.latestCallTime, c.distressEvent, "The hair is damaged at %s.", where)
	case c.readsAtCap() && !c.capCallTime().After(f.at):
		return call(pb.AlarmCause_ALARM_CAUSE_CAP_READ, c.capCallTime(), c.lastReadingEvent, "%s is as straight as it may get: %g %%.", sentenceStart(where), f.limits.CapPercent)
	case c.inUse != nil && c.inUse.wrong != "":
		return call(pb.AlarmCause_ALARM_CAUSE_WRONG_PRODUCT, later(c.inUse.at, c.contactTime), c.inUse.event, "The wrong product is on %s: %s.", where, c.inUse.wrong)
	case !c.mixtureDeadline.IsZero() && !c.mixtureDeadline.After(f.at):
		return call(pb.AlarmCause_ALARM_CAUSE_MIXTURE_TOO_OLD, later(c.mixtureDeadline, c.contactTime), "", "The mix on %s is older than %g minutes.", where, f.limits.GetUseWithinMinutes())
	case f.stopped != nil:
		return call(pb.AlarmCause_ALARM_CAUSE_BROKEN_OFF, later(f.stopped.at, c.contactTime), f.stopped.EventId, "The service was stopped with product on %s.", where)
	case !c.overdueTime().After(f.at):
		return call(pb.AlarmCause_ALARM_CAUSE_ESTIMATE, c.overdueTime(), "", "%s is past its time.", sentenceStart(where))
	}
	return nil
}

// NextChange is the next time after the state's at which alarms or deviations may change
// without a new fact; false when there is none. It may return a time at which nothing
// changes, but misses none: callers sleep until it.
func NextChange(s *pb.Session, events []*pb.StoredEvent, state *pb.SessionState) (time.Time, bool) {
	now := state.GetTime().AsTime()
	next := time.Time{}
	// An alarm begins at its instant; a deviation just after, because a fact at the very
	// instant is still in time.
	consider := func(t time.Time) {
		for _, t := range []time.Time{t, t.Add(1)} {
			if t.After(now) && (next.IsZero() || t.Before(next)) {
				next = t
			}
		}
	}
	// The cautious view, because alarms follow the guidance.
	f := foldFacts(s, events, nil, now, cautious)
	for _, c := range f.sections {
		if c.on {
			f.sectionChangeTimes(c, consider)
		}
	}
	for _, c := range f.reports {
		consider(f.rinseDutyTime(c).Add(minutes(discomfortMinutes)))
	}
	for _, w := range f.flushes {
		consider(w.waterOffTime.Add(minutes(flushGraceMinutes)))
	}
	consider(f.oxidiserEnds())
	return next, !next.IsZero()
}

// sectionChangeTimes passes on the times at which something changes on a section by
// itself.
// The times at which deviations begin are among them, because a deviation is part of
// the state.
func (f *folding) sectionChangeTimes(c *section, consider func(time.Time)) {
	consider(c.latestCallTime)
	consider(c.limitTime)
	consider(c.nearTargetTime())
	consider(c.overdueTime())
	consider(c.lateTime())
	consider(c.mixtureDeadline)
	if !c.nextTestTime.IsZero() {
		consider(c.nextTestTime)
		consider(c.testOverdueTime())
	}
	if c.readsAtCap() {
		consider(c.capCallTime())
	}
}
