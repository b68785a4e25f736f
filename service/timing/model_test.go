package timing

import (
	pb "alkalog/proto/alkalogv1"

	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"pgregory.net/rapid"
)

// integral of a posterior's shape over ln k by Gauss-Legendre rules on short pieces,
// which shares nothing with the engine's grid but the model's formula, written out.
func integral(prior normal, readings []reading, from, to float64, times func(x float64) float64) float64 {
	density := func(x float64) float64 {
		z := (x - prior.mean) / prior.deviation
		log := -z * z / 2
		for _, r := range readings {
			curl := math.Exp(-math.Exp(x) * math.Max(0, r.minutes-lagMinutes))
			curl = math.Min(math.Max(curl, 0.025), 0.975)
			e := (r.low - math.Log(curl/(1-curl))) / readingSpread
			log -= e * e / 2
		}
		return math.Exp(log) * times(x)
	}
	sum, pieces := 0.0, 400
	for i := range pieces {
		a := from + (to-from)*float64(i)/float64(pieces)
		b := from + (to-from)*float64(i+1)/float64(pieces)
		sum += quad.Fixed(density, a, b, 8, quad.Legendre{}, 0)
	}
	return sum
}

func TestPosteriorAgreesWithQuadrature(t *testing.T) {
	prior := normal{logRate(75, 12), 0.38}
	wide := normal{prior.mean, 0.6}
	for name, c := range map[string]struct {
		prior    normal
		readings []reading
	}{
		"one early test":                {prior, []reading{readAt(5, 80)}},
		"one test that reads no change": {prior, []reading{readAt(4, 100)}},
		"two tests":                     {prior, []reading{readAt(6, 62), readAt(9, 41)}},
		"a fast section":                {prior, []reading{readAt(5, 20), readAt(6, 12)}},
		"a section far from its prior":  {prior, []reading{readAt(12, 85), readAt(15, 80), readAt(18, 78)}},
		"ten tests":                     {prior, tenTests(prior)},
		"readings that disagree":        {wide, []reading{readAt(6, 30), readAt(8, 70), readAt(10, 35)}},
		"a reading before the lag":      {prior, []reading{readAt(0.5, 100), readAt(8, 50)}},
	} {
		t.Run(name, func(t *testing.T) {
			got := posteriorOf(c.prior, c.readings)
			low, high := c.prior.mean-8*c.prior.deviation, c.prior.mean+8*c.prior.deviation
			all := func(times func(float64) float64) float64 { return integral(c.prior, c.readings, low, high, times) }
			total := all(func(float64) float64 { return 1 })
			mean := all(func(x float64) float64 { return x }) / total
			deviation := math.Sqrt(all(func(x float64) float64 { return (x - mean) * (x - mean) }) / total)
			near(t, "mean", got.mean, mean, 1e-3)
			near(t, "deviation", got.deviation, deviation, 1e-3)
			for _, p := range []float64{surpriseChance, testChance, lowTail, 0.5, highTail, 1 - testChance, 1 - surpriseChance} {
				q := got.quantile(p)
				below := integral(c.prior, c.readings, low, q, func(float64) float64 { return 1 }) / total
				near(t, "probability below a quantile", below, p, 1e-3)
			}
		})
	}
}

// tenTests are read from a head at the prior's middle, with the eye's error.
func tenTests(prior normal) []reading {
	random := rand.New(rand.NewPCG(10, 10))
	var readings []reading
	for m := range 10 {
		at := 4 + float64(m)
		z := logit(remaining(math.Exp(prior.mean), at)) + readingSpread*random.NormFloat64()
		readings = append(readings, reading{at, z, z, readingSpread})
	}
	return readings
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance {
		t.Errorf("%s: got %v, want %v within %v", what, got, want, tolerance)
	}
}

// A strand test that reads straighter never makes the guidance later, but for the grid's
// own error, taken as 0.0001 minutes.
func TestStraighterReadingsBringTheRinseForward(t *testing.T) {
	limits := Limits(nil)
	rapid.Check(t, func(t *rapid.T) {
		g := sessionGuide(&pb.Session{GuidanceRevision: rapid.Int32Range(0, Revision).Draw(t, "revision")}, limits)
		prior := normal{rapid.Float64Range(-3.5, -1).Draw(t, "mean"), rapid.Float64Range(0.1, 0.6).Draw(t, "deviation")}
		at := rapid.Float64Range(2, 20).Draw(t, "minutes")
		straighter := rapid.Float64Range(0, 100).Draw(t, "remaining")
		curlier := rapid.Float64Range(straighter, 100).Draw(t, "more remaining")
		early, late := posteriorOf(prior, []reading{readAt(at, straighter)}), posteriorOf(prior, []reading{readAt(at, curlier)})
		if g.latestCall(early) > g.latestCall(late)+1e-4 {
			t.Fatalf("%.1f %% left calls at %v, %.1f %% left at %v", straighter, g.latestCall(early), curlier, g.latestCall(late))
		}
	})
}

// Whatever is read, the call comes before the limit and the order of readings does
// not matter.
func TestGuidanceStaysWithinTheLimit(t *testing.T) {
	limits := Limits(nil)
	rapid.Check(t, func(t *rapid.T) {
		g := sessionGuide(&pb.Session{GuidanceRevision: rapid.Int32Range(0, Revision).Draw(t, "revision")}, limits)
		prior := normal{rapid.Float64Range(-5, 1).Draw(t, "mean"), rapid.Float64Range(0.01, 1).Draw(t, "deviation")}
		readings := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) reading {
			return readAt(rapid.Float64Range(0, 40).Draw(t, "minutes"), rapid.Float64Range(0, 100).Draw(t, "remaining"))
		}), 0, 20).Draw(t, "readings")
		b := posteriorOf(prior, readings)
		if math.IsNaN(b.mean) || !(b.deviation > 0) || math.IsNaN(g.latestCall(b)) {
			t.Fatalf("no posterior: %+v", b.normal)
		}
		if call := g.latestCall(b); call < 0 || call > limits.HardLimitMinutes-g.lead-g.walk {
			t.Fatalf("call at %v", call)
		}
		if first := g.firstTest(b); first > g.latestCall(b) || first < 0 {
			t.Fatalf("first strand test at %v, call at %v", first, g.latestCall(b))
		}
	})
}

func BenchmarkUpdateOneStrandTest(b *testing.B) { benchmarkUpdate(b, 1) }

func BenchmarkUpdateTenStrandTests(b *testing.B) { benchmarkUpdate(b, 10) }

func benchmarkUpdate(b *testing.B, n int) {
	prior := normal{logRate(75, 12), 0.38}
	readings := tenTests(prior)[:n]
	for b.Loop() {
		posteriorOf(prior, readings)
	}
}
