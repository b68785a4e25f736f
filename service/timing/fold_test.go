package timing

import (
	"math"
	"slices"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
	"google.golang.org/protobuf/proto"
)

func TestPhases(t *testing.T) {
	full := newTimeline(regular()).at(-1, based()).at(0, applied("back-left")).at(3, applied("back-right")).
		at(10, water("")).at(12, rinsedOutFact()).
		at(15, shampoo(1, pink)).at(17, shampoo(2, pink)).at(19, shampoo(3, clear))
	for _, c := range []struct {
		name     string
		timeline *timeline
		at       float64
		want     pb.SessionPhase
	}{
		{"base on, no product yet", full, -0.5, pb.SessionPhase_SESSION_PHASE_PREPARING},
		{"product on", full, 5, pb.SessionPhase_SESSION_PHASE_PROCESSING},
		{"water on", full, 11, pb.SessionPhase_SESSION_PHASE_RINSING},
		{"product out", full, 13, pb.SessionPhase_SESSION_PHASE_NEUTRALIZING},
		{"colour seen and gone", full, 20, pb.SessionPhase_SESSION_PHASE_NEUTRAL},
		{"one section rinsed, another still on", newTimeline(regular()).at(0, applied("back-left")).at(3, applied("back-right")).at(8, water("back-left")), 9, pb.SessionPhase_SESSION_PHASE_RINSING},
		{"second stage applied after the first was shampooed", newTimeline(regular()).at(0, applied("back-left")).at(8, rinsedOutFact()).at(9, shampoo(1, pink)).at(20, applied("front-left")), 21, pb.SessionPhase_SESSION_PHASE_PROCESSING},
		{"broken off", newTimeline(regular()).at(0, applied("back-left")).at(4, stopped()), 5, pb.SessionPhase_SESSION_PHASE_STOPPED},
		{"washed and treated before any product", newTimeline(regular()).at(-3, water("")).at(-2, rinsedOutFact()).at(-1, conditioned()), 0, pb.SessionPhase_SESSION_PHASE_PREPARING},
		{"nobody noted the application, but a pink lather", newTimeline(regular()).at(20, water("")).at(21, shampoo(1, pink)), 22, pb.SessionPhase_SESSION_PHASE_NEUTRALIZING},
		{"water on dry hair is no rinse", newTimeline(regular()).at(0, water("")).at(1, applied("back-left")), 2, pb.SessionPhase_SESSION_PHASE_PROCESSING},
	} {
		if got := c.timeline.stateAt(c.at).Phase; got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	full.session.Outcome = "chains/ebb-and-flow/clients/invented/outcomes/first"
	if got := full.stateAt(30).Phase; got != pb.SessionPhase_SESSION_PHASE_CLOSED {
		t.Errorf("outcome recorded: %v", got)
	}
}

func TestExposureRunsFromFirstContactToWater(t *testing.T) {
	for _, c := range []struct {
		name     string
		timeline *timeline
		section  string
		at       float64
		want     float64
	}{
		{"product still on", newTimeline(regular()).at(2, applied("back-left")), "back-left", 9, 7},
		{"mid-strand first, scalp later: from the first", newTimeline(regular()).at(0, applied("back-left")).at(6, part("back-left", pb.SectionPart_SECTION_PART_SCALP)), "back-left", 9, 9},
		{"rinsed: the clock stands", newTimeline(regular()).at(0, applied("back-left")).at(9, water("back-left")), "back-left", 30, 9},
		{"whole head rinsed at once", newTimeline(regular()).at(0, applied("back-left")).at(3, applied("back-right")).at(9, water("")), "back-right", 30, 6},
		{"only another section rinsed", newTimeline(regular()).at(0, applied("back-left")).at(3, applied("back-right")).at(9, water("back-left")), "back-right", 10, 7},
		{"nobody noted the first water, only the end", newTimeline(regular()).at(0, applied("back-left")).at(9, rinsedOutFact()), "back-left", 30, 9},
		{"nobody noted a rinse, but a shampoo", newTimeline(regular()).at(0, applied("back-left")).at(10, shampoo(1, pink)), "back-left", 30, 10},
		{"not applied yet", newTimeline(regular()).at(0, applied("back-left")), "back-right", 9, 0},
		{"applied again: both exposures count", newTimeline(regular()).at(0, applied("back-left")).at(6, water("")).at(8, rinsedOutFact()).at(20, applied("back-left")), "back-left", 23, 9},
		{"a strand test on a section that nobody noted as applied", newTimeline(regular()).at(5, strand("front-left", 60)), "front-left", 9, 4},
	} {
		got := stateOf(t, c.timeline.stateAt(c.at), c.section).ExposureMinutes
		if math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: %v minutes, want %v", c.name, got, c.want)
		}
	}
}

