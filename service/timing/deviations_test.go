package timing

import (
	"slices"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
	"google.golang.org/protobuf/proto"
)

// tested keeps back-left's strand tests in time while its curl hardly gives.
func tested() *timeline {
	s := oneSection()
	for _, m := range []float64{4.5, 7, 9.5, 12, 14.5} {
		s.at(m, strand("back-left", 93-m))
	}
	return s
}

func TestDeviations(t *testing.T) {
	noDecision := oneSection()
	noDecision.session.Decision = ""
	refused := oneSection()
	refused.session.Plan = nil
	unsigned := oneSection()
	unsigned.session.NotCountersigned = true
	neither := oneSection()
	neither.session.Decision, neither.session.NotCountersigned = "", true
	baseNotNeeded := newTimeline(regular()).at(0, applied("back-left"))
	baseNotNeeded.session.Limits.BaseNeeded = false
	hairlineOnly := based()
	hairlineOnly.GetBaseApplied().WholeScalp = false

	for _, c := range []struct {
		name     string
		timeline *timeline
		at       float64
		want     []string
	}{
		{"by the book", oneSection().at(4.5, strand("back-left", 60)).at(6.5, strand("back-left", 40)).at(7.5, water("")).at(9, rinsedOutFact()), 10, nil},
		{"begun without a decision", noDecision, 1, []string{"NO_DECISION "}},
		{"the decision said no, so there is no plan", refused, 1, []string{"NO_DECISION "}},
		{"a student's, not signed", unsigned, 1, []string{"NOT_COUNTERSIGNED "}},
		{"a student's, without a decision", neither, 1, []string{"NO_DECISION ", "NOT_COUNTERSIGNED "}},
		{"base skipped", newTimeline(regular()).at(0, applied("back-left")), 1, []string{"BASE_SKIPPED "}},
		{"base after the product", newTimeline(regular()).at(0, applied("back-left")).at(1, based()), 2, []string{"BASE_SKIPPED "}},
		{"base on the hairline only, the directions want the scalp", newTimeline(regular()).at(-1, hairlineOnly).at(0, applied("back-left")), 1, []string{"BASE_SKIPPED "}},
		{"directions need no base", baseNotNeeded, 1, nil},
		{"product on beyond the limit, still on", tested().ofRevision(0), 18.1, []string{"STRAND_TEST_OVERDUE back-left", "LIMIT_PASSED back-left"}},
		{"rinsed after the limit", tested().ofRevision(0).at(19, water("")), 20, []string{"STRAND_TEST_OVERDUE back-left", "LIMIT_PASSED back-left", "RINSED_LATE back-left"}},
		{"beyond the limit, and the guidance had called without another test", tested().at(19, water("")), 20, []string{"LIMIT_PASSED back-left"}},
		{"at the limit to the second", tested().at(16, strand("back-left", 80)).at(18, water("")), 20, nil},
		{"called at minute 5, water at 7.4", oneSection().at(5, strand("back-left", 45)).at(7.4, water("")), 8, nil},
		{"called at minute 5, water at 7.6", oneSection().at(5, gummy("back-left", 45)).at(7.6, water("")), 8, []string{"RINSED_LATE back-left"}},
		{"gummy at minute 5, water at 7.6", oneSection().at(5, gummy("back-left", 70)).at(7.6, water("")), 8, []string{"RINSED_LATE back-left"}},
		{"before revisions: called at minute 5, water at 6.4", oneSection().ofRevision(0).at(5, strand("back-left", 20)).at(6.4, water("")), 7, nil},
		{"before revisions: called at minute 5, water at 6.6", oneSection().ofRevision(0).at(5, strand("back-left", 20)).at(6.6, water("")), 7, []string{"RINSED_LATE back-left"}},
		{"before revisions: gummy at minute 5, water at 7", oneSection().ofRevision(0).at(5, gummy("back-left", 70)).at(7, water("")), 8, []string{"RINSED_LATE back-left"}},
		{"straightened beyond the cap", oneSection().at(5, strand("back-left", 15)).at(6, water("")), 7, []string{"CAP_PASSED back-left"}},
		{"at the cap", oneSection().at(5, strand("back-left", 20)).at(6, water("")), 7, nil},
		{"no strand test", oneSection(), 8.5, []string{"STRAND_TEST_OVERDUE back-left"}},
		{"no strand test, and no rinse either", oneSection().at(17, water("")), 18, []string{"STRAND_TEST_OVERDUE back-left", "RINSED_LATE back-left"}},
		{"no strand test for a while", oneSection().at(4.5, strand("back-left", 90)), 8.6, []string{"STRAND_TEST_OVERDUE back-left"}},
		{"strand test within the minute of grace", oneSection().at(4.5, strand("back-left", 90)).at(8.4, strand("back-left", 80)), 8.5, nil},
		{"it burns, water within a minute", oneSection().at(2, burns("")).at(3, water("")), 5, nil},
		{"it burns, water after a minute and a half", oneSection().at(2, burns("")).at(3.5, water("")), 5, []string{"RINSE_AFTER_DISCOMFORT_LATE "}},
		{"it burns, no water yet", oneSection().at(2, burns("")), 3.1, []string{"RINSE_AFTER_DISCOMFORT_LATE "}},
		{"it burns in one section, water on another", oneSection().at(1, applied("back-right")).at(2, burns("back-right")).at(2.5, water("back-left")), 3.1, []string{"RINSE_AFTER_DISCOMFORT_LATE back-right"}},
		{"two reports, both late", oneSection().at(2, burns("")).at(2.5, burns("")), 3.6, []string{"RINSE_AFTER_DISCOMFORT_LATE ", "RINSE_AFTER_DISCOMFORT_LATE "}},
		{"it burns before any product", newTimeline(regular()).at(-4, burns("")).at(-1, based()), 0, nil},
		{"section that is not on the plan", oneSection().at(1, applied("fringe")), 2, []string{"UNPLANNED_SECTION fringe"}},
		{"the same section twice", oneSection().at(1, applied("fringe")).at(2, part("fringe", pb.SectionPart_SECTION_PART_ENDS)), 3, []string{"UNPLANNED_SECTION fringe"}},
		{"scalp changed", oneSection().at(3, rinsedOutFact()).at(20, looked(true)), 21, []string{"SCALP_CHANGED "}},
		{"scalp looked at and sound", oneSection().at(3, rinsedOutFact()).at(20, looked(false)), 21, nil},
	} {
		if got := deviationWords(c.timeline.stateAt(c.at).Deviations); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestRinsedFarTooLateIsSurelyBeyondTheCap(t *testing.T) {
	s := oneSection().at(5, strand("back-left", 40)).at(6, strand("back-left", 33)).at(7, strand("back-left", 26)).at(16, water(""))
	want := []string{"RINSED_LATE back-left", "CAP_PASSED back-left"}
	got := deviationWords(s.stateAt(17).Deviations)
	if !slices.Contains(got, want[0]) || !slices.Contains(got, want[1]) {
		t.Errorf("%v, want %v among them", got, want)
	}
}

func TestClosing(t *testing.T) {
	rinsed := func() *timeline { return oneSection().at(8, rinsedOutFact()) }
	for _, c := range []struct {
		name     string
		timeline *timeline
		want     []string
	}{
		{"three lathers, colour gone", rinsed().at(9, shampoo(1, pink)).at(10, shampoo(2, pink)).at(11, shampoo(3, clear)), nil},
		{"two lathers, colour gone", rinsed().at(9, shampoo(1, pink)).at(10, shampoo(2, clear)), []string{"FEW_SHAMPOOS ", "NOT_NEUTRALIZED "}},
		{"closed while pink", rinsed().at(9, shampoo(1, pink)).at(10, shampoo(2, pink)).at(11, shampoo(3, pink)), []string{"NOT_NEUTRALIZED "}},
		{"product still on", oneSection(), []string{"FEW_SHAMPOOS ", "NOT_NEUTRALIZED "}},
		{"broken off before any product", newTimeline(regular()).at(-1, based()).at(0, stopped()), nil},
	} {
		if got := deviationWords(ClosingDeviations(c.timeline.session, c.timeline.events, minute(30))); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestProductsAgainstTheCatalogue(t *testing.T) {
	day := func(d int) time.Time { return opening.AddDate(0, 0, d) }
	const other, shampooName = "chains/ebb-and-flow/products/tideline-super", "chains/ebb-and-flow/products/clear-water"
	catalogue := []*pb.Product{
		{Name: relaxer, Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER, Lots: []*pb.Lot{
			{LotCode: "good"}, {LotCode: "old", ExpireTime: stamp(day(-1))}, {LotCode: "new", ExpireTime: stamp(day(1))},
			{LotCode: "recalled", RecallTime: stamp(day(-1))}, {LotCode: "recalled later", RecallTime: stamp(day(1))},
		}},
		{Name: other, Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER},
		{Name: shampooName, Kind: pb.ProductKind_PRODUCT_KIND_NEUTRALIZING_SHAMPOO},
	}
	for _, c := range []struct {
		name         string
		product, lot string
		want         []string
	}{
		{"the product and lot decided on", relaxer, "good", nil},
		{"lot not noted", relaxer, "", nil},
		{"a shampoo is no other product", shampooName, "", nil},
		{"another relaxer", other, "", []string{"OTHER_PRODUCT "}},
		{"a product that nobody knows", "chains/ebb-and-flow/products/unknown", "", []string{"OTHER_PRODUCT "}},
		{"expired", relaxer, "old", []string{"BAD_LOT "}},
		{"expires tomorrow", relaxer, "new", nil},
		{"recalled", relaxer, "recalled", []string{"BAD_LOT "}},
		{"the lot decided on, not in the catalogue", relaxer, "Lot no. DECIDED", nil},
		{"another lot, not in the catalogue", relaxer, "found on the trolley", []string{"OTHER_PRODUCT "}},
		{"recalled after it was used", relaxer, "recalled later", nil},
	} {
		s := oneSection().at(1, used(c.product, c.lot))
		s.session.LotCode = "decided"
		state := FoldWith(s.session, s.events, catalogue, minute(2))
		if got := deviationWords(state.Deviations); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// A deviation is told once, however often the state is made again, and keeps its key
// when what time showed is later seen in a fact.
func TestEachDeviationIsNewOnce(t *testing.T) {
	s := tested().at(2, burns(""))
	told := map[string]int{}
	var before *pb.SessionState
	for m := 0.0; m <= 30; m += 0.25 {
		if m == 22 {
			s.at(22, water("")).at(23, rinsedOutFact())
		}
		after := s.stateAt(m)
		for _, d := range NewDeviations(before, after) {
			told[deviationKey(d)]++
		}
		before = after
	}
	if len(told) != len(before.Deviations) {
		t.Errorf("told %d deviations, the end has %d", len(told), len(before.Deviations))
	}
	for key, n := range told {
		if n != 1 {
			t.Errorf("%s was told %d times", key, n)
		}
	}
	if got := NewDeviations(before, before); len(got) != 0 {
		t.Errorf("new against itself: %v", got)
	}
	if got := NewDeviations(nil, before); !slices.EqualFunc(got, before.Deviations, func(a, b *pb.Deviation) bool { return proto.Equal(a, b) }) {
		t.Errorf("new against nothing: %v", got)
	}
}
