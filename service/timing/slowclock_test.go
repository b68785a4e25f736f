package timing

import (
	"slices"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"google.golang.org/protobuf/proto"
)

// A report by a slow clock that is received after the flush that seems to answer it
// calls for water again, as long as nobody has measured that clock.
func TestAReportByASlowClockIsNotAnsweredByEarlierWater(t *testing.T) {
	flushed := func() *timeline {
		return unmeasured(oneSection().at(2, waterOn(onHead, "")).at(17.5, waterOff(onHead, "")))
	}
	eye := func() *timeline {
		return unmeasured(oneSection().at(1, rinsedOutFact()).at(2, waterOn(leftEye, "")).at(18, waterOff(leftEye, "")))
	}
	last := func(s *timeline) *pb.StoredEvent { return s.events[len(s.events)-1] }
	of := func(sender string, s *timeline) *timeline { last(s).Sender = sender; return s }
	measured := func(s *timeline) *timeline { last(s).ClockBasis = pb.ClockBasis_CLOCK_BASIS_ECHO; return s }
	numbered := func(n int64, s *timeline) *timeline { last(s).Event.DeviceSequence = proto.Int64(n); return s }
	for _, c := range []struct {
		name     string
		timeline *timeline
		want     pb.AlarmCause
		call     bool
	}{
		{"it burns, by another till", of("b", received(flushed().at(1, burns("")), 5, 20)), pb.AlarmCause_ALARM_CAUSE_DISCOMFORT, true},
		{"it tingles", of("b", received(flushed().at(1, tingles("")), 5, 20)), pb.AlarmCause_ALARM_CAUSE_DISCOMFORT, true},
		{"it burns, stamped while the water ran", of("b", received(flushed().at(2.2, burns("")), 5, 20)), pb.AlarmCause_ALARM_CAUSE_DISCOMFORT, true},
		{"a fact that is not known calls", of("b", received(flushed().at(1, unheardOf(true)), 5, 20)), pb.AlarmCause_ALARM_CAUSE_OTHER_FACT, true},
		{"an eye", of("b", received(eye().at(1.5, splash(leftEye)), 6, 20)), pb.AlarmCause_ALARM_CAUSE_SPLASH, true},
		{"skin, and help took over before", of("b", received(eye().at(18.5, help(true)).at(1.5, splash(onSkin)), 7, 20)), pb.AlarmCause_ALARM_CAUSE_SPLASH, true},
		{"the same till, noted after the water", received(flushed().at(1, burns("")), 5, 20), pb.AlarmCause_ALARM_CAUSE_DISCOMFORT, true},
		{"the same till, noted before the water", numbered(2, received(flushed().at(1, burns("")), 5, 20)), pb.AlarmCause_ALARM_CAUSE_DISCOMFORT, false},
		{"received before the water", of("b", received(flushed().at(1, burns("")), 5, 1.5)), pb.AlarmCause_ALARM_CAUSE_DISCOMFORT, false},
		{"by a clock that is measured", measured(of("b", received(flushed().at(1, burns("")), 5, 20))), pb.AlarmCause_ALARM_CAUSE_DISCOMFORT, false},
		{"water again answers it", of("b", received(flushed().at(1, burns("")), 5, 20)).at(20.5, waterOn(onHead, "")), pb.AlarmCause_ALARM_CAUSE_DISCOMFORT, false},
	} {
		state := c.timeline.stateAt(21)
		calls := slices.ContainsFunc(state.Alarms, func(a *pb.Alarm) bool {
			return a.Kind == pb.AlarmKind_ALARM_KIND_RINSE_NOW && a.Cause == c.want
		})
		if calls != c.call {
			t.Errorf("%s: called for water %v, want %v: %q", c.name, calls, c.call, alarmCauses(state.Alarms))
		}
	}
}
