package alkali

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// A limit case: the most of one substance that one entry of one regulation allows.
type limitCase struct {
	annex, entry string
	use          Use
	substance    Substance
	most         float64 // % m/m of the substance itself, exact
	tolerance    float64 // of a published rounding of most, if published is set
	published    float64
}

// Regulation (EC) No 1223/2009, consolidated: Annex III entries 15a and 15b (with
// the corrigendum of 31 July 2024), 15c, 2a, 2b, 99, 12 (Regulation (EU) 2019/831)
// and 4. The published masses of KOH, LiOH and LiOH.H2O are the limits as NaOH
// divided by the ratio of molar masses (2.805 and 6.312; 1.197 and 2.694; 2.098 and
// 4.721 %).
func limitCases() []limitCase {
	perNaOH := func(percent float64, s Substance) float64 { return percent * Factor(SodiumHydroxide, s) }
	ammonium := Factor(ThioglycolicAcid, AmmoniumThioglycolate)
	ester := Factor(ThioglycolicAcid, GlycerylThioglycolate)
	return []limitCase{
		{"III", "15a/15b", General, SodiumHydroxide, 2, 0, 2},
		{"III", "15a/15b", Professional, SodiumHydroxide, 4.5, 0, 4.5},
		{"III", "15a/15b", General, PotassiumHydroxide, perNaOH(2, PotassiumHydroxide), 0.0006, 2.805},
		{"III", "15a/15b", Professional, PotassiumHydroxide, perNaOH(4.5, PotassiumHydroxide), 0.0006, 6.312},
		{"III", "15a/15b", General, LithiumHydroxide, perNaOH(2, LithiumHydroxide), 0.0006, 1.197},
		{"III", "15a/15b", Professional, LithiumHydroxide, perNaOH(4.5, LithiumHydroxide), 0.0006, 2.694},
		{"III", "15a/15b", General, LithiumHydroxideMonohydrate, perNaOH(2, LithiumHydroxideMonohydrate), 0.0006, 2.098},
		{"III", "15a/15b", Professional, LithiumHydroxideMonohydrate, perNaOH(4.5, LithiumHydroxideMonohydrate), 0.0006, 4.721},
		{"III", "15c", General, CalciumHydroxide, 7, 0, 7},
		{"III", "15c", Professional, CalciumHydroxide, 7, 0, 7},
		{"III", "2a", General, ThioglycolicAcid, 8, 0, 8},
		{"III", "2a", Professional, ThioglycolicAcid, 11, 0, 11},
		{"III", "2a", General, AmmoniumThioglycolate, 8 * ammonium, 0, 0},
		{"III", "2a", Professional, AmmoniumThioglycolate, 11 * ammonium, 0, 0},
		{"III", "2b", General, GlycerylThioglycolate, 8 * ester, 0, 0},
		{"III", "2b", Professional, GlycerylThioglycolate, 11 * ester, 0, 0},
		{"III", "99", General, SulfurDioxide, 6.7, 0, 6.7},
		{"III", "99", Professional, SulfurDioxide, 6.7, 0, 6.7},
		{"III", "99", General, SodiumSulfite, 6.7 * Factor(SulfurDioxide, SodiumSulfite), 0, 0},
		{"III", "99", General, SodiumBisulfite, 6.7 * Factor(SulfurDioxide, SodiumBisulfite), 0, 0},
		{"III", "99", General, AmmoniumBisulfite, 6.7 * Factor(SulfurDioxide, AmmoniumBisulfite), 0, 0},
		{"III", "12", General, HydrogenPeroxide, 12, 0, 12},
		{"III", "12", Professional, HydrogenPeroxide, 12, 0, 12},
		{"III", "4", General, Ammonia, 6, 0, 6},
		{"III", "4", Professional, Ammonia, 6, 0, 6},
	}
}

func TestEachLimitAtUnderAndOver(t *testing.T) {
	for _, c := range limitCases() {
		for _, place := range []Jurisdiction{EuropeanUnion, UnitedKingdom, Unstated} {
			name := fmt.Sprintf("place %d, 1223/2009 Annex %s entry %s, use %d, %s", place, c.annex, c.entry, c.use, c.substance)
			t.Run(name, func(t *testing.T) {
				if c.published != 0 {
					near(t, "most", c.most, c.published, c.tolerance)
				}
				for _, percent := range []float64{c.most - 0.001, c.most} {
					if got := breaches(Product{Contains: one(c.substance, percent)}, place, c.use); len(got) > 0 {
						t.Errorf("%.4f %% is allowed: got %v", percent, got)
					}
				}
				got := breaches(Product{Contains: one(c.substance, c.most+0.001)}, place, c.use)
				if len(got) != 1 {
					t.Fatalf("just over: got %v, want one", got)
				}
				limit := got[0].Limit
				if limit.Annex != c.annex || limit.Entry != c.entry || !strings.HasPrefix(limit.Regulation, "Regulation (EC) No 1223/2009") {
					t.Errorf("cited %s, Annex %s, entry %s", limit.Regulation, limit.Annex, limit.Entry)
				}
				near(t, "found", got[0].Found, (c.most+0.001)*Factor(c.substance, limit.As), 1e-9)
			})
		}
	}
}

