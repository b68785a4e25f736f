package timing

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/severity"
)

// alarms are the calls to act at f.at, most severe first. What calls for water stands
// until water comes, whatever else is noted, even when the session is closed.
func (f *service) alarms() []*pb.Alarm {
	calls := append(f.comfortAlarms(), f.flushAlarms()...)
	if n := len(f.others); n > 0 { // one alarm, since the first and with the newest
		first, newest := f.others[0], f.others[n-1]
		calls = append(calls, &pb.Alarm{Kind: pb.AlarmKind_ALARM_KIND_RINSE_NOW, Cause: pb.AlarmCause_ALARM_CAUSE_OTHER_FACT, Place: pb.Place_PLACE_HEAD,
			SinceTime: stamp(first.at), EventId: newest.event, Message: fmt.Sprintf("Rinse now. The till noted %q.", newest.fact)})
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
			severity.Compare(b.Kind, a.Kind),
			a.SinceTime.AsTime().Compare(b.SinceTime.AsTime()),
			cmp.Compare(a.SectionId, b.SectionId),
			cmp.Compare(a.Place, b.Place),
		)
	})
	return calls
}

// callsForWater tells alarms that outlive the closing of a session.
func callsForWater(k pb.AlarmKind) bool {
	return severity.AtLeast(k, pb.AlarmKind_ALARM_KIND_FLUSH)
}

// courseAlarms are about the course of the service as a whole.
func (f *service) courseAlarms() []*pb.Alarm {
	var calls []*pb.Alarm
	if f.confirmationDue() && f.contact == nil && f.before.confirmAt.IsZero() && f.stopped == nil {
		calls = append(calls, &pb.Alarm{Kind: pb.AlarmKind_ALARM_KIND_CONFIRM_PRODUCT, SinceTime: f.session.GetStartTime(),
			Message: "Confirm the product and the lot in your hand before the first contact."})
	}
	if !f.out.IsZero() && !closable(f.neutralProof()) && !f.oxidising() {
		calls = append(calls, &pb.Alarm{Kind: pb.AlarmKind_ALARM_KIND_NOT_NEUTRALIZED, SinceTime: stamp(later(f.out, f.oxidiserEnds())),
			Message: f.neutralAdvice()})
	}
	return calls
}

// comfortAlarms call for water wherever discomfort was reported, once per section,
// since the first report and with the event of the newest. They do not ask whether
// product is known to be on: the fact that it is may be on its way from a till, and
// the skin does not wait for it.
func (f *service) comfortAlarms() []*pb.Alarm {
	var calls []*pb.Alarm
	said := map[string]*pb.Alarm{}
	for _, c := range f.complaints {
		if !c.open {
			continue
		}
		a := said[c.section]
		if a == nil {
			a = &pb.Alarm{Kind: pb.AlarmKind_ALARM_KIND_RINSE_NOW, Cause: pb.AlarmCause_ALARM_CAUSE_DISCOMFORT, Place: pb.Place_PLACE_HEAD,
				SectionId: c.section, SinceTime: stamp(f.began(c))}
			said[c.section] = a
			calls = append(calls, a)
		}
		a.EventId = c.eventID
		a.Message = "Rinse now. " + feels(c)
	}
	return calls
}

func feels(c *complaint) string {
	verb := "It tingles"
	if isBurn(c.comfort) {
		verb = "It burns"
	}
	if c.section == "" {
		return verb + "."
	}
	return verb + " at " + c.section + "."
}

