package timing

import (
	pb "alkalog/proto/alkalogv1"
)

// guide turns what is believed of a section into minutes of exposure. Two risks are
// weighed: to leave product on beyond the cap, which the chance at the latest call
// bounds, and to find out too late, which the times of the strand tests bound.
type guide struct {
	limits    *pb.SessionLimits
	hardLimit float64 // of this section
	capChance float64 // of having passed the cap when water is on
	lead      float64 // minutes before the limit at which water should be on
	// directions is set where the estimate does not apply: the directions' times and
	// strand tests alone guide.
	directions bool
}

// sessionGuide guides a section of a session.
func sessionGuide(s *pb.Session, limits *pb.SessionLimits) guide {
	return guide{limits, limits.HardLimitMinutes, guidedCapChance, limitLeadMinutes, IsThio(s)}
}

// planned is the guide by the figures of the plan: what a session is advised leaves
// room for slow hands, what it is measured against does not count that room.
func (g guide) forPlan() guide {
	g.capChance, g.lead = capChance, 0
	return g
}

// latestCall is the exposure at which the call to the bowl must come: water is on
// when the chance of having passed the cap is at its bound, and within the limit.
func (g guide) latestCall(b posterior) float64 {
	return max(0, min(g.capPassed(b, g.capChance), g.hardLimit-g.lead)-g.limits.MinutesToBowl)
}

// capPassed is the exposure at which the chance of having passed the cap is p. Where
// the estimate does not apply it is the limit.
func (g guide) capPassed(b posterior, p float64) float64 {
	if g.directions {
		return g.hardLimit
	}
	return b.earliest(g.limits.CapPercent, p)
}

// lastTest is the exposure after which another strand test would come too late: a
// fast section could not be brought under water in time after it.
func (g guide) lastTest(b posterior) float64 {
	surprise := g.capPassed(b, surpriseChance) - g.limits.MinutesToBowl
	return max(0, min(surprise, g.latestCall(b)-testMinutes))
}

// firstTest is the exposure of the first strand test: when the target may just have
// been reached, by half of the limit, and not too late to act.
func (g guide) firstTest(b posterior) float64 {
	return min(g.targetPossible(b), firstTestShare*g.hardLimit, g.lastTest(b))
}

// targetPossible is the exposure at which the target may just have been reached.
func (g guide) targetPossible(b posterior) float64 {
	if g.directions {
		return firstTestShare * g.hardLimit
	}
	return b.earliest(g.limits.TargetPercent, testChance)
}

// nextTest is the exposure of the next strand test after one at exposure last; false
// when the section should be called to the bowl without another.
func (g guide) nextTest(b posterior, last float64) (float64, bool) {
	due := max(g.targetPossible(b), last+testGapMinutes)
	if g.directions {
		due = last + g.limits.StrandTestMinutes
	}
	due = min(due, last+g.limits.StrandTestMinutes, g.lastTest(b))
	return due, due >= last+testGapMinutes
}
