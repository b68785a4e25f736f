package rules

import (
	pb "alkalog/proto/alkalogv1"
)

// Parameters are the numbers in force under a house's numbers, which may be nil:
// for each the stricter of the default and the house's.
func (e *Engine) Parameters(house *pb.PolicyParameters) *pb.PolicyParameters {
	return e.tightest(e.defaults, house)
}

// tightest takes each number from whichever of the sets is strictest on it.
func (e *Engine) tightest(sets ...*pb.PolicyParameters) *pb.PolicyParameters {
	out := &pb.PolicyParameters{}
	for _, p := range sets {
		if p == nil {
			continue
		}
		out.ShampooWaitHours = more(out.ShampooWaitHours, p.ShampooWaitHours)
		out.ColourWaitDays = more(out.ColourWaitDays, p.ColourWaitDays)
		out.RelaxerWaitDays = more(out.RelaxerWaitDays, p.RelaxerWaitDays)
		out.NewGrowthMm = more(out.NewGrowthMm, p.NewGrowthMm)
		out.MinimumAgeYears = more(out.MinimumAgeYears, p.MinimumAgeYears)
		out.GuardianAgeYears = more(out.GuardianAgeYears, p.GuardianAgeYears)
		out.ExtensionsWaitDays = more(out.ExtensionsWaitDays, p.ExtensionsWaitDays)
		out.SmoothingWaitDays = more(out.SmoothingWaitDays, p.SmoothingWaitDays)
		out.StraighteningCapPercent = less(out.StraighteningCapPercent, p.StraighteningCapPercent)
		out.StraighteningTargetPercent = less(out.StraighteningTargetPercent, p.StraighteningTargetPercent)
		out.ProcessingMaximumMinutes = less(out.ProcessingMaximumMinutes, p.ProcessingMaximumMinutes)
		out.StrandTestMinutes = less(out.StrandTestMinutes, p.StrandTestMinutes)
		out.ClearanceDays = less(out.ClearanceDays, p.ClearanceDays)
		out.TestDays = less(out.TestDays, p.TestDays)
		out.FlushMinutes = more(out.FlushMinutes, p.FlushMinutes)
		out.AbsoluteAgeYears = more(out.AbsoluteAgeYears, p.AbsoluteAgeYears)
		out.TexturizingTargetPercent = less(out.TexturizingTargetPercent, p.TexturizingTargetPercent)
	}
	return out
}

// more is the larger of two numbers that may be absent: a longer wait, an older
// age, more growth.
func more[N int32 | float64](a, b *N) *N {
	if a == nil || b != nil && *b > *a {
		return b
	}
	return a
}

// less is the smaller of two numbers that may be absent: a lower cap, a shorter
// time.
func less[N int32 | float64](a, b *N) *N {
	if a == nil || b != nil && *b < *a {
		return b
	}
	return a
}
