package timing

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat/distuv"

	pb "alkalog/proto/alkalogv1"
)

// reading is one strand test: the minutes of exposure at which it was made, and what it
// says of the remaining curl, as a range of logits. A percentage is a point; a word is a
// range between two points.
type reading struct {
	minutes   float64
	low, high float64 // logits; equal for a percentage
	spread    float64 // of the eye about the true logit
}

// readAt is a reading of percent of curl left.
func readAt(minutes, percent float64) reading {
	at := logit(percent / 100)
	return reading{minutes, at, at, readingSpread}
}

// read returns what a strand test says; false when it has no reading. If a test has both a
// word and a percentage, the percentage counts, because it says more. A test for the
// whole head says less about each section, so its spread is larger.
func read(minutes float64, t *pb.StrandTest) (reading, bool) {
	r := reading{minutes: minutes, spread: wordSpread}
	switch {
	case t.RemainingCurlPercent != nil:
		r = readAt(minutes, t.GetRemainingCurlPercent())
	case t.Reading == pb.CurlReading_CURL_READING_SPRINGS_BACK:
		r.low, r.high = logit(springsShare), math.Inf(1)
	case t.Reading == pb.CurlReading_CURL_READING_PARTLY:
		r.low, r.high = logit(smoothShare), logit(springsShare)
	case t.Reading == pb.CurlReading_CURL_READING_STAYS_SMOOTH:
		r.low, r.high = math.Inf(-1), logit(smoothShare)
	default:
		return r, false
	}
	if t.SectionId == "" {
		r.spread = math.Hypot(r.spread, wholeHeadSpread)
	}
	return r, true
}

// logLikelihood is the log likelihood of the true logit, up to a constant. It is bounded
// below for words, so that one wrong tap cannot rule out the truth.
// A percentage is a point with a normal error; a word is the probability of its
// range.
func (r reading) logLikelihood(truth float64) float64 {
	low, high := (r.low-truth)/r.spread, (r.high-truth)/r.spread
	if r.low == r.high {
		return -low * low / 2
	}
	return math.Log(max(distuv.UnitNormal.CDF(high)-distuv.UnitNormal.CDF(low), leastLikelihood))
}

// normal is a normal distribution over ln k, k per minute.
type normal struct {
	mean      float64
	deviation float64
}

// posterior is the distribution of a section's ln k. Without readings it is the prior
// itself and normal; with readings it is a density on a grid.
type posterior struct {
	normal
	readings int
	// Ln k, rising; empty without readings.
	grid []float64
	// Per grid step.
	density []float64
	// Probability of a smaller ln k.
	below []float64
}

// posteriorOf returns the posterior of ln k after readings, in any order.
func posteriorOf(prior normal, readings []reading) posterior {
	if len(readings) == 0 {
		return posterior{normal: prior}
	}
	where := prior
	// A coarse grid around the prior finds the posterior, which may be far away and much
	// narrower; it moves until its centre is well inside.
	for range gridSteps {
		coarse := integrate(prior, where, readings, coarsePoints)
		moved := math.Abs(coarse.mean - where.mean)
		where.mean = coarse.mean
		if moved < gridWidth/2*where.deviation {
			where.deviation = max(coarse.deviation, 2*gridWidth*where.deviation/(coarsePoints-1))
			break
		}
	}
	// The passes above only locate the posterior.
	return integrate(prior, where, readings, gridPoints)
}

// integrate computes the posterior by the trapezoidal rule on a grid around where.
// Densities are kept per step of the grid, and the chances below are scaled to end
// at 1.
func integrate(prior, where normal, readings []reading, points int) posterior {
	grid := make([]float64, points)
	floats.Span(grid, where.mean-gridWidth*where.deviation, where.mean+gridWidth*where.deviation)
	weight := make([]float64, points)
	for i, x := range grid {
		weight[i] = prior.logDensity(x) + logLikelihood(x, readings)
	}
	// The largest weight becomes 1, so that exp neither overflows nor loses everything.
	floats.AddConst(-floats.Max(weight), weight)
	below := make([]float64, points)
	for i := range weight {
		weight[i] = math.Exp(weight[i])
		if i > 0 {
			below[i] = below[i-1] + (weight[i-1]+weight[i])/2
		}
	}
	total := below[points-1]
	floats.Scale(1/total, below)
	floats.Scale(1/total, weight)
	mean := floats.Dot(weight, grid) / floats.Sum(weight)
	variance := 0.0
	for i, x := range grid {
		variance += weight[i] * (x - mean) * (x - mean)
	}
	return posterior{normal{mean, math.Sqrt(variance / floats.Sum(weight))}, len(readings), grid, weight, below}
}

// logDensity is the log density at x up to a constant.
func (n normal) logDensity(x float64) float64 {
	z := (x - n.mean) / n.deviation
	return -z * z / 2
}

// logLikelihood of ln k, up to a constant. The remaining curl is exp(-u), and its logit
// is -ln(exp(u) - 1).
// The curl is kept within what an eye can tell from none and from all, as the
// readings are.
func logLikelihood(lnRate float64, readings []reading) float64 {
	k, sum := math.Exp(lnRate), 0.0
	least, most := -math.Log1p(-readingFloor), -math.Log(readingFloor)
	for _, r := range readings {
		u := min(max(k*(r.minutes-lagMinutes), least), most)
		sum += r.logLikelihood(-math.Log(math.Expm1(u)))
	}
	return sum
}

// remaining is the share of curl left after minutes of exposure at rate k.
func remaining(k, minutes float64) float64 {
	return math.Exp(-k * max(0, minutes-lagMinutes))
}

// logit is clamped to what an eye can tell apart.
func logit(share float64) float64 {
	share = min(max(share, readingFloor), 1-readingFloor)
	return math.Log(share / (1 - share))
}

// quantile is the ln k below which the share p of the probability lies.
func (b posterior) quantile(p float64) float64 {
	if len(b.grid) == 0 {
		return distuv.Normal{Mu: b.mean, Sigma: b.deviation}.Quantile(p)
	}
	i := min(max(sort.SearchFloat64s(b.below, p), 1), len(b.grid)-1)
	// Between two points the density is linear, so its integral is a quadratic. This form
	// of the root is stable when the density is nearly constant. Rounding can leave the
	// interval; the grid point is then exact enough.
	left, from, to := p-b.below[i-1], b.density[i-1], b.density[i]
	share := 2 * left / (from + math.Sqrt(max(from*from+2*(to-from)*left, 0)))
	if !(share >= 0 && share <= 1) {
		return b.grid[i]
	}
	return b.grid[i-1] + share*(b.grid[i]-b.grid[i-1])
}

// minutesTo is the exposure that straightens by percent at the rate exp(lnRate).
func minutesTo(percent, lnRate float64) float64 {
	return lagMinutes + loss(percent)/math.Exp(lnRate)
}

// loss is k times the effective exposure that straightens by percent.
func loss(percent float64) float64 { return -math.Log1p(-percent / 100) }

// straightened is the percent after minutes of exposure.
func straightened(minutes, lnRate float64) float64 {
	return 100 * (1 - remaining(math.Exp(lnRate), minutes))
}

// earliest is the exposure at which the chance of having passed percent is p.
// A faster rate straightens sooner, so the chance p is that of the rates above the
// quantile 1-p.
func (b posterior) earliest(percent, p float64) float64 {
	return minutesTo(percent, b.quantile(1-p))
}
