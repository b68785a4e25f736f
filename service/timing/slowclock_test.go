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

// A contact by a clock that nobody has measured counts from the earliest time that
// fits, but not from before water that came before it: that water would end the
// exposure, and product that stays on would have no alarm.
func TestASecondStageByAnUnmeasuredClockHasItsAlarms(t *testing.T) {
	firstStage := func() *timeline { return unmeasured(oneSection().at(12, rinsedOutFact())) }
	neutralizer := func(on bool) *pb.Event {
		if on {
			return &pb.Event{Fact: &pb.Event_NeutralizerOn{NeutralizerOn: &pb.NeutralizerOn{}}}
		}
		return &pb.Event{Fact: &pb.Event_NeutralizerOff{NeutralizerOff: &pb.NeutralizerOff{}}}
	}
	by := func(sender string, s *timeline) *timeline { s.events[len(s.events)-1].Sender = sender; return s }
	for name, s := range map[string]*timeline{
		"after the normalizer":          firstStage().at(13, normalizerOn()).at(18, normalizerOff()).at(18, applied("front")),
		"after the neutralizer":         firstStage().at(13, neutralizer(true)).at(18, neutralizer(false)).at(19, applied("front")),
		"after a lather":                firstStage().at(13, shampoo(1, pink)).at(19, applied("front")),
		"after the rinse":               firstStage().at(19, applied("front")),
		"noted by another till":         by("b", firstStage().at(19, applied("front"))),
		"the same section again":        unmeasured(oneSection().at(12, water("back-left"))).at(19, applied("back-left")),
		"the same, by another till":     by("b", unmeasured(oneSection().at(12, water("back-left"))).at(19, applied("back-left"))),
		"water on a section, then more": unmeasured(oneSection().at(12, waterOn(onHead, "back-left")).at(14, waterOff(onHead, "back-left"))).at(19, applied("back-left")),
	} {
		state := s.stateAt(45)
		calls := slices.ContainsFunc(state.Alarms, func(a *pb.Alarm) bool { return a.Kind == pb.AlarmKind_ALARM_KIND_RINSE_NOW })
		if !calls {
			t.Errorf("%s: product has been on for 26 minutes and nothing calls for water: %v", name, state)
		}
	}
}