// breaches are the exceedances that are more than a duty to label.
func breaches(p Product, j Jurisdiction, u Use) []Exceedance {
	var hard []Exceedance
	for _, e := range Check(p, j, u) {
		if !e.Limit.LabelOnly {
			hard = append(hard, e)
		}
	}
	return hard
}

// Annex III, entry 15a, notes: in mixtures the sum may not exceed the limit, though
// each part alone would pass.
func TestMixtureOverTheLimitTogether(t *testing.T) {
	mixture := Composition{{SodiumHydroxide, 1}, {PotassiumHydroxide, 0.8}, {LithiumHydroxide, 0.4}}
	for _, part := range mixture {
		if got := Check(Product{Contains: Composition{part}}, EuropeanUnion, General); len(got) != 0 {
			t.Errorf("%v alone: %v", part, got)
		}
	}
	got := Check(Product{Contains: mixture}, EuropeanUnion, General)
	if len(got) != 1 || got[0].Limit.Entry != "15a/15b" || got[0].Allowed != 2 {
		t.Fatalf("together: %v", got)
	}
	near(t, "sum", got[0].Found, 1+0.8*0.7129+0.4*1.6702, 0.0002)
	if got := Check(Product{Contains: mixture}, EuropeanUnion, Professional); len(got) != 0 {
		t.Errorf("professional: %v", got)
	}
}

// 0.4 + 3.7 + 0.4 is 4.500000000000001 to a computer; to the law it is 4.5.
func TestRoundingIsNoExceedance(t *testing.T) {
	mixture := Composition{{SodiumHydroxide, 0.4}, {SodiumHydroxide, 3.7}, {SodiumHydroxide, 0.4}}
	if EquivalentNaOH(mixture) == 4.5 {
		t.Fatal("this sum no longer needs rounding: choose another")
	}
	if got := Check(Product{Contains: mixture}, EuropeanUnion, Professional); len(got) != 0 {
		t.Errorf("got %v", got)
	}
}

// Annex III, entry 15a: strengths sold as the strongest tier, 2.25 to 2.40 % NaOH
// (A. N. Syed, technical article, 2014), are above the 2 % of general use.
func TestStrongestTierIsProfessional(t *testing.T) {
	for _, percent := range []float64{2.25, 2.40} {
		p := Product{Contains: one(SodiumHydroxide, percent)}
		if len(Check(p, EuropeanUnion, General)) != 1 || len(Check(p, EuropeanUnion, Professional)) != 0 {
			t.Errorf("%g %% NaOH: general %v, professional %v", percent, Check(p, EuropeanUnion, General), Check(p, EuropeanUnion, Professional))
		}
	}
}

// Annex III, entries 2a (pH 7 to 9.5 as applied) and 2b (esters: 6 to 9.5).
func TestThioglycolateRangeOfPH(t *testing.T) {
	for _, c := range []struct {
		entry     string
		substance Substance
		ph        float64
		bound     float64 // 0: within the range
	}{
		{"2a", ThioglycolicAcid, 6.99, 7},
		{"2a", ThioglycolicAcid, 7, 0},
		{"2a", AmmoniumThioglycolate, 7.01, 0},
		{"2a", AmmoniumThioglycolate, 9.49, 0},
		{"2a", ThioglycolicAcid, 9.5, 0},
		{"2a", AmmoniumThioglycolate, 9.51, 9.5},
		{"2b", GlycerylThioglycolate, 5.99, 6},
		{"2b", GlycerylThioglycolate, 6, 0},
		{"2b", GlycerylThioglycolate, 6.01, 0},
		{"2b", GlycerylThioglycolate, 9.5, 0},
		{"2b", GlycerylThioglycolate, 9.51, 9.5},
	} {
		got := Check(Product{one(c.substance, 5), c.ph, Measured}, EuropeanUnion, Professional)
		switch {
		case c.bound == 0 && len(got) != 0:
			t.Errorf("entry %s, %s at pH %g: %v", c.entry, c.substance, c.ph, got)
		case c.bound != 0 && (len(got) != 1 || got[0].Limit.Entry != c.entry || got[0].Unit != "pH" || got[0].Allowed != c.bound || got[0].Found != c.ph):
			t.Errorf("entry %s, %s at pH %g: %v", c.entry, c.substance, c.ph, got)
		}
	}
	if got := Check(Product{Contains: one(ThioglycolicAcid, 5), PH: 3}, EuropeanUnion, General); len(got) != 0 {
		t.Errorf("no pH declared, yet %v", got)
	}
	if got := Check(Product{one(SodiumHydroxide, 1), 13, Measured}, EuropeanUnion, General); len(got) != 0 {
		t.Errorf("the range is not for hydroxides, yet %v", got)
	}
}