func TestPartsHaveTheirOwnClocks(t *testing.T) {
	s := newTimeline(regular()).at(0, applied("back-left")).
		at(6, part("back-left", pb.SectionPart_SECTION_PART_SCALP)).
		at(7, part("back-left", pb.SectionPart_SECTION_PART_ENDS)).
		at(8, part("back-left", pb.SectionPart_SECTION_PART_SCALP))
	contacts := stateOf(t, s.stateAt(9), "back-left").Contacts
	want := []float64{0, 6, 7}
	if len(contacts) != len(want) {
		t.Fatalf("%d parts, want %d", len(contacts), len(want))
	}
	for i, c := range contacts {
		if !c.FirstContactTime.AsTime().Equal(minute(want[i])) {
			t.Errorf("%v at %v", c.Part, c.FirstContactTime.AsTime())
		}
	}
}

func TestStrandTestsMoveTheGuidance(t *testing.T) {
	untested := stateOf(t, newTimeline(regular()).at(0, applied("back-left")).stateAt(6), "back-left")
	slow := stateOf(t, newTimeline(regular()).at(0, applied("back-left")).at(6, strand("back-left", 80)).stateAt(6), "back-left")
	fast := stateOf(t, newTimeline(regular()).at(0, applied("back-left")).at(6, strand("back-left", 45)).stateAt(6), "back-left")
	if !slow.LatestRinseTime.AsTime().After(untested.LatestRinseTime.AsTime()) {
		t.Error("a slow section may stay on longer")
	}
	if slow.LatestRinseTime.AsTime().After(minute(17)) {
		t.Error("but never past the limit less the way to the bowl")
	}
	if !fast.LatestRinseTime.AsTime().Before(slow.LatestRinseTime.AsTime()) || fast.MinutesToTarget.Value >= slow.MinutesToTarget.Value {
		t.Error("a fast section is called earlier")
	}
	for name, c := range map[string]*pb.SectionState{"untested": untested, "slow": slow, "fast": fast} {
		for _, e := range []*pb.Estimate{c.StraighteningPercent, c.MinutesToTarget, c.MinutesToCap} {
			if e.Low > e.Value || e.Value > e.High {
				t.Errorf("%s: %v", name, e)
			}
		}
		if due := c.NextStrandTestTime; due != nil && due.AsTime().Sub(minute(6)) > 3*time.Minute && name != "untested" {
			t.Errorf("%s: next strand test only at %v", name, due.AsTime())
		}
	}
	if width(slow.StraighteningPercent) >= width(untested.StraighteningPercent) {
		t.Error("a strand test narrows the estimate")
	}
}

func width(e *pb.Estimate) float64 { return e.High - e.Low }

func TestSectionWithoutStrandTestFollowsThePlan(t *testing.T) {
	s := newTimeline(regular()).at(0, applied("back-left"))
	planned, state := s.session.Plan.Sections[0], stateOf(t, s.stateAt(0), "back-left")
	near(t, "minutes to target", state.MinutesToTarget.Value, planned.ExpectedMinutes, 1e-5)
	near(t, "at the earliest", state.MinutesToTarget.Low, planned.ExpectedMinutesLow, 1e-5)
	near(t, "at the latest", state.MinutesToTarget.High, planned.ExpectedMinutesHigh, 1e-5)
	first := func(c *pb.SectionState) float64 { return c.NextStrandTestTime.AsTime().Sub(minute(0)).Minutes() }
	if got := first(state); got > planned.FirstStrandTestMinute {
		t.Errorf("first strand test at %v, later than the plan's %v", got, planned.FirstStrandTestMinute)
	}
	before := newTimeline(regular()).ofRevision(0).at(0, applied("back-left")).stateAt(0)
	near(t, "first strand test before revisions", first(stateOf(t, before, "back-left")), planned.FirstStrandTestMinute, 1e-5)
	if advised := state.LatestRinseTime.AsTime().Sub(minute(0)).Minutes(); advised > planned.LatestRinseMinute {
		t.Errorf("latest rinse: advised at %v, later than the plan's %v", advised, planned.LatestRinseMinute)
	}
}

