package alkali

import "math"

// Factor turns a mass of one substance into the mass of another with as many
// moles: Factor(PotassiumHydroxide, SodiumHydroxide) is 0.7129. It is 0 if either
// is unknown.
func Factor(of, as Substance) float64 {
	if MolarMass(of) == 0 {
		return 0
	}
	return MolarMass(as) / MolarMass(of)
}

// EquivalentNaOH is the sodium, potassium and lithium hydroxide of a composition
// added up as % m/m of sodium hydroxide, the way the law counts them (Regulation
// (EC) No 1223/2009, Annex III, entries 15a and 15b, notes). Comparing the plain
// percentages passes a lithium product at 1.67 times the limit.
func EquivalentNaOH(c Composition) float64 {
	return express(c, SodiumHydroxide, alkaliHydroxides())
}

// alkaliHydroxides are the ones the law adds up with each other.
func alkaliHydroxides() []Substance {
	return []Substance{SodiumHydroxide, PotassiumHydroxide, LithiumHydroxide, LithiumHydroxideMonohydrate}
}

// express adds up those parts of c that are in of, as % m/m of another substance.
//
// Parts outside of the list count nothing.
func express(c Composition, as Substance, of []Substance) float64 {
	sum := 0.0
	for _, part := range c {
		for _, s := range of {
			if part.Substance == s {
				sum += readable(part.Percent) * Factor(s, as)
			}
		}
	}
	return sum
}

// readable makes any number a percentage on the safe side: below nothing counts
// as nothing, so that it cannot hide another part; what is no number or above all
// counts as all, so that it cannot slip under a limit. Plausible names each one.
func readable(percent float64) float64 {
	if math.IsNaN(percent) || percent > 100 {
		return 100
	}
	return max(percent, 0)
}
