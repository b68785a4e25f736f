package alkali

import (
	"fmt"
	"math"
)

// Tolerances of a declared pH against the computed bound at 25 degrees, pH units.
const (
	// A pH computed elsewhere may leave out activity (0.18 too high at 4.5 % NaOH)
	// and be for 20 degrees (0.17 higher than for 25).
	computedAbove = 0.35
	// Or be for up to 40 degrees (0.45 lower), with other activity tables (0.03).
	computedBelow = 0.5
	// An emulsion that is only half water holds its hydroxide twice as strong in
	// that water (log10 2 = 0.30); an electrode is good to about 0.1 there (common
	// practice).
	measuredAbove = 0.4
	// 121 relaxers measured 11.75 to 13.17 (Sishi, van Wyk and Khumalo, S Afr Med J
	// 2019;109:941-946) where 1.85 to 2.4 % NaOH computes to 13.51 to 13.62: up to
	// about 2 units below the bound.
	measuredBelow = 2.0
)

// relaxingStrength is the hydroxide, % m/m as NaOH or as Ca(OH)2, from which a low
// declared pH is doubted: weaker amounts may be there to adjust an acid product,
// whose acid is not among the substances here (common practice).
const relaxingStrength = 1.0

// highestWithoutHydroxide is the pH above which a hydroxide must have been left
// out: 6 % ammonia, the strongest other base listed, computes to about 11.9 (Kb
// 1.8e-5, from memory), and measuredAbove is allowed for.
const highestWithoutHydroxide = 12.3

// What an Objection is about.
const (
	AboutSubstance   = "substance"
	AboutPercent     = "percent"
	AboutComposition = "composition"
	AboutPH          = "ph"
)

// Objection is a reason not to believe a declaration. Part is the index of the
// part it is about, -1 if it is about the whole; Text is in plain language and
// says what would be right.
//
// It never says that a product is dangerous or safe: it says that a number cannot be
// right.
type Objection struct {
	About string
	Part  int
	Text  string
}

// Plausible lists what cannot be true in a product's declaration, nothing if all
// of it can. It first reads the numbers; only if they can be read does it compare
// the declared pH with the composition.
func Plausible(p Product) []Objection {
	objections := append(doubtParts(p.Contains), doubtNumberPH(p)...)
	if len(objections) > 0 {
		return objections
	}
	switch {
	case len(p.Contains) == 0:
		return nil
	case !containsHydroxide(p.Contains):
		return doubtWithoutHydroxide(p)
	}
	return doubtPH(p)
}

// doubtParts reads each part and their sum.
func doubtParts(c Composition) []Objection {
	var objections []Objection
	sum := 0.0
	for i, part := range c {
		if MolarMass(part.Substance) == 0 {
			objections = append(objections, Objection{AboutSubstance, i, "this substance is not known; name one of the listed substances"})
		}
		if !(part.Percent >= 0 && part.Percent <= 100) {
			objections = append(objections, Objection{AboutPercent, i, "the percentage by mass of " + part.Substance.String() + " must be a number from 0 to 100"})
		}
		sum += readable(part.Percent)
	}
	const rounding = 1 + 1e-9 // of a sum of float64, far below what a laboratory can weigh
	if sum > 100*rounding && len(objections) == 0 {
		objections = append(objections, Objection{AboutComposition, -1, fmt.Sprintf("the parts add up to %.4g %% by mass; a product has 100 at most", sum)})
	}
	return objections
}

// doubtNumberPH refuses what no water-based product can read.
func doubtNumberPH(p Product) []Objection {
	switch {
	case p.Method == NoPH:
		return nil
	case p.Method != Computed && p.Method != Measured:
		return about(AboutPH, "say whether the pH was computed or measured; the two are not comparable")
	case !(p.PH >= 0 && p.PH <= 15):
		return about(AboutPH, "the pH must be a number from 0 to 15")
	}
	return nil
}

// doubtWithoutHydroxide catches the hydroxide somebody forgot to declare.
func doubtWithoutHydroxide(p Product) []Objection {
	if p.Method == NoPH || p.PH <= highestWithoutHydroxide {
		return nil
	}
	return about(AboutPH, "pH %.2f needs a hydroxide and none is declared; declare it with its percentage, or correct the pH", p.PH)
}

// doubtPH compares a declared pH with the bound of the declared hydroxide, and
// doubts hydroxide in amounts that no product for hair has.
func doubtPH(p Product) []Objection {
	const celsius = 25 // where labels and data sheets give pH unless they say otherwise
	bound, err := PHBound(p.Contains, celsius)
	if err != nil {
		return about(AboutComposition, "%s; no product for hair is like that", err)
	}
	above, below := measuredAbove, measuredBelow
	if p.Method == Computed {
		above, below = computedAbove, computedBelow
	}
	switch {
	case p.Method == NoPH:
		return nil
	case p.PH > bound+above:
		return about(AboutPH, "pH %.2f is too high for what is declared: in water at 25 degrees Celsius it reaches %.2f at most; correct the pH, or declare what else is in the product, also after mixing", p.PH, bound)
	case p.PH < lowest(p.Contains)-below:
		return about(AboutPH, "pH %.2f is too low for what is declared: in water at 25 degrees Celsius it reaches %.2f, and relaxers are measured up to about 2 below that; correct the pH or the percentages", p.PH, bound)
	}
	return nil
}

// lowest is the bound a low pH is held against: the composition's without what the
// guanidine salt may or may not set free. There is none where the hydroxide is
// weak, or may have been taken up by an acid declared beside it.
func lowest(c Composition) float64 {
	var sure Composition
	lime := 0.0
	for _, part := range c {
		switch part.Substance {
		case ThioglycolicAcid, AmmoniumThioglycolate, GlycerylThioglycolate, SodiumBisulfite, AmmoniumBisulfite, SulfurDioxide:
			return math.Inf(-1)
		case CalciumHydroxide:
			lime += part.Percent
		}
		if part.Substance != GuanidineCarbonate {
			sure = append(sure, part)
		}
	}
	if EquivalentNaOH(c) < relaxingStrength && lime < relaxingStrength {
		return math.Inf(-1)
	}
	bound, err := PHBound(sure, 25)
	if err != nil {
		return math.Inf(-1)
	}
	return bound
}

// containsHydroxide tells whether any hydroxide at all is declared.
func containsHydroxide(c Composition) bool {
	return EquivalentNaOH(c) > 0 || express(c, CalciumHydroxide, []Substance{CalciumHydroxide}) > 0
}

// about is one objection to the product as a whole.
func about(field, format string, arguments ...any) []Objection {
	return []Objection{{field, -1, fmt.Sprintf(format, arguments...)}}
}
