package timing

import (
	pb "alkalog/proto/alkalogv1"
)

// guide turns the estimate of a section into minutes of exposure. It weighs two risks:
// leaving product on beyond the cap, which is bounded by the chance at the latest call;
// and noticing too late, which is bounded by the times of the strand tests.
type guide struct {
	limits *pb.SessionLimits
	// Of this section.
	hardLimit float64
	// Of having passed the cap when water is on.
	capChance float64
	// Minutes before the limit at which water should be on.
	lead float64
	// directions is set where the estimate does not apply: the directions' times and
	// strand tests alone guide.
	directions bool
}

// sessionGuide returns the guide of a section of a session.
func sessionGuide(s *pb.Session, limits *pb.SessionLimits) guide {
	chance := guidedCapChance
	if s.GetPlan().GetPaceMinutes() > 0 {
		chance = stagedCapChance
	}
	return guide{limits, limits.HardLimitMinutes, chance, limitLeadMinutes, IsThio(s)}
}

// forPlan returns the guide with the figures of the plan. The advice of a session leaves
// room for slow hands; lateness is measured without that room, so that advice can be
// cautious without producing deviations.
func (g guide) forPlan() guide {
	g.capChance, g.lead = capChance, 0
	return g
}

// latestCall is the exposure at which the call to the bowl must come: water is on when
// the chance of having passed the cap is at its bound, and before the limit.
func (g guide) latestCall(b posterior) float64 {
	return max(0, min(g.capPassed(b, g.capChance), g.hardLimit-g.lead)-g.limits.MinutesToBowl)
}

// capPassed is the exposure at which the chance of having passed the cap is p; the limit
// where the estimate does not apply.
func (g guide) capPassed(b posterior, p float64) float64 {
	if g.directions {
		return g.hardLimit
	}
	return b.earliest(g.limits.CapPercent, p)
}

// lastTest is the exposure after which a strand test comes too late: a fast section could
// not be brought under water in time after it.
func (g guide) lastTest(b posterior) float64 {
	surprise := g.capPassed(b, surpriseChance) - g.limits.MinutesToBowl
	return max(0, min(surprise, g.latestCall(b)-testMinutes))
}

// firstTest is the exposure of the first strand test: when the target may just have been
// reached, but at half of the limit at the latest, and early enough to act.
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

// nextTest is the exposure of the next strand test after one at exposure last. It is
// false when the section should go to the bowl without another test.
func (g guide) nextTest(b posterior, last float64) (float64, bool) {
	due := max(g.targetPossible(b), last+testGapMinutes)
	if g.directions {
		due = last + g.limits.StrandTestMinutes
	}
	due = min(due, last+g.limits.StrandTestMinutes, g.lastTest(b))
	return due, due >= last+testGapMinutes
}
