package timing

import (
	"slices"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

func thioDecision() *pb.DecisionInputs {
	in := regular()
	in.Product.Kind = pb.ProductKind_PRODUCT_KIND_THIO_RELAXER
	in.Product.Directions.NeutralizerMinutes = new(int32(8))
	return in
}

func thio() *timeline {
	s := newTimeline(thioDecision()).at(-3, based()).at(-2, confirmed(relaxer, "L1"))
	s.session.ProductKind = pb.ProductKind_PRODUCT_KIND_THIO_RELAXER
	return s.at(0, applied("back-left"))
}

func TestThioGoesByDirectionsAndStrandTests(t *testing.T) {
	state := stateOf(t, thio().stateAt(1), "back-left")
	if state.StraighteningPercent != nil || state.MinutesToTarget != nil || state.MinutesToCap != nil || state.Rate != nil {
		t.Errorf("the hydroxide model's figures are shown for thio: %v", state)
	}
	if got := state.LatestRinseTime.AsTime(); !got.Equal(minute(15.5)) {
		t.Errorf("latest rinse %v, want the directions' limit less the way to the bowl and the time of hands", got)
	}
	for _, c := range []struct {
		name     string
		timeline *timeline
		at       float64
		want     []string
	}{
		{"tests from half of the limit on", thio(), 9, []string{"STRAND_TEST_DUE back-left"}},
		{"and every three minutes", thio().at(9, strand("back-left", 60)), 11.9, nil},
		{"the next one", thio().at(9, strand("back-left", 60)), 12, []string{"STRAND_TEST_DUE back-left"}},
		{"a reading at the target", thio().at(9, strand("back-left", 24)), 9.1, []string{"TARGET_NEAR back-left"}},
		{"in words", thio().at(9, said("back-left", pb.CurlReading_CURL_READING_STAYS_SMOOTH)), 9.1, []string{"TARGET_NEAR back-left"}},
		{"close to the limit", thio().at(9, strand("back-left", 70)).at(12, strand("back-left", 65)).at(15, strand("back-left", 60)).at(15.6, strand("back-left", 60)), 16, []string{"RINSE_DUE back-left"}},
		{"the limit", thio(), 18, []string{"RINSE_NOW back-left"}},
	} {
		if got := alarmWords(c.timeline.stateAt(c.at).Alarms); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestThioPhasesAndClosing(t *testing.T) {
	rinsed := func() *timeline {
		return thio().at(9, strand("back-left", 24)).at(10, water("")).at(13, rinsedOutFact())
	}
	full := rinsed().at(14, blotted()).at(15, neutralizerOn()).at(23, neutralizerOff())
	const oxidised, none = pb.NeutralProof_NEUTRAL_PROOF_OXIDISED, pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED
	for _, c := range []struct {
		name     string
		timeline *timeline
		at       float64
		phase    pb.SessionPhase
		proof    pb.NeutralProof
		advice   string // how the alarm begins; empty: none
	}{
		{"rinsed", rinsed(), 13.5, pb.SessionPhase_SESSION_PHASE_NEUTRALIZING, none, "Blot the hair, then put the neutralizer on for 8"},
		{"blotted", rinsed().at(14, blotted()), 14.5, pb.SessionPhase_SESSION_PHASE_NEUTRALIZING, none, "Put the neutralizer on for 8"},
		{"neutralizer on", full, 22.9, pb.SessionPhase_SESSION_PHASE_NEUTRALIZING, none, ""},
		{"neutralizer on for its time", rinsed().at(15, neutralizerOn()), 23, pb.SessionPhase_SESSION_PHASE_NEUTRALIZING, none, "Rinse the neutralizer out."},
		{"and rinsed", full, 23, pb.SessionPhase_SESSION_PHASE_NEUTRAL, oxidised, ""},
		{"rinsed with nothing but water noted", rinsed().at(15, neutralizerOn()).at(23, water("")), 24, pb.SessionPhase_SESSION_PHASE_NEUTRAL, oxidised, ""},
		{"rinsed too soon", rinsed().at(15, neutralizerOn()).at(22.9, neutralizerOff()), 24, pb.SessionPhase_SESSION_PHASE_NEUTRALIZING, none, "Put the neutralizer on again."},
		{"put on twice", rinsed().at(15, neutralizerOn()).at(19, neutralizerOff()).at(20, neutralizerOn()).at(24, neutralizerOff()), 25, pb.SessionPhase_SESSION_PHASE_NEUTRAL, oxidised, ""},
		{"shampooed instead, as after hydroxide", rinsed().at(14, shampoo(1, pink)).at(15, shampoo(2, pink)).at(16, shampoo(3, clear)), 17, pb.SessionPhase_SESSION_PHASE_NEUTRALIZING, none, "Blot the hair"},
		{"product again", rinsed().at(15, neutralizerOn()).at(23, neutralizerOff()).at(25, applied("back-right")).at(30, rinsedOutFact()), 31, pb.SessionPhase_SESSION_PHASE_NEUTRALIZING, none, "Blot the hair"},
	} {
		state := c.timeline.stateAt(c.at)
		if state.Phase != c.phase || state.NeutralProof != c.proof {
			t.Errorf("%s: %v %v", c.name, state.Phase, state.NeutralProof)
		}
		message := ""
		if len(state.Alarms) > 0 {
			message = state.Alarms[0].Message
		}
		if c.advice == "" && message != "" || !strings.HasPrefix(message, c.advice) {
			t.Errorf("%s: %q", c.name, message)
		}
		want := []string(nil)
		if c.proof == none {
			want = []string{"NOT_OXIDISED "}
		}
		if got := deviationWords(ClosingDeviations(c.timeline.session, c.timeline.events, minute(c.at))); !slices.Equal(got, want) {
			t.Errorf("%s: closed with %q", c.name, got)
		}
	}
}

// Waving is a thio service, whatever the kind of the product says.
func TestWavingIsAThioService(t *testing.T) {
	s := oneSection()
	s.session.ServiceKind = pb.ServiceKind_SERVICE_KIND_WAVE
	if state := stateOf(t, s.stateAt(5), "back-left"); state.StraighteningPercent != nil {
		t.Errorf("the hydroxide model's figures are shown for a wave: %v", state)
	}
}

// What a thio service taught about its sections is no rate of hydroxide.
func TestThioTeachesNoRates(t *testing.T) {
	s := thio().at(9, strand("back-left", 24)).at(10, water(""))
	given := []*pb.SectionOutcome{{SectionId: "back-left", StraighteningPercent: new(70.0)}}
	for _, o := range SectionOutcomes(s.session, thioDecision(), s.stateAt(11), given) {
		if o.Rate != nil {
			t.Errorf("%v", o)
		}
	}
}

func TestTexturizingHasATargetOfItsOwn(t *testing.T) {
	in := regular()
	in.ServiceKind = pb.ServiceKind_SERVICE_KIND_TEXTURIZING
	if got, relaxing := Limits(in).TargetPercent, Limits(regular()).TargetPercent; got >= relaxing {
		t.Errorf("target %v, relaxing %v", got, relaxing)
	}
	in.Consultation.Wishes = wish(25)
	if got := Limits(in).TargetPercent; got != 25 {
		t.Errorf("a smaller wish counts: %v", got)
	}
}
