package alkali

import (
	"errors"
	"fmt"
	"math"
)

// highestMolality, in mol of hydroxide per kg of water, is where the activity
// model stops: the range of the lithium hydroxide parameters, and about 17 % m/m
// of sodium hydroxide, far beyond anything for hair.
const highestMolality = 5.0

// PHBound is the highest pH the declared hydroxide can give in water at a
// temperature from 15 to 50 degrees: pKw + log10 of the activity of hydroxide.
//
// Convention and accuracy: activity on the molal scale, the hydroxide ion's
// coefficient taken as the mean coefficient, water's activity as 1 (together
// within 0.02 up to 4.5 % NaOH), coefficients of 25 degrees used throughout. By
// concentration alone the answer would be about 0.15 higher. It is an error if
// no hydroxide is declared or the composition is beyond the model.
func PHBound(c Composition, celsius float64) (float64, error) {
	pKw, err := PKw(celsius)
	if err != nil {
		return 0, err
	}
	m, err := dissolve(c)
	if err != nil {
		return 0, err
	}
	activity := m.alkaliActivity() + m.limeActivity(limeWaterPH(celsius)-pKw)
	// Water gives hydroxide of its own, which matters only to traces.
	activity = (activity + math.Sqrt(activity*activity+4*math.Pow(10, -pKw))) / 2
	return pKw + math.Log10(activity), nil
}

// PKw is the negative logarithm of water's ion product, molal scale, at saturation
// pressure: CRC Handbook of Chemistry and Physics, 86th ed. (2005), p. 8-79, after
// Marshall and Franck 1981, from 15 to 50 degrees. Between the five-degree rows it
// is interpolated linearly, which is at most 0.0012 too high.
func PKw(celsius float64) (float64, error) {
	value, ok := interpolate(celsius, [][2]float64{
		{15, 14.340}, {20, 14.163}, {25, 13.995}, {30, 13.836},
		{35, 13.685}, {40, 13.542}, {45, 13.405}, {50, 13.275},
	})
	if !ok {
		return 0, fmt.Errorf("temperature %g degrees Celsius is not between 15 and 50", celsius)
	}
	return value, nil
}

// limeWaterPH is the pH of water saturated with calcium hydroxide: 12.45 at 25
// degrees, 0.033 less for each degree more; Bates, Bower and Smith, J. Res. NBS 56
// (1956) 305. A straight line is good to 0.02 from 20 to 30 degrees.
func limeWaterPH(celsius float64) float64 {
	return 12.45 - 0.033*(celsius-25)
}

// dissolved holds the hydroxide of a composition, mol per kg of water.
type dissolved struct {
	sodium, potassium, lithium float64
	lime                       float64 // hydroxide of calcium hydroxide, dissolved or not
	guanidine                  float64 // hydroxide that the guanidine salt sets free
}

// dissolve finds the hydroxide in a composition, or says why the model cannot.
func dissolve(c Composition) (dissolved, error) {
	mol, water := moles(c)
	if water <= 0 {
		return dissolved{}, errors.New("the declared parts leave no water")
	}
	m := dissolved{
		sodium:    mol[SodiumHydroxide] / water,
		potassium: mol[PotassiumHydroxide] / water,
		lithium:   mol[LithiumHydroxide] / water,
		lime:      2 * mol[CalciumHydroxide] / water,
	}
	m.guanidine = guanidineHydroxide(min(m.lime, 2*mol[GuanidineCarbonate]/water))
	total := m.alkali()
	switch {
	case total+m.lime == 0:
		return m, errors.New("no hydroxide is declared")
	case total > highestMolality:
		return m, fmt.Errorf("%.1f mol of hydroxide per kg of water is beyond %g, where the model ends", total, highestMolality)
	}
	return m, nil
}

