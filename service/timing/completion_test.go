package timing

import (
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// What must come under water before a service can be closed as completed.
func TestRinseFirst(t *testing.T) {
	neutral := func(s *timeline) *timeline {
		return s.at(30, shampoo(1, pink)).at(31, shampoo(2, pink)).at(32, shampoo(3, clear))
	}
	good := func() *timeline { return neutral(oneSection().at(8, water("")).at(12, rinsedOutFact())) }
	for _, c := range []struct {
		name     string
		timeline *timeline
		open     bool
	}{
		{"rinsed and shampooed", good(), false},
		{"never rinsed, shampooed only", neutral(oneSection()), true},
		{"shampooed only, and nothing noted before", neutral(newTimeline(regular())), true},
		{"rinsed late, after the shampoo", neutral(oneSection()).at(33, water("")), false},
		{"water on the head, then shampooed", neutral(oneSection().at(8, waterOn(onHead, ""))), false},
		{"one of two sections rinsed", neutral(oneSection().at(1, applied("nape")).at(8, water("nape"))), true},
		{"both rinsed, one by one", neutral(oneSection().at(1, applied("nape")).at(8, water("nape")).at(8, water("back-left"))), false},
		{"product is on", oneSection(), true},
		{"product on again after the shampoo", good().at(33, applied("back-left")), true},
		{"and rinsed again", neutral(good().at(29, applied("back-left")).at(29.5, rinsedOutFact())), false},
		{"it burns", good().at(33, burns("")), true},
		{"it burnt and was flushed", good().at(33, burns("")).at(33.1, waterOn(onHead, "")).at(39.9, stopped()), false},
		{"it burnt and the water was taken away", good().at(33, burns("")).at(33.1, waterOn(onHead, "")).at(35, waterOff(onHead, "")), true},
		{"an eye without water", good().at(33, splash(leftEye)), true},
		{"an eye under water for too short a time", good().at(33, splash(leftEye)).at(33.1, waterOn(leftEye, "")).at(36, waterOff(leftEye, "")), true},
		{"an eye that help took over", good().at(33, splash(leftEye)).at(33.1, waterOn(leftEye, "")).at(36, help(true)).at(36.1, waterOff(leftEye, "")), false},
		{"a fact that is not known calls", good().at(33, unheardOf(true)), true},
	} {
		s := c.timeline
		if got := OpenRinses(s.session, s.events, s.stateAt(40)); (len(got) > 0) != c.open {
			t.Errorf("%s: %q", c.name, got)
		}
	}
	if got := OpenRinses(good().session, nil, &pb.SessionState{Time: stamp(minute(40))}); len(got) != 0 {
		t.Errorf("nothing happened: %q", got)
	}
}
