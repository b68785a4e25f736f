package audit

import (
	"cmp"
	"math"
	"slices"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
)

const (
	// confidence is that of the intervals shown. The contract says so.
	confidence = 0.95
	// wrongly is the chance, at most, that anybody at all is called out of line
	// where all are alike. The contract says so.
	wrongly = 0.01
	// fewest is how many decisions there must be before anybody is compared. Our
	// own choice, and the contract says so.
	fewest = 10
)

// proportion puts a count in relation, with Wilson's score interval (Wilson,
// Probable Inference, the Law of Succession, and Statistical Inference, Journal
// of the American Statistical Association 22:209, 1927; recommended, as method 3,
// by Newcombe, Two-sided confidence intervals for the single proportion,
// Statistics in Medicine 17:857, 1998). Of nothing nothing is known: 0 to 1.
func proportion(count, of int64) *pb.Proportion {
	p := &pb.Proportion{Count: count, Of: of, High: 1}
	if of == 0 {
		return p
	}
	z := math.Sqrt2 * math.Erfinv(confidence) // the quantile of the normal distribution
	n, k := float64(of), float64(count)
	middle := (k + z*z/2) / (n + z*z)
	half := z / (n + z*z) * math.Sqrt(k*(n-k)/n+z*z/4)
	p.Low, p.High = max(0, middle-half), min(1, middle+half)
	if count == 0 {
		p.Low = 0 // exactly
	}
	if count == of {
		p.High = 1
	}
	return p
}

// fisher is the chance, when two groups are alike, of a division of what was
// counted between them that is at least as unlikely as the one seen: k of n in
// one group, and others of rest in the other. It is Fisher's exact test, and
// two-sided as the sum over all divisions that are no likelier (Fisher, The
// Design of Experiments, 1935, chapter II; Agresti, A Survey of Exact Inference
// for Contingency Tables, Statistical Science 7:131, 1992, section 2.1).
func fisher(k, n, others, rest int64) float64 {
	counted := k + others
	first, last := max(0, counted-rest), min(n, counted)
	mode := min(last, max(first, (n+1)*(counted+1)/(n+rest+2)))
	// No likelier, but for what arithmetic may err by.
	limit := likelihood(k, n, counted, n+rest) * (1 + 1e-7)
	sum := 0.0
	for _, step := range []int64{-1, +1} {
		at := mode
		if step > 0 {
			at++ // the mode itself is counted once
		}
		if at > last {
			continue
		}
		for p := likelihood(at, n, counted, n+rest); at >= first && at <= last; at += step {
			if p <= limit {
				sum += p
			}
			if p < limit*1e-12 {
				break // what follows is smaller still and changes nothing
			}
			p *= ratio(at, step, n, counted, n+rest)
		}
	}
	return min(1, sum)
}

// likelihood is the chance that k of the counted fall to a group of n out of all:
// the hypergeometric distribution.
func likelihood(k, n, counted, all int64) float64 {
	return math.Exp(choose(n, k) + choose(all-n, counted-k) - choose(all, counted))
}

// ratio is by how much likelier the next division is.
func ratio(k, step, n, counted, all int64) float64 {
	if step > 0 {
		return float64((n-k)*(counted-k)) / (float64(k+1) * float64(all-n-counted+k+1))
	}
	return float64(k) * float64(all-n-counted+k) / (float64(n-k+1) * float64(counted-k+1))
}

// choose is the logarithm of the number of ways to choose k of n.
func choose(n, k int64) float64 { return factorial(n) - factorial(k) - factorial(n-k) }

func factorial(n int64) float64 {
	l, _ := math.Lgamma(float64(n) + 1)
	return l
}

// practitioners puts the figures of each practitioner beside those of all others
// of the chain together, those out of line first.
func practitioners(all []storage.PractitionerFigures) []*pb.PractitionerFigures {
	var everybody storage.Figures
	for _, f := range all {
		everybody.Add(f.Figures, 1)
	}
	var list []*pb.PractitionerFigures
	for i, out := range outOfLine(all, everybody) {
		f := all[i]
		if f.Overridable == 0 && f.AnswersChanged == 0 && f.WhatIfs == 0 {
			continue
		}
		list = append(list, &pb.PractitionerFigures{Practitioner: f.Practitioner, Overrides: proportion(f.Overridden, f.Overridable),
			Others: proportion(everybody.Overridden-f.Overridden, everybody.Overridable-f.Overridable), OutOfLine: out,
			ChangedAnswers: f.AnswersChanged, WhatIfs: f.WhatIfs})
	}
	slices.SortFunc(list, func(a, b *pb.PractitionerFigures) int {
		switch {
		case a.OutOfLine && !b.OutOfLine:
			return -1
		case b.OutOfLine && !a.OutOfLine:
			return 1
		}
		return cmp.Or(cmp.Compare(b.Overrides.Low, a.Overrides.Low), cmp.Compare(a.Practitioner, b.Practitioner))
	})
	return list[:min(len(list), mostRows)]
}

// outOfLine says of each practitioner whether they differ from the others by more
// than chance explains. Somebody who does makes others look odd who are compared
// with all the rest; so these are compared once more, with the rest that is not
// out of line, and only who differs both times is named. But where most decisions
// would be left out, nobody can tell the rule from the exception, and the first
// look stands.
func outOfLine(all []storage.PractitionerFigures, everybody storage.Figures) []bool {
	first := differ(all, everybody, make([]bool, len(all)))
	rest := everybody
	for i, out := range first {
		if out {
			rest.Add(all[i].Figures, -1)
		}
	}
	if 2*rest.Overridable < everybody.Overridable {
		return first
	}
	again := differ(all, rest, first)
	for i := range again {
		again[i] = again[i] && first[i]
	}
	return again
}

// differ compares each practitioner who has enough decisions with the rest; apart
// are those whose decisions are not among the rest.
//
// Many are compared at once, and each comparison errs now and then. So that small
// numbers accuse nobody, the level holds for the whole list: the least likely
// must be below a level divided by how many are compared, the next below it
// divided by one less, and so on up to the first that is not (Holm, A Simple
// Sequentially Rejective Multiple Test Procedure, Scandinavian Journal of
// Statistics 6:65, 1979). That holds although the comparisons depend on one
// another, which they do: everybody is among everybody else's others.
func differ(all []storage.PractitionerFigures, rest storage.Figures, apart []bool) []bool {
	type compared struct {
		practitioner int
		chance       float64
	}
	var tests []compared
	for i, f := range all {
		others := rest
		if !apart[i] {
			others.Add(f.Figures, -1)
		}
		if f.Overridable >= fewest {
			tests = append(tests, compared{i, fisher(f.Overridden, f.Overridable, others.Overridden, others.Overridable)})
		}
	}
	slices.SortStableFunc(tests, func(a, b compared) int { return cmp.Compare(a.chance, b.chance) })
	out := make([]bool, len(all))
	for i, t := range tests {
		if t.chance*float64(len(tests)-i) > wrongly {
			break
		}
		out[t.practitioner] = true
	}
	return out
}
