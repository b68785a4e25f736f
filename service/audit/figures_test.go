package audit

import (
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"alkalog/storage"
)

// TestProportionIsTheScoreInterval: its ends are the rates from which what was
// counted is as far away as 95 % allow, by the definition of the score interval
// (Wilson 1927): |k/n - p| = z sqrt(p(1-p)/n). Ends are found by halving, which
// shares nothing with the formula.
func TestProportionIsTheScoreInterval(t *testing.T) {
	t.Parallel()
	z := distuv.UnitNormal.Quantile(0.975)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int64Range(1, 100_000).Draw(t, "n")
		k := rapid.Int64Range(0, n).Draw(t, "k")
		rate := float64(k) / float64(n)
		beyond := func(p float64) bool { return math.Abs(rate-p) > z*math.Sqrt(p*(1-p)/float64(n)) }
		low, high := 0.0, 1.0 // where nothing is beyond the rate, these are the ends
		for a, b, i := 0.0, rate, 0; k > 0 && i < 200; i++ {
			if low = (a + b) / 2; beyond(low) {
				a = low
			} else {
				b = low
			}
		}
		for a, b, i := rate, 1.0, 0; k < n && i < 200; i++ {
			if high = (a + b) / 2; beyond(high) {
				b = high
			} else {
				a = high
			}
		}
		p := proportion(k, n)
		if math.Abs(p.Low-low) > 1e-9 || math.Abs(p.High-high) > 1e-9 || p.Count != k || p.Of != n {
			t.Fatalf("%d of %d: %v, want %v to %v", k, n, p, low, high)
		}
	})
	if p := proportion(0, 0); p.Low != 0 || p.High != 1 {
		t.Errorf("of nothing: %v", p)
	}
}

// TestFisherTastesTea: the lady tasting tea, 3 of 4 cups right of either kind
// (Fisher, The Design of Experiments, 1935, chapter II): of the 70 ways to choose
// 4 of 8 cups, 1 + 16 + 16 + 1 are no likelier, which is 0.4857 (the same example
// in Penn State, STAT 504, lesson 3, output of fisher.test for the two-sided test).
func TestFisherTastesTea(t *testing.T) {
	t.Parallel()
	if got := fisher(3, 4, 1, 4); math.Abs(got-34.0/70) > 1e-12 {
		t.Errorf("got %v, want %v", got, 34.0/70)
	}
}

// TestFisherIsExact compares with whole numbers: every division is counted.
func TestFisherIsExact(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n, rest := rapid.Int64Range(0, 60).Draw(t, "n"), rapid.Int64Range(0, 300).Draw(t, "rest")
		k, others := rapid.Int64Range(0, n).Draw(t, "k"), rapid.Int64Range(0, rest).Draw(t, "others")
		counted, seen, sum, all := k+others, divisions(n, rest, k, others), new(big.Int), new(big.Int)
		for at := max(0, counted-rest); at <= min(n, counted); at++ {
			w := divisions(n, rest, at, counted-at)
			all.Add(all, w)
			if w.Cmp(seen) <= 0 {
				sum.Add(sum, w)
			}
		}
		want, _ := new(big.Rat).SetFrac(sum, all).Float64()
		if got := fisher(k, n, others, rest); math.Abs(got-want) > 1e-9*want+1e-15 {
			t.Fatalf("%d of %d against %d of %d: got %v, want %v", k, n, others, rest, got, want)
		}
	})
}

// divisions is in how many ways k of n and others of rest can be chosen.
func divisions(n, rest, k, others int64) *big.Int {
	a := new(big.Int).Binomial(n, k)
	return a.Mul(a, new(big.Int).Binomial(rest, others))
}

// TestFisherOfManyEnds: what is far beyond chance among a million is worked out
// too, and is next to nothing.
func TestFisherOfManyEnds(t *testing.T) {
	t.Parallel()
	if got := fisher(400_000, 500_000, 1, 500_000); got != 0 {
		t.Errorf("got %v", got)
	}
	if got := fisher(50_000, 500_000, 50_000, 500_000); math.Abs(got-1) > 1e-6 {
		t.Errorf("of two that are alike: %v", got)
	}
}

// salon makes practitioners with some decisions each, overridden at their rates.
func salon(random *rand.Rand, decisions []int64, rate func(i int) float64) (all []storage.PractitionerFigures) {
	for i, n := range decisions {
		f := storage.PractitionerFigures{Practitioner: fmt.Sprintf("p%02d", i)}
		for range n {
			f.Overridable++
			if random.Float64() < rate(i) {
				f.Overridden++
			}
		}
		all = append(all, f)
	}
	return all
}

// TestNobodyIsAccusedByChance simulates chains in which all are alike: that
// anybody at all is called out of line must happen in 1 % of them at most. Of
// 3,000 chains that is 30, and 3 standard deviations (5.4 each) more are allowed.
// One who overrides four times as often as the others is found nearly always,
// and makes nobody else stand out: as seldom as where all are alike, which is in
// 5 of 500 chains, and 3 standard deviations (2.2 each) more are allowed.
func TestNobodyIsAccusedByChance(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(1927, 1998))
	decisions := make([]int64, 24)
	for i := range decisions {
		decisions[i] = []int64{3, 9, 10, 15, 25, 40, 80, 160}[i%8]
	}
	const chains = 3000
	accused, found, wrong := 0, 0, 0
	for chain := range chains {
		rate := []float64{0.02, 0.1, 0.3}[chain%3]
		if practitioners(salon(random, decisions, func(int) float64 { return rate }))[0].OutOfLine {
			accused++
		}
		if chain >= 500 {
			continue
		}
		for _, p := range practitioners(salon(random, decisions, func(i int) float64 {
			if i == 7 { // of 160 decisions
				return 0.4
			}
			return 0.1
		})) {
			switch {
			case p.OutOfLine && p.Practitioner == "p07":
				found++
			case p.OutOfLine:
				wrong++
			}
		}
	}
	t.Logf("somebody is accused in %d of %d chains of equals; the one at four times the rate is found in %d of 500, with %d others", accused, chains, found, wrong)
	if accused > 46 {
		t.Errorf("somebody is accused in %d of %d chains of equals", accused, chains)
	}
	if found < 475 || wrong > 11 {
		t.Errorf("the one at four times the rate is found in %d of 500 chains, and %d others are accused", found, wrong)
	}
}

// TestSmallNumbersAccuseNobody: with fewer than 10 decisions nobody is compared,
// whatever the figures; the list names them all the same, after those out of line.
func TestSmallNumbersAccuseNobody(t *testing.T) {
	t.Parallel()
	figures := func(name string, overridden, overridable int64) storage.PractitionerFigures {
		return storage.PractitionerFigures{Practitioner: name, Figures: storage.Figures{Overridden: overridden, Overridable: overridable}}
	}
	got := practitioners([]storage.PractitionerFigures{
		figures("few", 9, 9), figures("many", 30, 40), figures("most", 20, 1000), figures("none", 0, 0), figures("ten", 1, 10)})
	line := ""
	for _, p := range got {
		line += fmt.Sprintf("%s %d/%d others %d/%d %t; ", p.Practitioner, p.Overrides.Count, p.Overrides.Of, p.Others.Count, p.Others.Of, p.OutOfLine)
	}
	want := "many 30/40 others 30/1019 true; most 20/1000 others 40/59 true; few 9/9 others 51/1050 false; ten 1/10 others 59/1049 false; "
	if line != want {
		t.Errorf("got  %s\nwant %s", line, want)
	}
}
