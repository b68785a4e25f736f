package rules

import (
	pb "alkalog/proto/alkalogv1"
)

// The numbers on which the trade disagrees are parameters and not part of expressions, so
// that a chain can be stricter without writing a rule. For each number it is written down
// here which direction is stricter. A number without a line would be dropped, and the
// tests that fill in every number would notice.

// Parameters are the numbers in force under a house policy, which may be nil: for
// each the stricter of the default and the house's. Waits that a product's directions
// state are not in them, see waitnumbers.go.
func (e *Engine) Parameters(house *pb.HousePolicy) *pb.PolicyParameters {
	return e.strictestParameters(e.looser(house.GetLoosening()), house.GetParameters())
}

// strictestParameters takes each number from whichever of the sets is strictest on it.
func (e *Engine) strictestParameters(sets ...*pb.PolicyParameters) *pb.PolicyParameters {
	out := &pb.PolicyParameters{}
	for _, p := range sets {
		if p == nil {
			continue
		}
		out.ShampooWaitHours = larger(out.ShampooWaitHours, p.ShampooWaitHours)
		out.ColourWaitDays = larger(out.ColourWaitDays, p.ColourWaitDays)
		out.RelaxerWaitDays = larger(out.RelaxerWaitDays, p.RelaxerWaitDays)
		out.NewGrowthMm = larger(out.NewGrowthMm, p.NewGrowthMm)
		out.MinimumAgeYears = larger(out.MinimumAgeYears, p.MinimumAgeYears)
		out.GuardianAgeYears = larger(out.GuardianAgeYears, p.GuardianAgeYears)
		out.ExtensionsWaitDays = larger(out.ExtensionsWaitDays, p.ExtensionsWaitDays)
		out.SmoothingWaitDays = larger(out.SmoothingWaitDays, p.SmoothingWaitDays)
		out.StraighteningCapPercent = smaller(out.StraighteningCapPercent, p.StraighteningCapPercent)
		out.StraighteningTargetPercent = smaller(out.StraighteningTargetPercent, p.StraighteningTargetPercent)
		out.ProcessingMaximumMinutes = smaller(out.ProcessingMaximumMinutes, p.ProcessingMaximumMinutes)
		out.StrandTestMinutes = smaller(out.StrandTestMinutes, p.StrandTestMinutes)
		out.ClearanceDays = smaller(out.ClearanceDays, p.ClearanceDays)
		out.TestDays = smaller(out.TestDays, p.TestDays)
		out.FlushMinutes = larger(out.FlushMinutes, p.FlushMinutes)
		out.AbsoluteAgeYears = larger(out.AbsoluteAgeYears, p.AbsoluteAgeYears)
		out.RelaxerMeasuredWaitDays = larger(out.RelaxerMeasuredWaitDays, p.RelaxerMeasuredWaitDays)
		out.ShampooFloorHours = larger(out.ShampooFloorHours, p.ShampooFloorHours)
		out.RelaxerFloorDays = larger(out.RelaxerFloorDays, p.RelaxerFloorDays)
		out.TexturizingTargetPercent = smaller(out.TexturizingTargetPercent, p.TexturizingTargetPercent)
	}
	return out
}

// larger is the larger of two numbers that may be absent: a longer wait, an older
// age, more growth.
// Absent is not zero: a set that does not state a number leaves it to the others.
func larger[N int32 | float64](a, b *N) *N {
	if a == nil || b != nil && *b > *a {
		return b
	}
	return a
}

// smaller is the smaller of two numbers that may be absent: a lower cap, a shorter
// time.
func smaller[N int32 | float64](a, b *N) *N {
	if a == nil || b != nil && *b < *a {
		return b
	}
	return a
}