func TestServiceWithoutDecisionStillHasClocks(t *testing.T) {
	s := (&timeline{session: &pb.Session{StartTime: stamp(minute(0))}}).at(0, applied("crown"))
	state := s.stateAt(4)
	crown := stateOf(t, state, "crown")
	if got := crown.HardLimitTime.AsTime(); !got.Equal(minute(maximumMinutes)) {
		t.Errorf("hard limit at %v", got)
	}
	if crown.LatestRinseTime.AsTime().After(minute(10)) || crown.NextStrandTestTime == nil {
		t.Errorf("the cautious default: %v", crown)
	}
	want := []string{"NO_DECISION ", "BASE_SKIPPED "}
	if got := deviationWords(state.Deviations); !slices.Equal(got, want) {
		t.Errorf("deviations %v, want %v", got, want)
	}
}

func TestUnplannedSectionIsTimedAsTheFastest(t *testing.T) {
	in := regular()
	in.Consultation.Hair.Sections = []*pb.HeadSection{
		{SectionId: "crown"}, {SectionId: "nape", Porosity: pb.Porosity_POROSITY_POROUS},
	}
	s := newTimeline(in).at(0, applied("nape")).at(0, applied("fringe"))
	nape, fringe := stateOf(t, s.stateAt(1), "nape"), stateOf(t, s.stateAt(1), "fringe")
	if fringe.LatestRinseTime.AsTime().After(nape.LatestRinseTime.AsTime()) {
		t.Error("a section that is not on the plan is called later than the fastest that is")
	}
}

