package alkali

import (
	"math"
	"strings"
	"testing"
)

func TestPlausible(t *testing.T) {
	lye := func(percent, ph float64, m Method) Product { return Product{one(SodiumHydroxide, percent), ph, m} }
	lime := func(ph float64) Product { return Product{one(CalciumHydroxide, 5), ph, Measured} }
	activated := func(ph float64) Product {
		return Product{Composition{{CalciumHydroxide, 5}, {GuanidineCarbonate, 6}}, ph, Measured}
	}
	for _, c := range []struct {
		name  string
		p     Product
		about string // of the one objection, "" for none
		says  string
	}{
		{"a lye relaxer as measured", lye(2.2, 12.36, Measured), "", ""},
		{"2.2 % NaOH at pH 9.5", lye(2.2, 9.5, Measured), AboutPH, "too low"},
		{"2.2 % NaOH computed as 9.5", lye(2.2, 9.5, Computed), AboutPH, "too low"},
		{"computed by activity", lye(2, 13.54, Computed), "", ""},
		{"computed by concentration", lye(2, 13.70, Computed), "", ""},
		{"computed by concentration, professional", lye(4.5, 14.07, Computed), "", ""},
		{"computed, but a cream's value", lye(2, 12.36, Computed), AboutPH, "too low"},
		{"above the bound", lye(2, 14.0, Measured), AboutPH, "too high"},
		{"above the bound, computed", lye(2, 14.0, Computed), AboutPH, "too high"},
		{"weak lye, strong pH", lye(0.1, 13.5, Measured), AboutPH, "too high"},
		{"no pH declared", lye(2.2, 0, NoPH), "", ""},
		{"a pH of no method is not read", lye(2.2, 99, NoPH), "", ""},
		{"method not known", lye(2.2, 13, 7), AboutPH, "computed or measured"},
		{"pH not a number", lye(2.2, math.NaN(), Measured), AboutPH, "0 to 15"},
		{"pH below nothing", lye(2.2, -1, Measured), AboutPH, "0 to 15"},
		{"pH endless", lye(2.2, math.Inf(1), Measured), AboutPH, "0 to 15"},
		{"lye to adjust an acid product", lye(0.4, 5.5, Measured), "", ""},
		{"just not enough to be sure", lye(0.99, 9, Measured), "", ""},
		{"just enough to be sure", lye(1, 9, Measured), AboutPH, "too low"},
		{"lime water", lime(12.4), "", ""},
		{"lime without its activator", lime(13.1), AboutPH, "after mixing"},
		{"lime at the pH of soap", lime(9.5), AboutPH, "too low"},
		{"lime with its activator", activated(13.1), "", ""},
		{"lime with its activator, as low as measured", activated(11.75), "", ""},
		{"lime with its activator, little set free", activated(10.6), "", ""},
		{"lime with its activator at pH 9.5", activated(9.5), AboutPH, "too low"},
		{"acid neutralized by lye", Product{Composition{{ThioglycolicAcid, 8}, {SodiumHydroxide, 3.5}}, 9, Measured}, "", ""},
		{"thioglycolate", Product{one(AmmoniumThioglycolate, 9), 9.2, Measured}, "", ""},
		{"hydroxide forgotten", Product{one(Ammonia, 2), 13.2, Measured}, AboutPH, "none is declared"},
		{"nothing declared but a pH", Product{PH: 13.2, Method: Measured}, "", ""},
		{"far too much", lye(30, 14, NoPH), AboutComposition, "no product for hair"},
		{"negative", lye(-1, 12, Measured), AboutPercent, "0 to 100"},
		{"not a number", lye(math.NaN(), 12, NoPH), AboutPercent, "0 to 100"},
		{"over 100", lye(100.1, 12, NoPH), AboutPercent, "0 to 100"},
		{"together over 100", Product{Contains: Composition{{SodiumHydroxide, 2}, {HydrogenPeroxide, 98.1}}}, AboutComposition, "add up to 100.1"},
		{"together 100", Product{Contains: Composition{{Ammonia, 2}, {HydrogenPeroxide, 98}}}, "", ""},
		{"unknown substance", Product{Contains: one(UnknownSubstance, 2)}, AboutSubstance, "not known"},
		{"an empty product", Product{}, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := Plausible(c.p)
			if c.about == "" && len(got) == 0 {
				return
			}
			if len(got) != 1 || got[0].About != c.about || !strings.Contains(got[0].Text, c.says) {
				t.Errorf("got %v, want one about %q saying %q", got, c.about, c.says)
			}
		})
	}
}

// 121 relaxers measured 11.75 to 13.17, quartiles 12.10 and 12.62, median 12.36
// (Sishi, van Wyk and Khumalo, S Afr Med J 2019;109:941-946). None of them may be
// called implausible at the strengths relaxers have: 1.85 to 2.40 % NaOH (A. N.
// Syed, technical article, 2014).
func TestEveryMeasuredRelaxerIsPlausible(t *testing.T) {
	for _, ph := range []float64{11.75, 12.10, 12.36, 12.62, 13.17} {
		for _, percent := range []float64{1.85, 2.00, 2.06, 2.20, 2.25, 2.40} {
			for _, s := range []Substance{SodiumHydroxide, PotassiumHydroxide, LithiumHydroxide, LithiumHydroxideMonohydrate} {
				p := Product{one(s, percent*Factor(SodiumHydroxide, s)), ph, Measured}
				if got := Plausible(p); len(got) > 0 {
					t.Errorf("%v at pH %g: %v", p.Contains, ph, got)
				}
			}
		}
	}
}

// Each edge of the tolerances, a hundredth inside and outside.
func TestEdgesOfTheTolerances(t *testing.T) {
	c := one(SodiumHydroxide, 2.2)
	bound := mustPH(t, c)
	for _, edge := range []struct {
		method Method
		ph     float64
		inward float64
	}{
		{Computed, bound + computedAbove, -0.01}, {Computed, bound - computedBelow, 0.01},
		{Measured, bound + measuredAbove, -0.01}, {Measured, bound - measuredBelow, 0.01},
	} {
		if got := Plausible(Product{c, edge.ph + edge.inward, edge.method}); len(got) != 0 {
			t.Errorf("method %d just inside %.2f: %v", edge.method, edge.ph, got)
		}
		if got := Plausible(Product{c, edge.ph - edge.inward, edge.method}); len(got) != 1 {
			t.Errorf("method %d just outside %.2f: %v", edge.method, edge.ph, got)
		}
	}
}

// Every unreadable part is named by its place, so that all can be corrected at once.
func TestEveryPartIsNamed(t *testing.T) {
	got := Plausible(Product{Contains: Composition{{SodiumHydroxide, 2}, {UnknownSubstance, -1}, {Ammonia, math.NaN()}}})
	want := []Objection{{About: AboutSubstance, Part: 1}, {About: AboutPercent, Part: 1}, {About: AboutPercent, Part: 2}}
	if len(got) != len(want) {
		t.Fatalf("got %v", got)
	}
	for i := range want {
		if got[i].About != want[i].About || got[i].Part != want[i].Part {
			t.Errorf("objection %d: got %v, want %v", i, got[i], want[i])
		}
	}
}
