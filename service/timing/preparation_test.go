package timing

import (
	"slices"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// prepared is a session that knows its product's kind and two conditions.
func prepared() *timeline {
	s := newTimeline(regular())
	s.session.ProductKind = pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER
	s.session.Practitioner = "chains/ebb-and-flow/practitioners/noor"
	s.session.Conditions = []*pb.ConditionState{
		{ConditionId: "c1", RuleId: "cond.gloves", Text: "Wear gloves", BeforeContact: true},
		{ConditionId: "c2", RuleId: "cond.ends", Subject: "ends", Text: "Protect the ends", BeforeContact: true},
		{ConditionId: "c3", RuleId: "cond.slow", Text: "Test every two minutes"},
	}
	return s
}

func TestBeforeFirstContact(t *testing.T) {
	gloves := func() *pb.Event { return met("cond.gloves", "") }
	ends := func() *pb.Event { return met("cond.ends", "ends") }
	all := func() *timeline {
		return prepared().at(-3, based()).at(-2, confirmed(relaxer, "L1")).at(-2, gloves()).at(-2, ends())
	}
	for _, c := range []struct {
		name     string
		timeline *timeline
		want     []string
	}{
		{"all that had to come first", all().at(0, applied("back-left")), nil},
		{"all in one instant", prepared().at(0, applied("back-left")).at(0, based()).at(0, confirmed(relaxer, "L1")).at(0, gloves()).at(0, ends()), nil},
		{"nothing", prepared().at(0, applied("back-left")), []string{"BASE_SKIPPED ", "CONDITION_MISSED ", "CONDITION_MISSED ", "PRODUCT_NOT_CONFIRMED "}},
		{"a moment later", prepared().at(0, applied("back-left")).at(0.1, based()).at(0.1, confirmed(relaxer, "L1")).at(0.1, gloves()).at(0.1, ends()),
			[]string{"BASE_SKIPPED ", "CONDITION_MISSED ", "CONDITION_MISSED ", "PRODUCT_NOT_CONFIRMED "}},
		{"another subject of the same rule", prepared().at(-3, based()).at(-2, confirmed(relaxer, "L1")).at(-2, gloves()).at(-2, met("cond.ends", "new growth")).at(0, applied("back-left")),
			[]string{"CONDITION_MISSED "}},
		{"the product's use counts as confirming it", prepared().at(-3, based()).at(-2, used(relaxer, "L1")).at(-2, gloves()).at(-2, ends()).at(0, applied("back-left")), nil},
		{"the base's use does not", prepared().at(-3, based()).at(-2, used("chains/ebb-and-flow/products/base", "")).at(-2, gloves()).at(-2, ends()).at(0, applied("back-left")),
			[]string{"PRODUCT_NOT_CONFIRMED "}},
		{"no product on the hair yet", prepared(), nil},
	} {
		if got := deviationWords(c.timeline.stateAt(1).Deviations); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	missed := prepared().at(-3, based()).at(-2, confirmed(relaxer, "")).at(0, applied("back-left")).stateAt(1).Deviations
	if len(missed) != 2 || missed[0].ConditionId == missed[1].ConditionId {
		t.Errorf("two missed conditions are %v", missed)
	}
}

// A session begun before there was such a fact is not blamed for it.
func TestOlderSessionsNeedNoConfirmation(t *testing.T) {
	state := oneSection().stateAt(1)
	if len(state.Deviations)+len(state.Alarms) > 0 {
		t.Errorf("%v %v", state.Deviations, state.Alarms)
	}
}

func TestConditionsSayWhenAndByWhom(t *testing.T) {
	byTeo := met("cond.ends", "ends")
	byTeo.Actor = "chains/ebb-and-flow/practitioners/teo"
	state := prepared().at(-2, met("cond.gloves", "")).at(-1, met("cond.gloves", "")).at(-1, byTeo).stateAt(0)
	if len(state.Conditions) != 3 {
		t.Fatalf("%v", state.Conditions)
	}
	first, second, third := state.Conditions[0], state.Conditions[1], state.Conditions[2]
	if !first.MetTime.AsTime().Equal(minute(-2)) || first.Actor != "chains/ebb-and-flow/practitioners/noor" {
		t.Errorf("met first at minute -2 by the practitioner: %v", first)
	}
	if !second.MetTime.AsTime().Equal(minute(-1)) || second.Actor != byTeo.Actor {
		t.Errorf("met by the assistant: %v", second)
	}
	if third.MetTime != nil || third.Actor != "" {
		t.Errorf("never met: %v", third)
	}
}

func TestConfirmProductIsCalledFor(t *testing.T) {
	s := prepared()
	if got := alarmWords(s.stateAt(-4).Alarms); !slices.Equal(got, []string{"CONFIRM_PRODUCT "}) {
		t.Errorf("%q", got)
	}
	s.at(-3, confirmed(relaxer, "L1"))
	state := s.stateAt(-2)
	if len(state.Alarms) > 0 || state.ProductConfirmed.GetLotCode() != "L1" {
		t.Errorf("confirmed: %v %v", state.Alarms, state.ProductConfirmed)
	}
}

func TestWrongProductOnTheHair(t *testing.T) {
	const other, base = "chains/ebb-and-flow/products/tideline-super", "chains/ebb-and-flow/products/base"
	const second = "chains/ebb-and-flow/products/tideline-mild"
	twoStrengths := func() *timeline {
		s := newTimeline(regular()).at(-2, based())
		s.session.SectionProducts = []*pb.PlannedProduct{{SectionId: "nape", Product: second, LotCode: "good"}}
		return s
	}
	catalogue := []*pb.Product{
		{Name: relaxer, Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER, Lots: []*pb.Lot{
			{LotCode: "good"}, {LotCode: "old", ExpireTime: stamp(minute(-60))}, {LotCode: "recalled", RecallTime: stamp(minute(-60))}}},
		{Name: other, Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER},
		{Name: base, Kind: pb.ProductKind_PRODUCT_KIND_PROTECTIVE_BASE},
		{Name: second, Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER, Lots: []*pb.Lot{{LotCode: "recalled", RecallTime: stamp(minute(-60))}}},
	}
	for _, c := range []struct {
		name       string
		timeline   *timeline
		alarms     []string
		deviations []string
	}{
		{"the right one", newTimeline(regular()).at(-2, based()).at(-1, confirmed(relaxer, "good")).at(0, applied("back-left")), nil, nil},
		{"another one, seen before it is on", newTimeline(regular()).at(-2, based()).at(-1, confirmed(other, "")), nil, []string{"OTHER_PRODUCT "}},
		{"another one on the hair", newTimeline(regular()).at(-2, based()).at(-1, confirmed(other, "")).at(0, applied("back-left")),
			[]string{"RINSE_NOW back-left WRONG_PRODUCT #2"}, []string{"OTHER_PRODUCT "}},
		{"found out while it is on", newTimeline(regular()).at(-2, based()).at(0, applied("back-left")).at(0.5, confirmed(other, "")),
			[]string{"RINSE_NOW back-left WRONG_PRODUCT #3"}, []string{"OTHER_PRODUCT "}},
		{"naming the right one afterwards does not make it right", newTimeline(regular()).at(-2, based()).at(-1, confirmed(other, "")).at(0, applied("back-left")).at(0.5, confirmed(relaxer, "good")),
			[]string{"RINSE_NOW back-left WRONG_PRODUCT #2"}, []string{"OTHER_PRODUCT "}},
		{"exchanged before it is on", newTimeline(regular()).at(-2, based()).at(-1, confirmed(other, "")).at(-0.5, confirmed(relaxer, "good")).at(0, applied("back-left")),
			nil, []string{"OTHER_PRODUCT "}},
		{"rinsed", newTimeline(regular()).at(-2, based()).at(-1, confirmed(other, "")).at(0, applied("back-left")).at(0.5, water("")), nil, []string{"OTHER_PRODUCT "}},
		{"a recalled lot", newTimeline(regular()).at(-2, based()).at(-1, confirmed(relaxer, "recalled")).at(0, applied("back-left")),
			[]string{"RINSE_NOW back-left WRONG_PRODUCT #2"}, []string{"BAD_LOT "}},
		{"a lot out of date is a deviation alone", newTimeline(regular()).at(-2, based()).at(-1, confirmed(relaxer, "old")).at(0, applied("back-left")), nil, []string{"BAD_LOT "}},
		{"a base is no wrong relaxer", newTimeline(regular()).at(-2, based()).at(-1, confirmed(relaxer, "good")).at(0, applied("back-left")).at(0.5, used(base, "")), nil, nil},
		{"two strengths by section", twoStrengths().at(-1, confirmed(relaxer, "good")).at(-1, confirmed(second, "good")).at(0, applied("back-left")).at(0.5, used(second, "good")),
			nil, nil},
		{"a third one beside them", twoStrengths().at(-1, confirmed(relaxer, "good")).at(-1, confirmed(other, "")).at(0, applied("back-left")),
			[]string{"RINSE_NOW back-left WRONG_PRODUCT #3"}, []string{"OTHER_PRODUCT "}},
		{"the second strength, not decided on", newTimeline(regular()).at(-2, based()).at(-1, confirmed(second, "good")).at(0, applied("back-left")),
			[]string{"RINSE_NOW back-left WRONG_PRODUCT #2"}, []string{"OTHER_PRODUCT "}},
		{"a recalled lot of the second strength", twoStrengths().at(-1, confirmed(second, "recalled")).at(0, applied("back-left")),
			[]string{"RINSE_NOW back-left WRONG_PRODUCT #2"}, []string{"BAD_LOT "}},
		{"a recalled lot of the first, beside the second", twoStrengths().at(-1, confirmed(relaxer, "recalled")).at(0, applied("back-left")),
			[]string{"RINSE_NOW back-left WRONG_PRODUCT #2"}, []string{"BAD_LOT "}},
	} {
		state := FoldWith(c.timeline.session, c.timeline.events, catalogue, minute(1))
		if got := alarmCauses(state.Alarms); !slices.Equal(got, c.alarms) {
			t.Errorf("%s: %q, want %q", c.name, got, c.alarms)
		}
		if got := deviationWords(state.Deviations); !slices.Equal(got, c.deviations) {
			t.Errorf("%s: %q, want %q", c.name, got, c.deviations)
		}
	}
}

func TestTwoPartMixture(t *testing.T) {
	twoPart := func() *timeline {
		s := newTimeline(regular()).at(-3, based())
		s.session.Limits.UseWithinMinutes = new(10.0)
		return s
	}
	fresh := func(s *timeline) *timeline { return s.at(4, strand("back-left", 90)).at(6, strand("back-left", 88)) }
	for _, c := range []struct {
		name     string
		timeline *timeline
		at       float64
		alarms   []string
		late     bool
	}{
		{"within its time", fresh(twoPart().at(-2, mixed()).at(0, applied("back-left"))), 7.9, nil, false},
		{"at its time", fresh(twoPart().at(-2, mixed()).at(0, applied("back-left"))), 8, []string{"RINSE_NOW back-left MIXTURE_TOO_OLD"}, false},
		{"past it", fresh(twoPart().at(-2, mixed()).at(0, applied("back-left"))), 8.1, []string{"RINSE_NOW back-left MIXTURE_TOO_OLD"}, true},
		{"rinsed in time", fresh(twoPart().at(-2, mixed()).at(0, applied("back-left"))).at(7, water("")), 20, nil, false},
		{"rinsed late", fresh(twoPart().at(-2, mixed()).at(0, applied("back-left"))).at(8.5, water("")), 20, nil, true},
		{"too old when it was put on", twoPart().at(-2, mixed()).at(9, applied("back-left")), 9.1, []string{"RINSE_NOW back-left MIXTURE_TOO_OLD"}, true},
		{"thrown away and mixed anew", twoPart().at(-2, mixed()).at(7, discarded()).at(8, mixed()).at(9, applied("back-left")), 9.1, nil, false},
		{"nobody noted the mixing: from first contact", fresh(twoPart().at(0, applied("back-left"))), 9.9, []string{"STRAND_TEST_DUE back-left"}, false},
		{"from first contact, past it", fresh(twoPart().at(0, applied("back-left"))), 10.1, []string{"RINSE_NOW back-left MIXTURE_TOO_OLD"}, true},
		{"a fresh mixture for the rest does not refresh what is on", fresh(twoPart().at(-2, mixed()).at(0, applied("back-left"))).at(7, mixed()), 8.1, []string{"RINSE_NOW back-left MIXTURE_TOO_OLD"}, true},
		{"no two-part product", fresh(oneSection().at(-2, mixed())), 7.9, nil, false},
	} {
		state := c.timeline.stateAt(c.at)
		if got := alarmCauses(state.Alarms); !slices.Equal(got, c.alarms) {
			t.Errorf("%s: %q, want %q", c.name, got, c.alarms)
		}
		if got := slices.Contains(deviationWords(state.Deviations), "MIXTURE_TOO_OLD back-left"); got != c.late {
			t.Errorf("%s: a deviation: %v", c.name, got)
		}
	}
}
