// Package alkali is the chemistry behind the catalogue's checks: what a
// product's declared composition weighs against the law of a place, and whether
// its declared pH can be true.
//
// It is pure: values in, values out; no clock, no files, no network. Percentages
// are percent by mass (% m/m) of the product as it is put on the hair, mixed if
// it comes in two parts. Temperatures are degrees Celsius.
//
// Three things it does not say. A computed pH belongs to a solution in water and
// is an upper bound for a cream; it is never comparable with a measured one as an
// equal. pH is not strength. And a product within every limit here can still
// burn: the manufacturer's directions come first.
package alkali

// Substance is one ingredient that a limit or a pH depends on. The zero value is
// no substance at all.
type Substance int

// The substances the limits know. Two are declared quantities, not bottles:
// SulfurDioxide stands for sulfites whose free SO2 is declared directly, and
// ReleasedFormaldehyde for the total that releasing preservatives can give off.
const (
	UnknownSubstance Substance = iota
	SodiumHydroxide
	PotassiumHydroxide
	LithiumHydroxide
	LithiumHydroxideMonohydrate
	CalciumHydroxide
	GuanidineCarbonate
	ThioglycolicAcid
	AmmoniumThioglycolate
	GlycerylThioglycolate
	SodiumSulfite
	SodiumBisulfite
	AmmoniumBisulfite
	SulfurDioxide
	HydrogenPeroxide
	Ammonia
	Formaldehyde
	ReleasedFormaldehyde
)

// Part is one declared ingredient: Percent is % m/m of the product as applied.
type Part struct {
	Substance Substance
	Percent   float64
}

// Composition is what a product declares. A substance named twice is added up;
// whatever is not declared is taken to be water.
//
// The order of the parts does not matter, except that objections name a part by its
// index.
type Composition []Part

// Method says how a declared pH was come by; the zero value means none was.
type Method int

// The ways a pH is declared.
const (
	NoPH     Method = iota // no pH is declared
	Computed               // worked out from the composition
	Measured               // read with an instrument or paper in the product itself
)

// Product is what the catalogue knows of the chemistry of one product. PH counts
// only if Method says where it comes from.
type Product struct {
	Contains Composition
	PH       float64
	Method   Method
}

// Standard atomic weights, abridged to five significant figures: IUPAC/CIAAW 2021,
// T. Prohaska et al., Pure Appl. Chem. 94 (2022) 573-600, Table 2. Lithium's is
// given as 6.94 +- 0.06 because commercial lithium varies, so the fourth digit of
// a lithium factor is not significant.
const (
	hydrogen  = 1.0080
	lithium   = 6.94
	carbon    = 12.011
	nitrogen  = 14.007
	oxygen    = 15.999
	sodium    = 22.990
	sulfur    = 32.06
	potassium = 39.098
	calcium   = 40.078
)

// MolarMass is in g/mol; 0 for an unknown substance.
func MolarMass(s Substance) float64 {
	const hydroxide, water = oxygen + hydrogen, oxygen + 2*hydrogen
	const acid = 2*carbon + 4*hydrogen + 2*oxygen + sulfur // HS-CH2-COOH
	const sulfite, ammonium = sulfur + 3*oxygen, nitrogen + 4*hydrogen
	switch s {
	case SodiumHydroxide:
		return sodium + hydroxide
	case PotassiumHydroxide:
		return potassium + hydroxide
	case LithiumHydroxide:
		return lithium + hydroxide
	case LithiumHydroxideMonohydrate:
		return lithium + hydroxide + water
	case CalciumHydroxide:
		return calcium + 2*hydroxide
	case GuanidineCarbonate: // (CH6N3)2CO3
		return 3*carbon + 12*hydrogen + 6*nitrogen + 3*oxygen
	case ThioglycolicAcid:
		return acid
	case AmmoniumThioglycolate:
		return acid - hydrogen + ammonium
	case GlycerylThioglycolate: // the acid and glycerol (C3H8O3), less water
		return acid + 3*carbon + 8*hydrogen + 3*oxygen - water
	case SodiumSulfite:
		return 2*sodium + sulfite
	case SodiumBisulfite:
		return sodium + hydrogen + sulfite
	case AmmoniumBisulfite:
		return ammonium + hydrogen + sulfite
	case SulfurDioxide:
		return sulfur + 2*oxygen
	case HydrogenPeroxide:
		return 2*hydrogen + 2*oxygen
	case Ammonia:
		return nitrogen + 3*hydrogen
	case Formaldehyde, ReleasedFormaldehyde:
		return carbon + 2*hydrogen + oxygen
	}
	return 0
}

// String is the substance's name in plain words.
func (s Substance) String() string {
	switch s {
	case SodiumHydroxide:
		return "sodium hydroxide"
	case PotassiumHydroxide:
		return "potassium hydroxide"
	case LithiumHydroxide:
		return "lithium hydroxide"
	case LithiumHydroxideMonohydrate:
		return "lithium hydroxide monohydrate"
	case CalciumHydroxide:
		return "calcium hydroxide"
	case GuanidineCarbonate:
		return "guanidine carbonate"
	case ThioglycolicAcid:
		return "thioglycolic acid"
	case AmmoniumThioglycolate:
		return "ammonium thioglycolate"
	case GlycerylThioglycolate:
		return "glyceryl thioglycolate"
	case SodiumSulfite:
		return "sodium sulfite"
	case SodiumBisulfite:
		return "sodium bisulfite"
	case AmmoniumBisulfite:
		return "ammonium bisulfite"
	case SulfurDioxide:
		return "free sulfur dioxide"
	case HydrogenPeroxide:
		return "hydrogen peroxide"
	case Ammonia:
		return "ammonia"
	case Formaldehyde:
		return "formaldehyde"
	case ReleasedFormaldehyde:
		return "released formaldehyde"
	}
	return "unknown substance"
}
