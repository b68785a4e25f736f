package audit

import (
	"cmp"
	"math"
	"slices"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/interval"
	"alkalog/storage"
)

const (
	// wrongly is the maximum probability that anybody at all is called out of line if all are
	// alike; the contract states it.
	wrongly = 0.01
	// fewest is how many decisions a practitioner must have to be compared. Our own choice; the
	// contract states it.
	fewest = 10
)

// proportion puts a count in relation, with Wilson's score interval at 95 %. A rate alone
// would say the same of one override in two decisions and of a hundred in two hundred.
//
// Count and Of are given with it, so that a reader can add rows together: intervals
// cannot be added. With nothing to relate to, nothing is known, and the interval is 0
// to 1.
func proportion(count, of int64) *pb.Proportion {
	low, high := interval.Wilson(count, of)
	return &pb.Proportion{Count: count, Of: of, Low: low, High: high}
}

// fisher returns the probability, if two groups are alike, of a division of what was
// counted that is at least as unlikely as the observed one: k of n in one group, and
// others of rest in the other. It is Fisher's exact test, two-sided as the sum over all
// divisions that are no likelier (Fisher, The Design of Experiments, 1935, chapter II;
// Agresti, A Survey of Exact Inference for Contingency Tables, Statistical Science
// 7:131, 1992, section 2.1).
//
// The sum starts at the most likely division and walks to both sides, each term
// computed from the one before, so that it stays fast for large counts. It ends where
// the terms no longer matter.
func fisher(k, n, others, rest int64) float64 {
	counted := k + others
	first, last := max(0, counted-rest), min(n, counted)
	mode := min(last, max(first, (n+1)*(counted+1)/(n+rest+2)))
	// The factor allows for rounding: a division that is exactly as likely must count.
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
			// The probabilities fall on both sides of the mode.
			if p < limit*1e-12 {
				break // what follows is smaller still and changes nothing
			}
			p *= ratio(at, step, n, counted, n+rest)
		}
	}
	return min(1, sum)
}

// likelihood returns the probability that k of the counted are in a group of n out of
// all (hypergeometric distribution).
func likelihood(k, n, counted, all int64) float64 {
	return math.Exp(choose(n, k) + choose(all-n, counted-k) - choose(all, counted))
}

// ratio returns by which factor the next division, one step up or down, is likelier.
func ratio(k, step, n, counted, all int64) float64 {
	if step > 0 {
		return float64((n-k)*(counted-k)) / (float64(k+1) * float64(all-n-counted+k+1))
	}
	return float64(k) * float64(all-n-counted+k) / (float64(n-k+1) * float64(counted-k+1))
}

// choose returns the logarithm of the number of ways to choose k of n. Its callers never
// ask for more than n, nor for fewer than none.
//
// Logarithms keep factorials of large counts within the range of float64.
func choose(n, k int64) float64 { return factorial(n) - factorial(k) - factorial(n-k) }

// factorial returns the logarithm of n!.
func factorial(n int64) float64 {
	l, _ := math.Lgamma(float64(n) + 1)
	return l
}

// practitioners puts the figures of each practitioner beside those of all others of the
// chain together, those out of line first. Practitioners without anything to show are
// left out.
//
// Within each part, those with the highest lower bound of the interval come first: a
// high rate of many decisions before the same rate of few.
func practitioners(all []storage.PractitionerFigures) []*pb.PractitionerFigures {
	var everybody storage.Figures
	for _, f := range all {
		everybody.Add(f.Figures, 1)
	}
	var list []*pb.PractitionerFigures
	for i, out := range outOfLine(all, everybody) {
		f := all[i]
		if f.Overridable == 0 && f.AnswersChanged == 0 && f.WhatIfs == 0 && f.Statements == 0 {
			continue
		}
		list = append(list, &pb.PractitionerFigures{Practitioner: f.Practitioner, Overrides: proportion(f.Overridden, f.Overridable),
			Others: proportion(everybody.Overridden-f.Overridden, everybody.Overridable-f.Overridable), OutOfLine: out,
			ChangedAnswers: f.AnswersChanged, WhatIfs: f.WhatIfs,
			Statements: f.Statements, StatementsAllNone: f.StatementsAllNone, StatementsTimed: f.StatementsTimed, StatementSeconds: f.StatementSeconds,
			SingleItems: f.SingleItems, SingleItemsDiffering: f.SingleItemsDiffering})
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

// outOfLine reports of each practitioner whether the difference from the others is more
// than chance explains.
//
// Somebody who is out of line shifts the figures of "all others" for everybody else.
// Therefore a second comparison is made with those who are not out of line, and only a
// practitioner who differs both times is named. If the first comparison names so many
// that less than half of the decisions would remain, nobody can tell the rule from the
// exception, and its result stands.
//
// The second comparison can only remove names and never adds any.
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

// differ compares each practitioner who has enough decisions with the rest. apart marks
// those whose decisions are not among the rest.
//
// Many comparisons are made at once, and each can err. The level holds for the whole
// list, so that small numbers accuse nobody: the least likely result must be below the
// level divided by the number of comparisons, the next below the level divided by one
// less, and so on up to the first that is not (Holm, A Simple Sequentially Rejective
// Multiple Test Procedure, Scandinavian Journal of Statistics 6:65, 1979). This is
// valid although the comparisons depend on one another, which they do: everybody is
// among the others of everybody else.
//
// The result has an element for each practitioner, in the order of all. Practitioners
// with too few decisions are never marked.
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
