// Package timing keeps the clock of a chemical service: the plan before it, the
// guidance during it, and what the next visit learns from it. It is pure: facts
// and an instant go in, a state comes out.
//
// The model is statistical, not chemical. The curl that remains in a section after
// an effective exposure of t minutes is r = exp(-k max(0, t - lag)). What is known of
// ln k before any test is a normal distribution centred on the manufacturer's
// directions; a strand test is a reading of r by eye, logit(reading) normal about
// logit(r); the posterior is summed on a grid. The manufacturer's directions come
// first in everything, and discomfort overrides all of it.
//
// The model is for hydroxide relaxers. A thio service is guided by the directions'
// times and strand tests alone, and its state holds no estimates.
package timing

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat/distuv"

	pb "alkalog/proto/alkalogv1"
)

// reading is one strand test: minutes of exposure at which it was made, and what it
// says of the curl that was still there, as a range of logits. A percentage is a
// point; a word is a range between two points.
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

// read is what a strand test says; false when it was not read. Of a reading in words
// and one in percent the percentage is the finer one. One test for the whole head
// says less of each section.
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

// logLikelihood of the true logit, up to a constant.
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

// belief is what is thought of a section's ln k: the prior itself before any
// reading, else a posterior on a grid.
type posterior struct {
	normal
	readings int
	grid     []float64 // ln k, rising; empty without readings
	density  []float64 // per grid step
	below    []float64 // probability of a smaller ln k
}

// update is the posterior of ln k after readings, in any order.
func posteriorOf(prior normal, readings []reading) posterior {
	if len(readings) == 0 {
		return posterior{normal: prior}
	}
	where := prior
	for range gridSteps {
		coarse := integrate(prior, where, readings, coarsePoints)
		moved := math.Abs(coarse.mean - where.mean)
		where.mean = coarse.mean
		if moved < gridWidth/2*where.deviation {
			where.deviation = max(coarse.deviation, 2*gridWidth*where.deviation/(coarsePoints-1))
			break
		}
	}
	// The first passes find where the posterior lies, the last one measures it.
	return integrate(prior, where, readings, gridPoints)
}

// summed integrates the posterior by trapezoids on a grid laid around where.
func integrate(prior, where normal, readings []reading, points int) posterior {
	grid := make([]float64, points)
	floats.Span(grid, where.mean-gridWidth*where.deviation, where.mean+gridWidth*where.deviation)
	weight := make([]float64, points)
	for i, x := range grid {
		weight[i] = prior.logDensity(x) + logLikelihood(x, readings)
	}
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

// logLikelihood of ln k, up to a constant. The curl that remains is exp(-u), its logit
// -ln(exp(u) - 1).
func logLikelihood(lnRate float64, readings []reading) float64 {
	k, sum := math.Exp(lnRate), 0.0
	least, most := -math.Log1p(-readingFloor), -math.Log(readingFloor)
	for _, r := range readings {
		u := min(max(k*(r.minutes-lagMinutes), least), most)
		sum += r.logLikelihood(-math.Log(math.Expm1(u)))
	}
	return sum
}

// remaining is the share of curl after minutes of exposure at rate k.
func remaining(k, minutes float64) float64 {
	return math.Exp(-k * max(0, minutes-lagMinutes))
}

// logit is taken within what an eye can tell apart.
func logit(share float64) float64 {
	share = min(max(share, readingFloor), 1-readingFloor)
	return math.Log(share / (1 - share))
}

// quantile is the ln k below which the share p of the belief lies.
func (b posterior) quantile(p float64) float64 {
	if len(b.grid) == 0 {
		return distuv.Normal{Mu: b.mean, Sigma: b.deviation}.Quantile(p)
	}
	i := min(max(sort.SearchFloat64s(b.below, p), 1), len(b.grid)-1)
	// Between two points the density is a straight line.
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
func (b posterior) earliest(percent, p float64) float64 {
	return minutesTo(percent, b.quantile(1-p))
}
