package alkali

import "fmt"

// Molarity is mol of sodium hydroxide per litre at 25 degrees for % m/m in water,
// from 0 to about 16.7 %. The density is from a table of densities of NaOH(aq) by
// molality consistent with IAPWS-95 (advancedthermo.com, read 2026; pure water
// 0.99705), interpolated linearly, which is at most 0.0001 g/mL too low.
//
// Outside of that range the error says so; nothing is extrapolated.
func Molarity(percentNaOH float64) (float64, error) {
	if !(percentNaOH >= 0 && percentNaOH < 100) {
		return 0, fmt.Errorf("%g is not a percentage of sodium hydroxide in water", percentNaOH)
	}
	molality := percentNaOH / MolarMass(SodiumHydroxide) * 1000 / (100 - percentNaOH)
	density, ok := interpolate(molality, [][2]float64{
		{0, 0.99705}, {0.1, 1.00149}, {0.2, 1.00584}, {0.3, 1.01014}, {0.4, 1.01440},
		{0.5, 1.01860}, {0.6, 1.02277}, {0.7, 1.02691}, {0.8, 1.03101}, {0.9, 1.03507},
		{1.0, 1.03911}, {1.2, 1.04711}, {1.4, 1.05495}, {1.6, 1.06270}, {1.8, 1.07034},
		{2.0, 1.07787}, {2.5, 1.09626}, {3.0, 1.11402}, {3.5, 1.13118}, {4.0, 1.14776},
		{4.5, 1.16378}, {5.0, 1.17925},
	})
	if !ok {
		return 0, fmt.Errorf("%g %% of sodium hydroxide is beyond the density table", percentNaOH)
	}
	return percentNaOH / 100 * density * 1000 / MolarMass(SodiumHydroxide), nil
}

// interpolate reads a rising table of {x, y} along straight lines; false outside.
func interpolate(x float64, table [][2]float64) (float64, bool) {
	for i := 1; i < len(table); i++ {
		low, high := table[i-1], table[i]
		if x >= low[0] && x <= high[0] {
			return low[1] + (high[1]-low[1])*(x-low[0])/(high[0]-low[0]), true
		}
	}
	return 0, false
}