// Annex II, entry 1577: formaldehyde is prohibited, in whatever amount.
func TestFormaldehydeIsProhibited(t *testing.T) {
	for _, place := range []Jurisdiction{EuropeanUnion, UnitedKingdom, Unstated} {
		got := Check(Product{Contains: one(Formaldehyde, 1e-6)}, place, Professional)
		if len(got) != 1 || got[0].Limit.Annex != "II" || got[0].Limit.Entry != "1577" || got[0].Allowed != 0 {
			t.Errorf("place %d: %v", place, got)
		}
		if got := Check(Product{Contains: one(Formaldehyde, 0)}, place, Professional); len(got) != 0 {
			t.Errorf("place %d, none in it: %v", place, got)
		}
	}
}

// Annex V, preamble, point 2: releasers are labelled above 0.001 % of released
// formaldehyde in the Union (Regulation (EU) 2022/1181), 0.05 % before that and in
// the text retained by the United Kingdom. Annex III, entry 4: ammonia is labelled
// above 2 %.
func TestDutiesToLabel(t *testing.T) {
	for _, c := range []struct {
		place        Jurisdiction
		annex, entry string
		substance    Substance
		above        float64
	}{
		{EuropeanUnion, "V", "preamble 2", ReleasedFormaldehyde, 0.001},
		{Unstated, "V", "preamble 2", ReleasedFormaldehyde, 0.001},
		{UnitedKingdom, "V", "preamble 2", ReleasedFormaldehyde, 0.05},
		{EuropeanUnion, "III", "4", Ammonia, 2},
		{UnitedKingdom, "III", "4", Ammonia, 2},
	} {
		for _, percent := range []float64{c.above * 0.99, c.above} {
			if got := Check(Product{Contains: one(c.substance, percent)}, c.place, General); len(got) != 0 {
				t.Errorf("%g %% %s: %v", percent, c.substance, got)
			}
		}
		got := Check(Product{Contains: one(c.substance, c.above*1.01)}, c.place, General)
		if len(got) != 1 || !got[0].Limit.LabelOnly || got[0].Limit.Annex != c.annex || got[0].Limit.Entry != c.entry {
			t.Errorf("%s over %g %%: %v", c.substance, c.above, got)
		}
	}
}

// No federal limit on hydroxide in relaxers in the United States: nothing to
// exceed (21 CFR 700 and 740; from memory).
func TestUnitedStatesHaveNoFederalLimit(t *testing.T) {
	if got := Check(Product{Contains: one(SodiumHydroxide, 9)}, UnitedStates, General); got != nil {
		t.Errorf("got %v", got)
	}
}

func TestUnstatedUseAndPlaceAreTheStricterOnes(t *testing.T) {
	p := Product{Contains: one(SodiumHydroxide, 3)}
	for _, use := range []Use{0, General, 7, -1} {
		for _, place := range []Jurisdiction{0, EuropeanUnion, 99, -1} {
			if got := Check(p, place, use); len(got) != 1 || got[0].Allowed != 2 {
				t.Errorf("place %d, use %d: %v", place, use, got)
			}
		}
	}
}

func TestExceedanceInWords(t *testing.T) {
	for want, p := range map[string]Product{
		"2.505 % m/m as sodium hydroxide: Regulation (EC) No 1223/2009, Annex III, entry 15a/15b allows 2 %":                               {Contains: one(LithiumHydroxide, 1.5)},
		"0.1 % m/m as formaldehyde: Regulation (EC) No 1223/2009, Annex II, entry 1577 prohibits it":                                       {Contains: one(Formaldehyde, 0.1)},
		"0.01 % m/m as released formaldehyde: Regulation (EC) No 1223/2009, Annex V, entry preamble 2 wants it on the label above 0.001 %": {Contains: one(ReleasedFormaldehyde, 0.01)},
		"pH 9.80 with thioglycolic acid: Regulation (EC) No 1223/2009, Annex III, entry 2a allows pH 7 to 9.5":                             {one(ThioglycolicAcid, 5), 9.8, Measured},
	} {
		got := Check(p, EuropeanUnion, General)
		if len(got) != 1 || got[0].String() != want {
			t.Errorf("got %v, want %s", got, want)
		}
	}
}

func TestUnreadablePercentageCannotSlipUnderALimit(t *testing.T) {
	for _, percent := range []float64{math.NaN(), math.Inf(1), 1000} {
		if got := Check(Product{Contains: one(CalciumHydroxide, percent)}, EuropeanUnion, Professional); len(got) != 1 || got[0].Found != 100 {
			t.Errorf("%g %%: %v", percent, got)
		}
	}
}
