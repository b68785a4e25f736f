package timing

import (
	"math"
	"slices"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

const (
	onHead   = pb.Place_PLACE_HEAD
	leftEye  = pb.Place_PLACE_EYE_LEFT
	rightEye = pb.Place_PLACE_EYE_RIGHT
	onSkin   = pb.Place_PLACE_SKIN
	nowhere  = pb.Place_PLACE_UNSPECIFIED
)

func tingles(section string) *pb.Event { return says(section, pb.Comfort_COMFORT_TINGLING) }

// The number behind # is the event's place in the timeline; the first two facts of
// processing are the base and the first contact.
func TestWaterAndSplashes(t *testing.T) {
	for _, c := range []struct {
		name     string
		timeline *timeline
		at       float64
		want     []string
	}{
		{"water failed and it burns again: its own call", oneSection().at(2, burns("")).at(2.5, water("")).at(2.8, burns("")), 3,
			[]string{"RINSE_NOW  DISCOMFORT #5", "FLUSH  DISCOMFORT #5"}},
		{"it tingled, was rinsed, and tingles again", oneSection().at(2, tingles("")).at(2.5, water("")).at(2.8, tingles("")), 3,
			[]string{"RINSE_NOW  DISCOMFORT #5"}},
		{"the second call is answered too", oneSection().at(2, tingles("")).at(2.5, water("")).at(2.8, tingles("")).at(3, water("")), 3.1, nil},
		{"reported twice before water: one call, since the first, by the newest", oneSection().at(2, tingles("")).at(2.5, tingles("")), 2.6,
			[]string{"RINSE_NOW  DISCOMFORT #4"}},
		{"rinsed at one section, product still on another, it burns there", oneSection().at(1, applied("back-right")).at(2, tingles("back-right")).at(2.5, water("back-right")).at(3, tingles("back-left")), 3,
			[]string{"RINSE_NOW back-left DISCOMFORT #6"}},
		{"it tingles while shampooing: a lather is no water", oneSection().at(8, rinsedOutFact()).at(9, shampoo(1, pink)).at(10, tingles("")).at(11, shampoo(2, pink)), 11,
			[]string{"RINSE_NOW  DISCOMFORT #5", "NOT_NEUTRALIZED "}},
		{"water_on counts as the rinse of a section", oneSection().at(1, applied("back-right")).at(2, waterOn(onHead, "back-left")).at(2.1, stopped()), 3,
			[]string{"RINSE_NOW back-right BROKEN_OFF #5"}},
		{"burning, and water was taken away too soon", oneSection().at(2, burns("")).at(2.5, waterOn(onHead, "")).at(12, waterOff(onHead, "")), 13,
			[]string{"WATER_OFF_TOO_SOON  DISCOMFORT #5"}},
		{"burning, and the normalizer came too soon", oneSection().at(2, burns("")).at(2.5, water("")).at(9, normalizerOn()), 9,
			[]string{"WATER_OFF_TOO_SOON  DISCOMFORT #5", "NOT_NEUTRALIZED "}},
		{"burning, flushed for its time", oneSection().at(2, burns("")).at(2.5, waterOn(onHead, "")).at(17.5, waterOff(onHead, "")), 18, nil},
		{"burning at one section, water on another is no flush", oneSection().at(1, applied("back-right")).at(2, burns("back-right")).at(2.5, water("back-right")).at(3, waterOff(onHead, "")).at(3.1, waterOn(onHead, "back-left")), 4,
			[]string{"WATER_OFF_TOO_SOON  DISCOMFORT #6"}},
		{"a 20-second rinse leaves product on", oneSection().at(8, water("")).at(8.33, waterOff(onHead, "")), 8.4,
			[]string{"WATER_OFF_TOO_SOON  #4"}},
		{"a rinse of its time, water off before it is noted as finished", oneSection().at(8, water("")).at(12, waterOff(onHead, "")), 12.1, nil},
		{"washed before, then it burns: that was no flush", newTimeline(regular()).at(-4, waterOn(onHead, "")).at(-1, based()).at(0, applied("back-left")).at(2, burns("")), 20,
			[]string{"RINSE_NOW  DISCOMFORT #4", "RINSE_NOW back-left HARD_LIMIT"}},

		{"product in an eye", oneSection().at(2, splash(leftEye)), 2, []string{"RINSE_NOW EYE_LEFT SPLASH #3"}},
		{"in both eyes, one flushed", oneSection().at(2, splash(leftEye)).at(2, splash(rightEye)).at(2.2, waterOn(leftEye, "")), 2.3,
			[]string{"RINSE_NOW EYE_RIGHT SPLASH #4", "FLUSH EYE_LEFT SPLASH #3"}},
		{"on skin", oneSection().at(2, splash(onSkin)), 2, []string{"RINSE_NOW SKIN SPLASH #3"}},
		{"somewhere: counts as an eye", oneSection().at(2, splash(nowhere)), 2, []string{"RINSE_NOW  SPLASH #3"}},
		{"somewhere, and either eye flushed", oneSection().at(2, splash(nowhere)).at(2.2, waterOn(rightEye, "")), 2.3, []string{"FLUSH  SPLASH #3"}},
		{"water on the head does not flush an eye", oneSection().at(2, splash(leftEye)).at(2.2, waterOn(onHead, "")), 2.3, []string{"RINSE_NOW EYE_LEFT SPLASH #3"}},
		{"water somewhere is for the eye, and the head's clock runs on", oneSection().at(2, splash(leftEye)).at(2.2, waterOn(nowhere, "")), 18,
			[]string{"RINSE_NOW back-left HARD_LIMIT", "FLUSH EYE_LEFT SPLASH #3"}},
		{"an eye is flushed and nobody noted why", oneSection().at(2, waterOn(leftEye, "")), 2.4, []string{"FLUSH EYE_LEFT SPLASH #3"}},
		{"flushed for 14 minutes", oneSection().at(0.5, splash(leftEye)).at(1, waterOn(leftEye, "")).at(1.5, rinsedOutFact()).at(15, waterOff(leftEye, "")), 15,
			[]string{"WATER_OFF_TOO_SOON EYE_LEFT SPLASH #6", "NOT_NEUTRALIZED "}},
		{"put back", oneSection().at(0.5, splash(leftEye)).at(1, waterOn(leftEye, "")).at(1.5, rinsedOutFact()).at(5, waterOff(leftEye, "")).at(5.5, waterOn(leftEye, "")), 6,
			[]string{"FLUSH EYE_LEFT SPLASH #3", "NOT_NEUTRALIZED "}},
		{"after 15 minutes an eye is not done: help must see it", oneSection().at(0.5, splash(leftEye)).at(1, waterOn(leftEye, "")).at(1.5, rinsedOutFact()).at(20, waterOff(leftEye, "")), 20,
			[]string{"FLUSH EYE_LEFT SPLASH #3", "NOT_NEUTRALIZED "}},
		{"help took over", oneSection().at(0.5, splash(leftEye)).at(1, waterOn(leftEye, "")).at(1.5, rinsedOutFact()).at(4, help(true)).at(5, waterOff(leftEye, "")), 6,
			[]string{"NOT_NEUTRALIZED "}},
		{"help was called and has not come", oneSection().at(0.5, splash(leftEye)).at(1, waterOn(leftEye, "")).at(1.5, rinsedOutFact()).at(4, help(false)).at(5, waterOff(leftEye, "")), 6,
			[]string{"WATER_OFF_TOO_SOON EYE_LEFT SPLASH #7", "NOT_NEUTRALIZED "}},
		{"a first-aider took over: no medical help", oneSection().at(0.5, splash(leftEye)).at(1, waterOn(leftEye, "")).at(1.5, rinsedOutFact()).at(4, tookOver(pb.HelpKind_HELP_KIND_FIRST_AIDER)), 6,
			[]string{"FLUSH EYE_LEFT SPLASH #3", "NOT_NEUTRALIZED "}},
		{"somebody took over, and the water was taken away", oneSection().at(0.5, splash(leftEye)).at(1, waterOn(leftEye, "")).at(1.5, rinsedOutFact()).at(4, tookOver(pb.HelpKind_HELP_KIND_UNSPECIFIED)).at(5, waterOff(leftEye, "")), 6,
			[]string{"WATER_OFF_TOO_SOON EYE_LEFT SPLASH #7", "NOT_NEUTRALIZED "}},
		{"a poison centre on the phone, and the water was taken away", oneSection().at(0.5, splash(leftEye)).at(1, waterOn(leftEye, "")).at(1.5, rinsedOutFact()).at(4, tookOver(pb.HelpKind_HELP_KIND_POISON_CENTRE)).at(5, waterOff(leftEye, "")), 6,
			[]string{"WATER_OFF_TOO_SOON EYE_LEFT SPLASH #7", "NOT_NEUTRALIZED "}},
		{"a kind of help that is not known", oneSection().at(0.5, splash(leftEye)).at(1, waterOn(leftEye, "")).at(1.5, rinsedOutFact()).at(4, tookOver(99)), 6,
			[]string{"FLUSH EYE_LEFT SPLASH #3", "NOT_NEUTRALIZED "}},
		{"a doctor took over", oneSection().at(0.5, splash(leftEye)).at(1, waterOn(leftEye, "")).at(1.5, rinsedOutFact()).at(4, tookOver(pb.HelpKind_HELP_KIND_DOCTOR)).at(5, waterOff(leftEye, "")), 6,
			[]string{"NOT_NEUTRALIZED "}},
		{"splashed again after help", oneSection().at(0.5, splash(leftEye)).at(1, waterOn(leftEye, "")).at(1.5, rinsedOutFact()).at(4, help(true)).at(5, waterOff(leftEye, "")).at(6, splash(leftEye)), 6,
			[]string{"RINSE_NOW EYE_LEFT SPLASH #8", "NOT_NEUTRALIZED "}},
		{"a fact that this server does not know", oneSection().at(2, unheardOf(true)), 2, []string{"RINSE_NOW  OTHER_FACT #3"}},
		{"several: one alarm, with the newest", oneSection().at(2, unheardOf(true)).at(2.1, unheardOf(true)).at(2.2, unheardOf(false)), 2.3, []string{"RINSE_NOW  OTHER_FACT #4"}},
		{"one that does not call", oneSection().at(2, unheardOf(false)), 2, nil},
		{"it calls until water comes", oneSection().at(2, unheardOf(true)).at(3, water("")), 3, nil},
	} {
		if got := alarmCauses(c.timeline.stateAt(c.at).Alarms); !slices.Equal(got, c.want) {
			t.Errorf("%s:\n%q, want\n%q", c.name, got, c.want)
		}
	}
}

// What calls for water outlives the closing of a session, and what is reported
// after it calls too. The rest does not.
func TestAfterClosing(t *testing.T) {
	for _, c := range []struct {
		name string
		fact *pb.Event
		want []string
	}{
		{"it burns at home", burns(""), []string{"RINSE_NOW  DISCOMFORT #5"}},
		{"a splash is reported late", splash(leftEye), []string{"RINSE_NOW EYE_LEFT SPLASH #5"}},
		{"nothing", looked(false), nil},
	} {
		s := oneSection().at(8, rinsedOutFact()).at(9, shampoo(1, pink)).at(100, c.fact)
		s.session.Outcome = "chains/ebb-and-flow/clients/invented/outcomes/first"
		if got := alarmCauses(s.stateAt(101).Alarms); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	s := oneSection().at(0.5, splash(leftEye)).at(1, waterOn(leftEye, ""))
	s.session.Outcome = "chains/ebb-and-flow/clients/invented/outcomes/first"
	if got := alarmWords(s.stateAt(5).Alarms); !slices.Equal(got, []string{"RINSE_DUE back-left", "FLUSH "}) && !slices.Contains(got, "FLUSH ") {
		t.Errorf("closed while an eye is flushed: %q", got)
	}
	s.at(6, waterOff(leftEye, ""))
	if got := alarmWords(s.stateAt(6).Alarms); !slices.Contains(got, "WATER_OFF_TOO_SOON ") {
		t.Errorf("closed, and the water taken away: %q", got)
	}
}

func TestFlushCountsRunningWater(t *testing.T) {
	s := oneSection().at(2, splash(leftEye)).at(3, waterOn(leftEye, "")).at(7, waterOff(leftEye, "")).at(9, waterOn(leftEye, ""))
	for _, c := range []struct{ at, want float64 }{{2.5, 0}, {5, 2}, {8, 4}, {12, 7}, {40, 35}} {
		state := s.stateAt(c.at).Flushes
		if len(state) != 1 || math.Abs(state[0].GetFlushedMinutes()-c.want) > 1e-9 || state[0].GetLeastMinutes() != s.session.Limits.GetFlushMinutes() {
			t.Errorf("at minute %v: %v, want %v minutes", c.at, state, c.want)
		}
	}
	for _, m := range []float64{12, 40} {
		flushing := slices.IndexFunc(s.stateAt(m).Alarms, func(a *pb.Alarm) bool { return a.Kind == pb.AlarmKind_ALARM_KIND_FLUSH })
		if flushing < 0 || strings.Contains(s.stateAt(m).Alarms[flushing].Message, "done") {
			t.Errorf("at minute %v: %v", m, s.stateAt(m).Alarms)
		}
	}
	// Splashed again while water runs: counted again.
	s.at(30, splash(leftEye))
	if got := s.stateAt(33).Flushes[0].GetFlushedMinutes(); math.Abs(got-3) > 1e-9 {
		t.Errorf("after a second splash %v minutes are counted", got)
	}
	// Both eyes have their own.
	s.at(31, splash(rightEye)).at(32, waterOn(rightEye, ""))
	if got := s.stateAt(33).Flushes; len(got) != 2 || math.Abs(got[1].GetFlushedMinutes()-1) > 1e-9 {
		t.Errorf("both eyes: %v", got)
	}
}

func TestFlushShort(t *testing.T) {
	eye := func() *timeline { return oneSection().at(2, splash(leftEye)).at(2.5, waterOn(leftEye, "")) }
	for _, c := range []struct {
		name     string
		timeline *timeline
		at       float64
		want     bool
	}{
		{"water runs", eye(), 30, false},
		{"taken away", eye().at(5, waterOff(leftEye, "")), 6.1, true},
		{"taken away this moment", eye().at(5, waterOff(leftEye, "")), 5.9, false},
		{"hands changed", eye().at(5, waterOff(leftEye, "")).at(5.5, waterOn(leftEye, "")), 30, false},
		{"put back later than that", eye().at(5, waterOff(leftEye, "")).at(7, waterOn(leftEye, "")), 30, true},
		{"help took over later than that", eye().at(5, waterOff(leftEye, "")).at(7, help(true)), 30, true},
		{"flushed for its time", eye().at(17.5, waterOff(leftEye, "")), 30, false},
		{"a first-aider took over before", eye().at(4, tookOver(pb.HelpKind_HELP_KIND_FIRST_AIDER)).at(5, waterOff(leftEye, "")), 30, true},
		{"somebody took over before", eye().at(4, tookOver(pb.HelpKind_HELP_KIND_UNSPECIFIED)).at(5, waterOff(leftEye, "")), 30, true},
		{"help took over before, said when the deviation was on the log", received(eye().at(5, waterOff(leftEye, "")).at(4, help(true)), 6, 7), 30, false},
		{"the same, by a clock that nobody knows", unmeasured(received(eye().at(5, waterOff(leftEye, "")).at(4, help(true)), 6, 7)), 30, true},
		{"by such a clock, sent together with the water", unmeasured(received(received(eye().at(5, waterOff(leftEye, "")).at(4, help(true)), 5, 7), 6, 7)), 30, false},
		{"help took over before", eye().at(4, help(true)).at(5, waterOff(leftEye, "")), 30, false},
	} {
		if got := slices.Contains(deviationWords(c.timeline.stateAt(c.at).Deviations), "FLUSH_SHORT "); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// Help on a head that no water came to leaves the lateness on the log, and the call.
func TestHelpIsNoWater(t *testing.T) {
	s := oneSection().at(2, burns("")).at(3.5, help(true)).stateAt(4)
	if !slices.Contains(deviationWords(s.Deviations), "RINSE_AFTER_DISCOMFORT_LATE ") || !slices.Contains(alarmWords(s.Alarms), "RINSE_NOW ") {
		t.Errorf("it burns, no water, help took over: %q, %q", deviationWords(s.Deviations), alarmWords(s.Alarms))
	}
}

// Each message begins with what to do.
func TestAlarmsBeginWithAnInstruction(t *testing.T) {
	s := oneSection().at(1, applied("nape")).at(2, burns("nape"))
	if got, want := s.stateAt(2).Alarms[0].Message, "Rinse now. It burns at nape."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	s = oneSection().at(2, splash(leftEye)).at(3, gummy("back-left", 60))
	for _, a := range s.stateAt(20).Alarms {
		if !strings.HasPrefix(a.Message, "Rinse ") {
			t.Errorf("%q", a.Message)
		}
	}
}
