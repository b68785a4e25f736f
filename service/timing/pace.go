package timing

import (
	"cmp"
	"math"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// VisitPace measures how long the practitioner of a session took to apply one section:
// the median time from the first contact of a section to that of the next. Nil when fewer
// than paceFewest were measured.
//
// A pause counts for nothing: a time longer than paceLongest is a strand test, a rinse or
// a second stage, and one shorter than paceShortest is two taps in a row for work done
// before. Sections that somebody else applied, and times that are not certain, are left
// out.
func VisitPace(s *pb.Session, events []*pb.StoredEvent) *pb.ApplicationPace {
	seen := map[string]bool{}
	var last time.Time
	var taken []float64
	for _, f := range sortedFacts(s, events, likeliest) {
		if f.GetStageApplied() != nil { // the times of its sections are not known
			last = time.Time{}
		}
		what := f.GetSectionApplied()
		if what == nil || seen[what.SectionId] {
			continue
		}
		seen[what.SectionId] = true
		own := f.certain && (f.Actor == "" || f.Actor == s.GetPractitioner())
		if took := f.at.Sub(last).Minutes(); own && !last.IsZero() && took >= paceShortest && took <= paceLongest {
			taken = append(taken, took)
		}
		last = time.Time{}
		if own {
			last = f.at
		}
	}
	if len(taken) < paceFewest || s.GetPractitioner() == "" {
		return nil
	}
	slices.Sort(taken)
	middle := (taken[(len(taken)-1)/2] + taken[len(taken)/2]) / 2
	return &pb.ApplicationPace{Practitioner: s.GetPractitioner(), MinutesPerSection: rounded(middle), Sections: int32(len(taken))}
}

// LearnPace combines the paces of a practitioner's visits, in any order. Before any visit
// it is the usual figure. Paces are compared in logarithms; each visit has an error of its
// own besides that of its sections, so that one quick afternoon does not count as a habit.
func LearnPace(practitioner string, visits []*pb.ApplicationPace) *pb.ApplicationPace {
	pace, sections := normal{math.Log(paceMinutes), paceSpread}, int32(0)
	for _, v := range slices.SortedFunc(slices.Values(visits), func(a, b *pb.ApplicationPace) int {
		return cmp.Compare(a.MinutesPerSection, b.MinutesPerSection) // the sum must not depend on the order
	}) {
		if v.GetMinutesPerSection() <= 0 || v.GetSections() <= 0 {
			continue
		}
		spread := math.Hypot(paceVisitSpread, paceSectionSpread/math.Sqrt(float64(v.Sections)))
		pace = pace.combinedWith(normal{math.Log(v.MinutesPerSection), spread})
		sections += v.Sections
	}
	return &pb.ApplicationPace{Practitioner: practitioner, MinutesPerSection: rounded(math.Exp(pace.mean)), Sections: sections}
}

// paceOf is the minutes per section that a plan counts with.
func paceOf(in *pb.DecisionInputs) float64 {
	if m := in.GetApplicationPace().GetMinutesPerSection(); m > 0 {
		return min(max(m, paceShortest), paceLongest)
	}
	return paceMinutes
}
