package timing

import (
	"slices"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

func taughtRate(id string, effect, deviation float64) *pb.LearnedRate {
	return &pb.LearnedRate{SectionId: id, Rate: &pb.RateEstimate{Mean: reference() + effect, Deviation: deviation, Readings: 2}}
}

func TestVisitTeachesWithoutItsPrior(t *testing.T) {
	// Two visits with the same strand tests teach the same, whatever was believed
	// before them.
	teach := func(card *pb.RecordCard) *pb.RateEstimate {
		in := regular()
		in.RecordCard = card
		s := newTimeline(in).at(0, applied("back-left")).at(5, strand("back-left", 70)).at(8, strand("back-left", 52)).at(11, strand("back-left", 38)).at(12, water(""))
		return SectionOutcomes(s.session, in, s.stateAt(13), nil)[0].Rate
	}
	first, slowBefore, fastBefore := teach(nil), teach(headRate(-0.3)), teach(headRate(0.3))
	// The posterior is not quite a normal one; 0.02 of ln k is a fifth of the
	// deviation of what three strand tests say.
	near(t, "after a slow head was expected", slowBefore.Mean, first.Mean, 0.02)
	near(t, "after a fast head was expected", fastBefore.Mean, first.Mean, 0.02)
	near(t, "deviation", slowBefore.Deviation, first.Deviation, 0.02)
	if first.Readings != 3 {
		t.Errorf("%d readings", first.Readings)
	}
}

func TestWhatIsLearnedHoldsForAnotherProduct(t *testing.T) {
	// The same head, a third slower than directions say, with two products.
	teach := func(usualMinutes int32, readings [3]float64) *pb.RateEstimate {
		in := regular()
		in.Product.Directions.UsualMinutes = &usualMinutes
		s := newTimeline(in).at(0, applied("back-left"))
		for i, r := range readings {
			s.at(5+3*float64(i), strand("back-left", r))
		}
		s.at(12, water(""))
		return SectionOutcomes(s.session, in, s.stateAt(13), nil)[0].Rate
	}
	at := func(usual float64, slower float64) (r [3]float64) {
		for i := range r {
			r[i] = 100 - straightened(5+3*float64(i), logRate(targetPercent, usual)-slower)
		}
		return r
	}
	quick, slow := teach(9, at(9, 0.3)), teach(14, at(14, 0.3))
	near(t, "quick product", quick.Mean, reference()-0.3, 0.02)
	near(t, "slow product", slow.Mean, reference()-0.3, 0.02)
}

func TestLearningAddsUp(t *testing.T) {
	one := Learn(nil, []*pb.LearnedRate{taughtRate("nape", -0.4, 0.15), taughtRate("crown", 0, 0.15)})
	var ids []string
	for _, r := range one {
		ids = append(ids, r.SectionId)
	}
	if !slices.Equal(ids, []string{"", "crown", "nape"}) {
		t.Fatalf("rates of %q: the head first, then the sections by name", ids)
	}
	nape := rateOf(one, "nape")
	if !(nape.Mean > reference()-0.4 && nape.Mean < reference()) {
		t.Errorf("one visit goes part of the way: %v", nape.Mean-reference())
	}
	three := one
	for range 2 {
		three = Learn(three, []*pb.LearnedRate{taughtRate("nape", -0.4, 0.15), taughtRate("crown", 0, 0.15)})
	}
	if got := rateOf(three, "nape"); got.Mean >= nape.Mean || got.Deviation >= nape.Deviation || got.Readings != 6 {
		t.Errorf("three visits: %v, one: %v", got, nape)
	}
	kept := Learn(three, []*pb.LearnedRate{taughtRate("crown", 0, 0.15)})
	if got := rateOf(kept, "nape"); got != rateOf(three, "nape") {
		t.Errorf("a section that was not read changed: %v", got)
	}
	if got := Learn(three, nil); !slices.Equal(got, three) {
		t.Error("a visit without readings taught something")
	}
	if got := Learn(nil, []*pb.LearnedRate{{SectionId: "nape"}, {SectionId: "crown", Rate: &pb.RateEstimate{}}}); got != nil {
		t.Errorf("empty rates taught %v", got)
	}
}

func TestOldVisitsFade(t *testing.T) {
	slowThenFast, fastThenSlow := []float64{-0.4, -0.4, 0.4, 0.4}, []float64{0.4, 0.4, -0.4, -0.4}
	after := func(visits []float64) float64 {
		var rates []*pb.LearnedRate
		for _, effect := range visits {
			rates = Learn(rates, []*pb.LearnedRate{taughtRate("nape", effect, 0.15)})
		}
		return rateOf(rates, "nape").Mean
	}
	if after(slowThenFast) <= after(fastThenSlow) {
		t.Error("the last visits do not weigh more")
	}
}

func TestMostResistantSection(t *testing.T) {
	read := func(id string, lnRate float64, readings int32) *pb.SectionState {
		return &pb.SectionState{SectionId: id, Rate: &pb.RateEstimate{Mean: lnRate, Deviation: 0.1, Readings: readings}}
	}
	for _, c := range []struct {
		name     string
		sections []*pb.SectionState
		want     string
	}{
		{"no section", nil, ""},
		{"one section", []*pb.SectionState{read("nape", -3, 2)}, ""},
		{"the slowest of three", []*pb.SectionState{read("crown", -2.2, 2), read("nape", -2.6, 2), read("front", -2.3, 1)}, "nape"},
		{"the slowest was never read", []*pb.SectionState{read("crown", -2.2, 2), read("nape", -2.6, 0), read("front", -2.4, 1)}, "front"},
		{"none stands out", []*pb.SectionState{read("crown", -2.2, 2), read("nape", -2.22, 2)}, ""},
	} {
		if got := MostResistant(&pb.SessionState{Sections: c.sections}); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestSectionOutcomes(t *testing.T) {
	in := regular()
	s := newTimeline(in).at(0, applied("back-left")).at(2, applied("back-right")).at(5, strand("back-left", 60)).at(8, water(""))
	achieved := 55.0
	given := []*pb.SectionOutcome{
		{SectionId: "back-right", StraighteningPercent: &achieved, Breakage: pb.Answer_ANSWER_NO, Condition: pb.HairCondition_HAIR_CONDITION_SOUND},
		{SectionId: "hairline", Breakage: pb.Answer_ANSWER_YES},
	}
	got := SectionOutcomes(s.session, in, s.stateAt(10), given)
	if len(got) != 3 || got[0].SectionId != "back-right" || got[1].SectionId != "hairline" || got[2].SectionId != "back-left" {
		t.Fatalf("given sections first, then the others that were applied: %v", got)
	}
	if r := got[0]; r.GetExposureMinutes() != 6 || !r.FirstContactTime.AsTime().Equal(minute(2)) || !r.RinseTime.AsTime().Equal(minute(8)) ||
		r.GetStraighteningPercent() != achieved || r.Breakage != pb.Answer_ANSWER_NO || r.Condition != pb.HairCondition_HAIR_CONDITION_SOUND {
		t.Errorf("%v", r)
	}
	if r := got[0].Rate; r.GetReadings() != 1 || r.Mean <= reference() {
		t.Errorf("55 %% in 6 minutes is fast, and the judged result counts as a reading: %v", r)
	}
	if r := got[1]; r.ExposureMinutes != nil || r.FirstContactTime != nil || r.Rate != nil || r.Breakage != pb.Answer_ANSWER_YES {
		t.Errorf("a section that no product was put on: %v", r)
	}
	if r := got[2]; r.Rate.GetReadings() != 1 || r.StraighteningPercent != nil {
		t.Errorf("a section that was not judged: %v", r)
	}
	if given[0].ExposureMinutes != nil {
		t.Error("what was given is changed")
	}
	withoutDecision := (&timeline{session: &pb.Session{}}).at(0, applied("crown")).at(5, strand("crown", 60)).at(8, water(""))
	r := SectionOutcomes(withoutDecision.session, nil, withoutDecision.stateAt(9), nil)[0].Rate
	if r == nil || r.Deviation <= got[2].Rate.Deviation {
		t.Errorf("a visit without a decision teaches less: %v and %v", r, got[2].Rate)
	}
}
