package alkali

import "fmt"

// Jurisdiction is whose product law applies. The zero value, a place not stated,
// is held to the European limits as a caution.
type Jurisdiction int

// The places whose limits are known here.
const (
	Unstated Jurisdiction = iota
	EuropeanUnion
	UnitedKingdom
	UnitedStates
)

// Use is who the product may be sold to. The zero value is the stricter one.
type Use int

// General is sale to anybody; Professional is use by the trade only.
const (
	General Use = iota
	Professional
)

// Limit is one line of the law for products that straighten or wave hair.
type Limit struct {
	Regulation string
	Annex      string
	Entry      string
	Of         []Substance // what counts towards it, added up
	As         Substance   // the substance the sum is expressed as
	Percent    float64     // % m/m that may not be exceeded; 0 means prohibited
	LabelOnly  bool        // above Percent the label must say so; selling it stays lawful
	MinPH      float64     // pH as applied; both zero where the law gives no range
	MaxPH      float64
}

// Exceedance is one limit that a product breaks. Unit is "% m/m" or "pH"; Allowed
// is the bound that was passed and Found what the product has, in that unit and
// expressed as the limit's substance.
type Exceedance struct {
	Limit   Limit
	Found   float64
	Allowed float64
	Unit    string
}

// String says the exceedance in one line, with the law's own place.
func (e Exceedance) String() string {
	where := fmt.Sprintf("%s, Annex %s, entry %s", e.Limit.Regulation, e.Limit.Annex, e.Limit.Entry)
	switch {
	case e.Unit == "pH":
		return fmt.Sprintf("pH %.2f with %s: %s allows pH %g to %g", e.Found, e.Limit.As, where, e.Limit.MinPH, e.Limit.MaxPH)
	case e.Limit.LabelOnly:
		return fmt.Sprintf("%.4g %% m/m as %s: %s wants it on the label above %g %%", e.Found, e.Limit.As, where, e.Allowed)
	case e.Allowed == 0:
		return fmt.Sprintf("%.4g %% m/m as %s: %s prohibits it", e.Found, e.Limit.As, where)
	}
	return fmt.Sprintf("%.4g %% m/m as %s: %s allows %g %%", e.Found, e.Limit.As, where, e.Allowed)
}

// Check lists the limits a product breaks, in the order of Limits. A range of pH
// is checked only if a pH is declared: not to declare one breaks nothing. Numbers
// that are no percentages are counted on the safe side; see Plausible.
func Check(p Product, j Jurisdiction, u Use) []Exceedance {
	var broken []Exceedance
	for _, limit := range Limits(j, u) {
		found := express(p.Contains, limit.As, limit.Of)
		if exceeds(found, limit.Percent) {
			broken = append(broken, Exceedance{limit, found, limit.Percent, "% m/m"})
		}
		if bound, out := outside(p, limit); found > 0 && out {
			broken = append(broken, Exceedance{limit, p.PH, bound, "pH"})
		}
	}
	return broken
}

// exceeds leaves room for the rounding of a sum of products of float64, one part
// in 10^9: far below what a laboratory can weigh, far above the rounding.
func exceeds(found, allowed float64) bool {
	return found > allowed*(1+1e-9)
}

// outside tells whether a declared pH leaves the limit's range, and which end.
// A pH that is not a number is for Plausible to refuse.
func outside(p Product, l Limit) (bound float64, out bool) {
	switch {
	case p.Method == NoPH || l.MaxPH == 0:
		return 0, false
	case p.PH < l.MinPH:
		return l.MinPH, true
	}
	return l.MaxPH, p.PH > l.MaxPH
}

// Limits are the lines of law for a straightening or waving product in one place
// and use. The United States set no federal limit on hydroxide in relaxers (21
// CFR 700 and 740; from memory) and have none here: state boards govern practice,
// not composition.
func Limits(j Jurisdiction, u Use) []Limit {
	const regulation = "Regulation (EC) No 1223/2009"
	switch j {
	case UnitedStates:
		return nil
	case EuropeanUnion:
		return european(regulation, u, 0.001)
	case UnitedKingdom:
		// Retained as it stood on 31 December 2020, with the older labelling
		// threshold: Regulation (EU) 2022/1181 came later. Whether the United
		// Kingdom has since followed is not confirmed.
		return european(regulation+" as retained in UK law", u, 0.05)
	}
	return european(regulation+" (as a caution: the place is not stated)", u, 0.001)
}

// european is the table of Regulation (EC) No 1223/2009 for hair straightening and
// waving: Annex III in the consolidated text (15a with the corrigendum of 31 July
// 2024; 12 by Regulation (EU) 2019/831), Annex II entry 1577, and point 2 of the
// preamble of Annex V (Regulation (EU) 2022/1181; releasers). Entry 15c is written
// for calcium hydroxide used with a guanidine salt; it is applied to any calcium
// hydroxide, mixed as put on the hair. Other kinds of product (shampoos, depilatories,
// dyes) have other figures, which are not here.
func european(regulation string, u Use, releasedLabel float64) []Limit {
	thioglycolates := []Substance{ThioglycolicAcid, AmmoniumThioglycolate}
	sulfites := []Substance{SodiumSulfite, SodiumBisulfite, AmmoniumBisulfite, SulfurDioxide}
	table := []Limit{
		{Entry: "15a/15b", Of: alkaliHydroxides(), As: SodiumHydroxide, Percent: tier(u, 2, 4.5)},
		{Entry: "15c", Of: []Substance{CalciumHydroxide}, As: CalciumHydroxide, Percent: 7},
		{Entry: "2a", Of: thioglycolates, As: ThioglycolicAcid, Percent: tier(u, 8, 11), MinPH: 7, MaxPH: 9.5},
		{Entry: "2b", Of: []Substance{GlycerylThioglycolate}, As: ThioglycolicAcid, Percent: tier(u, 8, 11), MinPH: 6, MaxPH: 9.5},
		{Entry: "99", Of: sulfites, As: SulfurDioxide, Percent: 6.7},
		{Entry: "12", Of: []Substance{HydrogenPeroxide}, As: HydrogenPeroxide, Percent: 12},
		{Entry: "4", Of: []Substance{Ammonia}, As: Ammonia, Percent: 6},
		{Entry: "4", Of: []Substance{Ammonia}, As: Ammonia, Percent: 2, LabelOnly: true},
		{Annex: "II", Entry: "1577", Of: []Substance{Formaldehyde}, As: Formaldehyde, Percent: 0},
		{Annex: "V", Entry: "preamble 2", Of: []Substance{ReleasedFormaldehyde}, As: ReleasedFormaldehyde, Percent: releasedLabel, LabelOnly: true},
	}
	for i := range table {
		table[i].Regulation = regulation
		if table[i].Annex == "" {
			table[i].Annex = "III"
		}
	}
	return table
}

// tier picks the figure for the use; anything but professional is general.
func tier(u Use, general, professional float64) float64 {
	if u == Professional {
		return professional
	}
	return general
}