// moles counts each substance in 100 g of product and the kilograms of water left,
// taking all that is not declared for water. A monohydrate brings water of its own,
// so it enters as the lithium hydroxide in it.
//
// Unreadable percentages count as explained at readable.
func moles(c Composition) (mol map[Substance]float64, water float64) {
	grams, mol := 100.0, map[Substance]float64{}
	for _, part := range c {
		s, solid := part.Substance, readable(part.Percent)
		if s == LithiumHydroxideMonohydrate {
			s, solid = LithiumHydroxide, solid*Factor(s, LithiumHydroxide)
		}
		grams -= solid
		if mass := MolarMass(s); mass > 0 {
			mol[s] += solid / mass
		}
	}
	return mol, grams / 1000
}

// guanidineHydroxide is how much of a guanidine base, set free by lime taking up
// its carbonate, ionizes: x*x/(base-x) = Kb, with Kb = 0.4 mol/kg from the pKa 13.6
// of guanidinium at 25 degrees (secondary texts; not confirmed in a primary one).
func guanidineHydroxide(base float64) float64 {
	const kb = 0.4
	return (math.Sqrt(kb*kb+4*kb*base) - kb) / 2
}

// alkali is the hydroxide that does not come from lime as such.
//
// The unit is mol per kg of water.
func (m dissolved) alkali() float64 {
	return m.sodium + m.potassium + m.lithium + m.guanidine
}

// alkaliActivity is the activity of the fully dissolved hydroxide. In a mixture
// each salt's ln gamma at the total ionic strength is weighted by its share of it:
// Pitzer's equation for an ion in a mixture with one common anion, without the
// small terms for pairs of cations. Guanidinium is taken to behave like sodium.
func (m dissolved) alkaliActivity() float64 {
	total := m.alkali()
	if total == 0 {
		return 0
	}
	lnGamma := (m.sodium+m.guanidine)/total*lnMeanActivity(SodiumHydroxide, total) +
		m.potassium/total*lnMeanActivity(PotassiumHydroxide, total) +
		m.lithium/total*lnMeanActivity(LithiumHydroxide, total)
	return total * math.Exp(lnGamma)
}

// limeActivity is the activity of hydroxide from lime. It is counted as free ions
// with sodium hydroxide's coefficient, which is above the truth, and never as more
// than the saturated solution (its log10 given) has.
func (m dissolved) limeActivity(saturatedLog10 float64) float64 {
	free := m.lime * math.Exp(lnMeanActivity(SodiumHydroxide, m.lime))
	return min(free, math.Pow(10, saturatedLog10))
}

// lnMeanActivity is ln of the mean activity coefficient of a one-to-one hydroxide
// at 25 degrees by Pitzer's equation. Parameters: May, Rowland, Hefter,
// Koenigsberger, J. Chem. Eng. Data 56 (2011) 5066-5077 (up to 11.5, 14 and 5
// mol/kg). A_phi = 0.3915, b = 1.2 and alpha = 2 are Pitzer's usual constants,
// from memory. For lithium and potassium older parameter sets differ by 6 to 7 %,
// which is 0.03 in pH.
func lnMeanActivity(s Substance, molality float64) float64 {
	const aPhi, b, alpha = 0.3915, 1.2, 2.0
	if molality < 1e-12 {
		return 0 // ideal to 2 in 10^6, and the division below would lose its digits
	}
	beta0, beta1, cPhi := 0.09226, 0.2424, 0.003343 // sodium
	switch s {
	case PotassiumHydroxide:
		beta0, beta1, cPhi = 0.1611, 0.137, -0.00138
	case LithiumHydroxide:
		beta0, beta1, cPhi = 0.04217, -0.08799, -0.00065
	}
	root := math.Sqrt(molality)
	debye := -aPhi * (root/(1+b*root) + 2/b*math.Log1p(b*root))
	x := alpha * root
	second := 2*beta0 + 2*beta1/(x*x)*(1-(1+x-x*x/2)*math.Exp(-x))
	return debye + molality*second + molality*molality*1.5*cPhi
}