// flushAlarms call for water on eyes and skin, and for going on with it. None ever
// says that it is enough: that is for medical help to say.
func (f *service) flushAlarms() []*pb.Alarm {
	var calls []*pb.Alarm
	call := func(kind pb.AlarmKind, w *flush, since time.Time, event, format string, args ...any) {
		a := &pb.Alarm{Kind: kind, Place: w.place, SinceTime: stamp(since), EventId: event, Message: fmt.Sprintf(format, args...),
			Cause: pb.AlarmCause_ALARM_CAUSE_SPLASH}
		if w.place == pb.Place_PLACE_HEAD && w.splash.IsZero() {
			a.Cause = pb.AlarmCause_ALARM_CAUSE_DISCOMFORT
		}
		calls = append(calls, a)
	}
	for _, w := range f.flushes {
		where, least := placeWords(w.place), f.leastFlush()
		switch {
		case !w.open():
		case !w.wet && !w.splash.Before(w.needed): // burning calls for itself
			call(pb.AlarmKind_ALARM_KIND_RINSE_NOW, w, w.needed, w.event, "Rinse %s now. Keep clean water running.", where)
		case !w.wet:
		case !w.since.IsZero():
			call(pb.AlarmKind_ALARM_KIND_FLUSH, w, later(w.since, w.needed), w.event,
				"Keep water running on %s: at least %g minutes, and on until medical help says stop. The safety data sheet comes first.", where, least)
		case w.short(least):
			call(pb.AlarmKind_ALARM_KIND_WATER_OFF_TOO_SOON, w, w.ended, w.endBy,
				"Put the water back on %s. It ran for %.0f of at least %g minutes.", where, w.ran, least)
		case isEye(w.place):
			call(pb.AlarmKind_ALARM_KIND_FLUSH, w, w.ended, w.event, "Get medical help for %s now. Go on flushing until help says stop.", where)
		}
	}
	if a := f.briefRinse(); a != nil {
		calls = append(calls, a)
	}
	return calls
}

// briefRinse calls the water back when it was taken from the head so soon that
// product must still be there.
func (f *service) briefRinse() *pb.Alarm {
	h := f.head
	if h.ended.IsZero() || len(h.under) > 0 || !f.treated() || !f.out.IsZero() || h.ran >= briefRinseMinutes || len(h.hurt) > 0 {
		return nil
	}
	return &pb.Alarm{Kind: pb.AlarmKind_ALARM_KIND_WATER_OFF_TOO_SOON, Place: pb.Place_PLACE_HEAD, SinceTime: stamp(h.ended), EventId: h.ending,
		Message: "Put the water back on. The product is not rinsed out."}
}

// hurts tells whether discomfort stands unanswered on a section or the whole head.
func (f *service) hurts(id string) bool {
	return slices.ContainsFunc(f.complaints, func(c *complaint) bool { return c.open && (c.section == "" || c.section == id) })
}

// sectionAlarms are the calls about one section that product is on. Nobody is sent
// to test a strand that should be under water.
func (f *service) sectionAlarms(c *section) []*pb.Alarm {
	if a := f.rinseNow(c); a != nil {
		a.Kind, a.Place, a.SectionId = pb.AlarmKind_ALARM_KIND_RINSE_NOW, pb.Place_PLACE_HEAD, c.id
		return []*pb.Alarm{a}
	}
	var calls []*pb.Alarm
	call := func(kind pb.AlarmKind, since time.Time, message string) {
		calls = append(calls, &pb.Alarm{Kind: kind, SectionId: c.id, SinceTime: stamp(since), Message: message})
	}
	switch near := c.nearAt(); {
	case !c.callBy.After(f.at):
		call(pb.AlarmKind_ALARM_KIND_RINSE_DUE, c.callBy, fmt.Sprintf("Go to the bowl with %s now. The latest advised time has come.", sectionWords(c.id)))
	case !near.IsZero() && !near.After(f.at):
		call(pb.AlarmKind_ALARM_KIND_TARGET_NEAR, near, fmt.Sprintf("Go to the bowl with %s. It is at its target or near it.", sectionWords(c.id)))
	}
	if !c.testDue.IsZero() && !c.testDue.After(f.at) && !f.hurts(c.id) {
		call(pb.AlarmKind_ALARM_KIND_STRAND_TEST_DUE, c.testDue, fmt.Sprintf("Test a strand of %s.", sectionWords(c.id)))
	}
	return calls
}

// Where names the place that an alarm is about.
func Where(a *pb.Alarm) string {
	if a.SectionId == "" && (a.Place != pb.Place_PLACE_UNSPECIFIED || a.Cause == pb.AlarmCause_ALARM_CAUSE_SPLASH) {
		return placeWords(a.Place)
	}
	return sectionWords(a.SectionId)
}

