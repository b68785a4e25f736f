package timing

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/severity"
)

// alarms are the calls to act at f.at, most pressing first. A call to rinse stands
// until water comes, whatever else is noted, even when the session is closed.
func (f *service) alarms() []*pb.Alarm {
	calls := f.comfortAlarms()
	for _, c := range f.sections {
		if c.on {
			calls = append(calls, f.sectionAlarms(c)...)
		}
	}
	closed := f.session.GetOutcome() != ""
	if !f.out.IsZero() && !f.neutral() && !closed {
		calls = append(calls, alarm(pb.AlarmKind_ALARM_KIND_NOT_NEUTRALIZED, "", f.out, "go on shampooing: %s", f.notNeutralBecause()))
	}
	if closed {
		calls = slices.DeleteFunc(calls, func(a *pb.Alarm) bool { return a.Kind != pb.AlarmKind_ALARM_KIND_RINSE_NOW })
	}
	slices.SortStableFunc(calls, func(a, b *pb.Alarm) int {
		return cmp.Or(
			severity.Compare(b.Kind, a.Kind),
			a.SinceTime.AsTime().Compare(b.SinceTime.AsTime()),
			cmp.Compare(a.SectionId, b.SectionId),
		)
	})
	return calls
}

func alarm(kind pb.AlarmKind, sectionID string, since time.Time, format string, args ...any) *pb.Alarm {
	return &pb.Alarm{Kind: kind, SectionId: sectionID, SinceTime: stamp(since), Message: fmt.Sprintf(format, args...)}
}

// comfortAlarms call for water wherever discomfort was reported, once per place, the
// whole head first. They do not ask whether product is known to be on: the fact that
// it is may be on its way from a till, and the skin does not wait for it.
func (f *service) comfortAlarms() []*pb.Alarm {
	var calls []*pb.Alarm
	said := map[string]bool{}
	for _, c := range f.complaints {
		if !c.open || said[c.section] {
			continue
		}
		said[c.section] = true
		calls = append(calls, alarm(pb.AlarmKind_ALARM_KIND_RINSE_NOW, c.section, f.began(c),
			"rinse now: the client reported %s", comfortWord(c.comfort)))
	}
	slices.SortStableFunc(calls, func(a, b *pb.Alarm) int { return cmp.Compare(a.SectionId, b.SectionId) })
	return calls
}

// hurts tells whether discomfort stands unanswered on a section or the whole head.
func (f *service) hurts(id string) bool {
	return slices.ContainsFunc(f.complaints, func(c *complaint) bool { return c.open && (c.section == "" || c.section == id) })
}

// sectionAlarms are the calls about one section that product is on. Nobody is sent
// to test a strand that should be under water.
func (f *service) sectionAlarms(c *section) []*pb.Alarm {
	if why, since := f.rinseNow(c); why != "" {
		return []*pb.Alarm{alarm(pb.AlarmKind_ALARM_KIND_RINSE_NOW, c.id, since, "rinse now: %s", why)}
	}
	var calls []*pb.Alarm
	if near := c.nearAt(); !near.After(f.at) {
		calls = append(calls, alarm(pb.AlarmKind_ALARM_KIND_TARGET_NEAR, c.id, near, "%s is at its target or near it: go to the bowl", c.id))
	}
	if !c.testDue.IsZero() && !c.testDue.After(f.at) && !f.hurts(c.id) {
		calls = append(calls, alarm(pb.AlarmKind_ALARM_KIND_STRAND_TEST_DUE, c.id, c.testDue, "strand test of %s is due", c.id))
	}
	return calls
}

// rinseNow says why water must come on a section now, and since when; "" when it
// need not.
func (f *service) rinseNow(c *section) (string, time.Time) {
	switch {
	case !c.limitAt.After(f.at):
		return fmt.Sprintf("the limit of %g minutes is reached", c.guide.hardLimit), c.limitAt
	case c.distressed:
		return "the hair is in distress", c.callBy
	case c.atCap():
		return fmt.Sprintf("the strand test is at the cap of %g %% straightening", f.limits.CapPercent), c.callBy
	case !f.stopped.IsZero():
		return "the service was broken off and product is on the hair", later(f.stopped, c.since)
	case !c.callBy.After(f.at):
		return "the latest time to rinse has come", c.callBy
	}
	return "", time.Time{}
}

// WaitsUntil is the next instant after the state's time at which alarms or
// deviations may change although no fact arrives; false when none is to come. It
// may name an instant at which nothing changes, and misses none.
func WaitsUntil(s *pb.Session, events []*pb.StoredEvent, state *pb.SessionState) (time.Time, bool) {
	now := state.GetTime().AsTime()
	next := time.Time{}
	// An alarm calls at its instant; a departure begins just after.
	consider := func(t time.Time) {
		for _, t := range []time.Time{t, t.Add(1)} {
			if t.After(now) && (next.IsZero() || t.Before(next)) {
				next = t
			}
		}
	}
	for _, c := range state.GetSections() {
		if c.LatestRinseTime == nil {
			continue
		}
		consider(c.LatestRinseTime.AsTime())
		consider(c.HardLimitTime.AsTime())
		consider(now.Add(minutes(c.MinutesToTarget.GetValue() - limitsOf(s).MinutesToBowl)))
		if c.NextStrandTestTime != nil {
			consider(c.NextStrandTestTime.AsTime())
			consider(c.NextStrandTestTime.AsTime().Add(minutes(testGraceMinutes)))
		}
	}
	f := run(s, events, now)
	for _, c := range f.complaints {
		consider(f.began(c).Add(minutes(discomfortMinutes)))
	}
	return next, !next.IsZero()
}
