package alkali

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// near fails unless got is within tolerance of want.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.5f, want %.5f within %g", what, got, want, tolerance)
	}
}

// one is a composition of a single part.
func one(s Substance, percent float64) Composition {
	return Composition{{s, percent}}
}

// Molar masses as handbooks print them (from memory), against our sums of the
// abridged standard atomic weights (IUPAC/CIAAW 2021; Pure Appl. Chem. 94 (2022)
// 573-600). Handbooks still use lithium 6.941; the abridged weight is 6.94 +- 0.06.
func TestMolarMasses(t *testing.T) {
	for s, want := range map[Substance]float64{
		SodiumHydroxide:             39.997,
		PotassiumHydroxide:          56.106,
		LithiumHydroxide:            23.948,
		LithiumHydroxideMonohydrate: 41.963,
		CalciumHydroxide:            74.093,
		GuanidineCarbonate:          180.17,
		ThioglycolicAcid:            92.12,
		AmmoniumThioglycolate:       109.15,
		GlycerylThioglycolate:       166.19,
		SodiumSulfite:               126.04,
		SodiumBisulfite:             104.06,
		AmmoniumBisulfite:           99.11,
		SulfurDioxide:               64.06,
		HydrogenPeroxide:            34.01,
		Ammonia:                     17.03,
		Formaldehyde:                30.03,
		ReleasedFormaldehyde:        30.03,
	} {
		near(t, s.String(), MolarMass(s), want, 0.01)
	}
	if MolarMass(UnknownSubstance) != 0 || MolarMass(-1) != 0 || MolarMass(ReleasedFormaldehyde+1) != 0 {
		t.Error("an unknown substance has a molar mass")
	}
}

// Every substance has a name and a mass: a new one cannot be half added.
func TestEverySubstanceIsComplete(t *testing.T) {
	names := map[string]bool{}
	for s := UnknownSubstance + 1; s <= ReleasedFormaldehyde; s++ {
		if MolarMass(s) == 0 || s.String() == UnknownSubstance.String() || names[s.String()] {
			t.Errorf("substance %d: %q, %g g/mol", s, s, MolarMass(s))
		}
		names[s.String()] = true
	}
}

// Conversion factors: ratios of molar masses 39.997 / 56.106 / 23.948 / 41.963.
// The last digit of a lithium factor is within IUPAC's +- 0.06 for lithium, so the
// tolerance is one in it.
func TestFactorsToSodiumHydroxide(t *testing.T) {
	near(t, "KOH", Factor(PotassiumHydroxide, SodiumHydroxide), 0.7129, 0.00005)
	near(t, "LiOH", Factor(LithiumHydroxide, SodiumHydroxide), 1.6702, 0.0001)
	near(t, "LiOH.H2O", Factor(LithiumHydroxideMonohydrate, SodiumHydroxide), 0.9531, 0.0001)
	near(t, "NaOH", Factor(SodiumHydroxide, SodiumHydroxide), 1, 0)
	near(t, "unknown", Factor(UnknownSubstance, SodiumHydroxide), 0, 0)
	near(t, "to unknown", Factor(SodiumHydroxide, UnknownSubstance), 0, 0)
}

// Regulation (EC) No 1223/2009, Annex III, notes to entries 15a and 15b: sodium,
// potassium and lithium hydroxide are expressed as sodium hydroxide and added up.
func TestMixtureIsSummedAsSodiumHydroxide(t *testing.T) {
	mixture := Composition{{SodiumHydroxide, 1}, {PotassiumHydroxide, 1}, {LithiumHydroxide, 0.5}, {LithiumHydroxideMonohydrate, 0.25}}
	near(t, "mixture", EquivalentNaOH(mixture), 1+0.7129+0.5*1.6702+0.25*0.9531, 0.0002)
	twice := Composition{{SodiumHydroxide, 1.25}, {SodiumHydroxide, 1}}
	near(t, "named twice", EquivalentNaOH(twice), 2.25, 1e-12)
	others := Composition{{CalciumHydroxide, 7}, {ThioglycolicAcid, 8}, {Ammonia, 2}, {UnknownSubstance, 9}}
	near(t, "calcium, thioglycolate, ammonia", EquivalentNaOH(others), 0, 0)
}

func TestUnreadablePercentagesCountOnTheSafeSide(t *testing.T) {
	near(t, "negative hides nothing", EquivalentNaOH(Composition{{SodiumHydroxide, 3}, {PotassiumHydroxide, -9}}), 3, 0)
	for _, percent := range []float64{math.NaN(), math.Inf(1), 101} {
		near(t, "not a percentage", EquivalentNaOH(one(SodiumHydroxide, percent)), 100, 0)
	}
	near(t, "minus infinity", EquivalentNaOH(one(SodiumHydroxide, math.Inf(-1))), 0, 0)
}

// Law: more of any hydroxide never lowers the equivalent, and order is no matter.
func TestEquivalentNeverFalls(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawComposition(t)
		before := EquivalentNaOH(c)
		more := Part{Substance(rapid.IntRange(-1, int(ReleasedFormaldehyde)+1).Draw(t, "more")), rapid.Float64().Draw(t, "percent")}
		if after := EquivalentNaOH(append(c, more)); after < before || math.IsNaN(after) {
			t.Fatalf("%v more made %g into %g", more, before, after)
		}
	})
}

// drawComposition draws any parts, sensible or not.
func drawComposition(t *rapid.T) Composition {
	part := rapid.Custom(func(t *rapid.T) Part {
		return Part{Substance(rapid.IntRange(-1, int(ReleasedFormaldehyde)+1).Draw(t, "substance")), rapid.Float64().Draw(t, "percent")}
	})
	return rapid.SliceOfN(part, 0, 6).Draw(t, "composition")
}