// sectionWords names a section; the empty id is the whole head.
func sectionWords(id string) string { return cmp.Or(id, "the head") }

// rinseNow is why water must come on a section now; nil when it need not.
func (f *service) rinseNow(c *section) *pb.Alarm {
	call := func(cause pb.AlarmCause, since time.Time, event, format string, args ...any) *pb.Alarm {
		return &pb.Alarm{Cause: cause, SinceTime: stamp(since), EventId: event, Message: "Rinse now. " + fmt.Sprintf(format, args...)}
	}
	where := sectionWords(c.id)
	switch {
	case !c.limitAt.After(f.at):
		return call(pb.AlarmCause_ALARM_CAUSE_HARD_LIMIT, c.limitAt, "", "The limit of %g minutes is reached at %s.", c.guide.hardLimit, where)
	case c.distressed != "":
		return call(pb.AlarmCause_ALARM_CAUSE_DISTRESSED_HAIR, c.callBy, c.distressed, "The hair is in distress at %s.", where)
	case c.atCap():
		return call(pb.AlarmCause_ALARM_CAUSE_CAP_READ, c.callBy, c.readBy, "The strand test of %s reads at the cap of %g %% straightening.", where, f.limits.CapPercent)
	case c.jar != nil && c.jar.wrong != "":
		return call(pb.AlarmCause_ALARM_CAUSE_WRONG_PRODUCT, later(c.jar.at, c.since), c.jar.event, "The wrong product is on %s: %s.", where, c.jar.wrong)
	case !c.mixtureEnds.IsZero() && !c.mixtureEnds.After(f.at):
		return call(pb.AlarmCause_ALARM_CAUSE_MIXTURE_TOO_OLD, later(c.mixtureEnds, c.since), "", "The mixture on %s is older than %g minutes.", where, f.limits.GetUseWithinMinutes())
	case f.stopped != nil:
		return call(pb.AlarmCause_ALARM_CAUSE_BROKEN_OFF, later(f.stopped.at, c.since), f.stopped.EventId, "The service was broken off with product on %s.", where)
	case !c.overdueAt().After(f.at):
		return call(pb.AlarmCause_ALARM_CAUSE_ESTIMATE, c.overdueAt(), "", "%s should have been rinsed a minute ago, by the estimate.", where)
	}
	return nil
}

// WaitsUntil is the next instant after the state's time at which alarms or
// deviations may change although no fact arrives; false when none is to come. It
// may name an instant at which nothing changes, and misses none.
func WaitsUntil(s *pb.Session, events []*pb.StoredEvent, state *pb.SessionState) (time.Time, bool) {
	now := state.GetTime().AsTime()
	next := time.Time{}
	// An alarm calls at its instant; a deviation begins just after.
	consider := func(t time.Time) {
		for _, t := range []time.Time{t, t.Add(1)} {
			if t.After(now) && (next.IsZero() || t.Before(next)) {
				next = t
			}
		}
	}
	f := run(s, events, nil, now, cautious)
	for _, c := range f.sections {
		if c.on {
			f.sectionInstants(c, consider)
		}
	}
	for _, c := range f.complaints {
		consider(f.began(c).Add(minutes(discomfortMinutes)))
	}
	for _, w := range f.flushes {
		consider(w.ended.Add(minutes(flushGraceMinutes)))
	}
	consider(f.oxidiserEnds())
	return next, !next.IsZero()
}

// sectionInstants are those at which something changes on a section by itself.
func (f *service) sectionInstants(c *section, consider func(time.Time)) {
	consider(c.callBy)
	consider(c.limitAt)
	consider(c.nearAt())
	consider(c.overdueAt())
	consider(c.rinseBy())
	consider(c.mixtureEnds)
	if !c.testDue.IsZero() {
		consider(c.testDue)
		consider(c.testDue.Add(minutes(testGraceMinutes)))
	}
}