func TestSectionsStandInPlannedOrderUnplannedLast(t *testing.T) {
	s := newTimeline(regular()).at(0, applied("fringe")).at(1, applied("front-left"))
	var got []string
	for _, c := range s.stateAt(2).Sections {
		got = append(got, c.SectionId)
	}
	want := []string{"back-left", "back-right", "front-left", "front-right", "hairline", "fringe"}
	if !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestWhatIsKept(t *testing.T) {
	s := newTimeline(regular()).at(-2, used(relaxer, "L1")).at(-1, based()).at(0, applied("back-left")).
		at(5, looked(false)).
		at(8, water("")).at(9, rinsedOutFact()).at(10, normalizerOn()).at(15, normalizerOff()).
		at(16, shampoo(1, pink)).at(18, shampoo(2, clear))
	state := s.stateAt(20)
	if state.ScalpChecked {
		t.Error("a look at the scalp before the rinse is no look afterwards")
	}
	if got := state.GetNormalizerMinutes(); got != normalizerMinutes {
		t.Errorf("normalizer on for %v minutes", got)
	}
	if got := s.stateAt(12); got.NormalizerMinutes != nil {
		t.Error("normalizer still on, and minutes given")
	}
	if !state.BaseApplied || state.Shampoos != 2 || state.LastIndicator != clear || state.Sequence != int64(len(s.events)) {
		t.Errorf("base, shampoos, indicator or sequence: %v", state)
	}
	if !state.FirstRinseTime.AsTime().Equal(minute(8)) {
		t.Errorf("first rinse at %v", state.FirstRinseTime.AsTime())
	}
	if len(state.ProductsUsed) != 1 || state.ProductsUsed[0].LotCode != "L1" {
		t.Errorf("products used: %v", state.ProductsUsed)
	}
	if !s.at(21, looked(false)).stateAt(22).ScalpChecked {
		t.Error("a look at the scalp after the rinse is not kept")
	}
}

func TestWhatCameBeforeTheProductDoesNotCount(t *testing.T) {
	s := newTimeline(regular()).at(-9, water("")).at(-8, shampoo(1, pink)).at(-7, shampoo(2, pink)).at(-6, shampoo(3, clear)).at(-5, based()).
		at(0, applied("back-left")).at(6, water("")).at(7, rinsedOutFact())
	state := s.stateAt(8)
	if state.Neutral || state.Shampoos != 0 {
		t.Errorf("lathers before the product count: neutral %v, %d", state.Neutral, state.Shampoos)
	}
	if !state.FirstRinseTime.AsTime().Equal(minute(6)) {
		t.Errorf("first rinse at %v", state.FirstRinseTime.AsTime())
	}
}

func TestApplicationThatNobodyNoted(t *testing.T) {
	s := newTimeline(regular()).at(20, water("")).at(21, shampoo(1, pink)).at(22, shampoo(2, pink))
	if got := alarmWords(s.stateAt(23).Alarms); !slices.Equal(got, []string{"NOT_NEUTRALIZED "}) {
		t.Errorf("alarms %v", got)
	}
	if got := deviationWords(ClosingDeviations(s.session, s.events, minute(23))); !slices.Equal(got, []string{"FEW_SHAMPOOS ", "NOT_NEUTRALIZED "}) {
		t.Errorf("closing %v", got)
	}
	s.at(24, shampoo(3, clear))
	if !s.stateAt(25).Neutral {
		t.Error("pink, pink, clear is neutral, regardless of who noted the application")
	}
}

func TestLateFactCorrectsHistory(t *testing.T) {
	s := newTimeline(regular()).at(-1, based()).at(0, applied("back-left")).at(6, strand("back-left", 60))
	before := s.stateAt(9)
	late := part("back-left", pb.SectionPart_SECTION_PART_ENDS)
	s.at(-0.5, late)
	s.events[len(s.events)-1].RecordTime = stamp(minute(9))
	after := s.stateAt(9)
	if got := stateOf(t, after, "back-left").ExposureMinutes; got != 9.5 {
		t.Errorf("%v minutes, want 9.5: the ends were first", got)
	}
	if before.Sequence+1 != after.Sequence {
		t.Error("the late fact is not counted")
	}
	if got := s.stateAt(-0.75); got.Sequence != 1 || got.Phase != pb.SessionPhase_SESSION_PHASE_PREPARING {
		t.Error("what happened later is part of an earlier state")
	}
}

func TestClocksOfTills(t *testing.T) {
	for _, c := range []struct {
		name           string
		occur, record  float64
		taken          float64
		flagged        bool
		withoutAnyTime bool
	}{
		{name: "as it happens", occur: 3, record: 3, taken: 3},
		{name: "recorded late", occur: 3, record: 90, taken: 3},
		{name: "till two minutes ahead: not later than recorded", occur: 5, record: 3, taken: 3},
		{name: "till ten minutes ahead", occur: 13, record: 3, taken: 3, flagged: true},
		{name: "till a year behind", occur: -525600, record: 3, taken: 3, flagged: true},
		{name: "shortly before the session was opened", occur: -30, record: 3, taken: -30},
		{name: "no time at all", record: 3, taken: 3, flagged: true, withoutAnyTime: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newTimeline(regular()).at(c.occur, applied("back-left"))
			s.events[0].RecordTime = stamp(minute(c.record))
			if c.withoutAnyTime {
				s.events[0].Event.OccurTime = nil
			}
			state := s.stateAt(100)
			if got := stateOf(t, state, "back-left").FirstContactTime.AsTime(); !got.Equal(minute(c.taken)) {
				t.Errorf("taken as %v", got)
			}
			if got := slices.Contains(deviationWords(state.Deviations), "CLOCK "); got != c.flagged {
				t.Errorf("flagged: %v", got)
			}
		})
	}
}

func TestInputsAreLeftAlone(t *testing.T) {
	s := newTimeline(regular()).at(0, applied("back-left")).at(6, strand("back-left", 60)).at(2, burns(""))
	session, events := proto.Clone(s.session), make([]*pb.StoredEvent, len(s.events))
	for i, e := range s.events {
		events[i] = proto.Clone(e).(*pb.StoredEvent)
	}
	s.stateAt(9)
	ClosingDeviations(s.session, s.events, minute(9))
	if !proto.Equal(session, s.session) {
		t.Error("the session was changed")
	}
	for i, e := range s.events {
		if !proto.Equal(e, events[i]) {
			t.Errorf("event %d was changed", i)
		}
	}
}

func TestNothingIsGivenNothingBreaks(t *testing.T) {
	state := Fold(nil, nil, minute(0))
	if state.Phase != pb.SessionPhase_SESSION_PHASE_PREPARING || len(state.Alarms) != 0 {
		t.Errorf("%v", state)
	}
	if got := Fold(&pb.Session{}, []*pb.StoredEvent{{}, nil}, minute(0)); got.Sequence != 0 {
		t.Errorf("empty events: %v", got)
	}
	Plan(nil)
	if _, ok := NextChange(nil, nil, nil); ok {
		t.Error("nothing to wait for")
	}
}
