// Package interval says how far a counted share can be trusted. Figures of the log and of
// a class state their shares with it, so that small numbers do not look like certainty.
package interval

import "math"

// Confidence is that of the intervals; the contract states it.
const Confidence = 0.95

// Wilson returns Wilson's score interval of a share, 0 to 1 (Wilson, Probable Inference,
// the Law of Succession, and Statistical Inference, Journal of the American Statistical
// Association 22:209, 1927; recommended, as method 3, by Newcombe, Two-sided confidence
// intervals for the single proportion, Statistics in Medicine 17:857, 1998). With nothing
// to relate to, nothing is known, and the interval is 0 to 1.
//
// It holds also for none and for all, where the usual approximation gives an interval of
// no width. Both ends are between 0 and 1, also where the formula can miss them by
// rounding.
func Wilson(count, of int64) (low, high float64) {
	if of == 0 {
		return 0, 1
	}
	z := math.Sqrt2 * math.Erfinv(Confidence) // the quantile of the normal distribution
	n, k := float64(of), float64(count)
	middle := (k + z*z/2) / (n + z*z)
	half := z / (n + z*z) * math.Sqrt(k*(n-k)/n+z*z/4)
	low, high = max(0, middle-half), min(1, middle+half)
	if count == 0 {
		low = 0 // exactly
	}
	if count == of {
		high = 1
	}
	return low, high
}
