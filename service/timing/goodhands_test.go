package timing

import (
	"math/rand/v2"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// Good hands: a stylist who follows the guidance promptly, but with human delays
// and a human eye. The distributions below were fixed before any threshold of the
// guidance was tuned against them; they are assumptions, not measurements.
const (
	// From an alarm to the hand on the hair: uniform from 0 to half a minute.
	handDelay = 0.5
	// The way to the bowl: uniform from half to one and a half times the salon's
	// figure.
	slowestWay, fastestWay = 1.5, 0.5
	// A reading in percent is noted in steps of 5; its error is readingSpread, in
	// logits, and so is the error of the eye behind a reading in words.
	eyeStep = 5
	// What the eye calls "springs back" (more curl left than this) and "stays
	// smooth" (less), in percent of the curl.
	eyeSprings, eyeSmooth = 60, 30
)

// simulatedHands service one section by the guidance.
type simulatedHands struct {
	head
	delays *rand.Rand // apart from the eye, so that guidances can be compared
	words  bool       // strand tests in words instead of percent
}

// simulatedVisit is what became of one simulated head.
type simulatedVisit struct {
	rinseNow      float64 // exposure at the first RINSE_NOW; 0: none before water
	called        float64 // exposure at the first call to the bowl of any kind
	oldCall       float64 // exposure at which the latest rinse time came, or a call before it
	water, target float64 // exposure at water, and at the target
}

// delay is how long an alarm waits for a hand.
func (h simulatedHands) delay() time.Duration { return minutes(handDelay * h.delays.Float64()) }

// look is a strand test as the hands note it.
func (h simulatedHands) look(exposure float64) *pb.Event {
	percent := h.reads(exposure)
	if !h.words {
		return strand(h.section, percent)
	}
	reading := pb.CurlReading_CURL_READING_PARTLY
	switch {
	case percent > eyeSprings:
		reading = pb.CurlReading_CURL_READING_SPRINGS_BACK
	case percent < eyeSmooth:
		reading = pb.CurlReading_CURL_READING_STAYS_SMOOTH
	}
	return &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{SectionId: h.section, Reading: reading}}}
}

// serve follows the guidance from first contact to water.
func (h simulatedHands) serve(in *pb.DecisionInputs) simulatedVisit {
	s := newTimeline(in).at(0, applied(h.section))
	limits := s.session.Limits
	v := simulatedVisit{target: minutesTo(limits.TargetPercent, h.lnRate)}
	way := limits.MinutesToBowl * (fastestWay + (slowestWay-fastestWay)*h.delays.Float64())
	exposure := func(t time.Time) float64 { return t.Sub(opening).Minutes() }
	for t := opening; ; {
		state := Fold(s.session, s.events, t)
		v.note(state, exposure(t))
		if v.called > 0 {
			v.water = exposure(t.Add(h.delay())) + way
			h.walk(s, t, minute(v.water), &v)
			return v
		}
		if due := sectionState(state, h.section).NextStrandTestTime; due != nil && !due.AsTime().After(t) {
			t = t.Add(h.delay())
			s.when(t, h.look(exposure(t)))
			continue
		}
		t, _ = NextChange(s.session, s.events, state)
	}
}

// walk notes a RINSE_NOW that comes on the way to the bowl.
func (h simulatedHands) walk(s *timeline, from, water time.Time, v *simulatedVisit) {
	for state := Fold(s.session, s.events, from); v.rinseNow == 0; {
		next, ok := NextChange(s.session, s.events, state)
		if !ok || !next.Before(water) {
			return
		}
		state = Fold(s.session, s.events, next)
		v.note(state, next.Sub(opening).Minutes())
	}
}

// note takes down what a state calls for.
func (v *simulatedVisit) note(state *pb.SessionState, exposure float64) {
	for _, a := range state.Alarms {
		switch a.Kind {
		case pb.AlarmKind_ALARM_KIND_RINSE_NOW:
			if v.rinseNow == 0 {
				v.rinseNow = exposure
			}
		case pb.AlarmKind_ALARM_KIND_TARGET_NEAR, pb.AlarmKind_ALARM_KIND_RINSE_DUE:
		default:
			continue
		}
		if v.called == 0 {
			v.called = exposure
		}
	}
	if latest := state.Sections[0].LatestRinseTime; v.oldCall == 0 && latest != nil && !latest.AsTime().After(state.Time.AsTime()) {
		v.oldCall = exposure
	}
}

// goodRun is a run of heads.
type goodRun struct {
	early, passed, later int
	straightened         float64
}

func goodHands(in *pb.DecisionInputs, words bool, heads int) goodRun {
	prior := priorOf(in, in.Consultation.Hair.Sections[0])
	var run goodRun
	for i := range heads {
		random := rand.New(rand.NewPCG(731, uint64(i)))
		lnRate := prior.mean + prior.deviation*random.NormFloat64()
		h := simulatedHands{head{random, lnRate, "nape", eyeStep}, rand.New(rand.NewPCG(732, uint64(i))), words}
		v := h.serve(in)
		if v.rinseNow > 0 && v.rinseNow < v.target {
			run.early++
		}
		done := straightened(v.water, lnRate)
		if done > capPercent {
			run.passed++
			if v.oldCall > 0 && v.called > v.oldCall {
				run.later++
			}
		}
		run.straightened += done / float64(heads)
	}
	return run
}

// limited is the same decision with the directions' maximum of 18 minutes.
func limited() *pb.DecisionInputs {
	in := unlimited()
	in.Product.Directions.MaximumMinutes = regular().Product.Directions.MaximumMinutes
	in.Parameters = nil
	return in
}

func TestGoodHands(t *testing.T) {
	for name, c := range map[string]struct {
		in    *pb.DecisionInputs
		words bool
	}{
		"in percent, no limit binds":      {unlimited(), false},
		"in percent, limit of 18 minutes": {limited(), false},
		"in words, no limit binds":        {unlimited(), true},
		"in words, limit of 18 minutes":   {limited(), true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			// The standard error of a share of 5 % of 2,000 is half a point.
			heads := sampleSize(2000, 16000)
			c.in.ApplicationPace = &pb.ApplicationPace{MinutesPerSection: paceMinutes}
			run := goodHands(c.in, c.words, heads)
			share := func(n int) float64 { return 100 * float64(n) / float64(heads) }
			t.Logf("RINSE_NOW before the target on %.1f %% of heads, cap passed on %.2f %% (%.2f %% called later than the latest rinse time), straightened by %.1f %% on average",
				share(run.early), share(run.passed), share(run.later), run.straightened)
			if share(run.early) >= 5 || share(run.passed) > 5 {
				t.Errorf("RINSE_NOW before the target on %.1f %% of heads, cap passed on %.2f %%; want fewer than 5 %% of each", share(run.early), share(run.passed))
			}
			// The plan's latest rinse time, at which RINSE_NOW used to call, is never
			// earlier than the session's.
			if run.later > 0 {
				t.Errorf("%d heads were hurt that a call at the latest rinse time would have spared", run.later)
			}
		})
	}
}
