package timing

import (
	"cmp"

	pb "alkalog/proto/alkalogv1"
)

// Revision is the revision of the guidance that a new session gets. A session stores it
// and is guided by it until it is closed and whenever it is read again, so that its alarms
// and deviations stay what they were. It is raised when the same facts would give other
// alarms, once for each release:
//
//	0  before sessions stored a revision
//	1  time for hands and for the way to the bowl, by their slower figures; one strand
//	   test that reads at the cap is doubted, see section.capCallTime
const Revision = 1

// guide turns the estimate of a section into minutes of exposure. It weighs two risks:
// leaving product on beyond the cap, which is bounded by the chance at the latest call;
// and noticing too late, which is bounded by the times of the strand tests.
type guide struct {
	limits *pb.SessionLimits
	// Of this section.
	hardLimit float64
	// Of having passed the cap when water is on: after the latest call, and after a
	// strand test that shows more than was expected.
	capChance, surpriseChance float64
	// Minutes from a call to water on the section.
	walk float64
	// Minutes from the time of a strand test until it is made and read.
	look float64
	// Minutes before the limit at which water should be on.
	lead float64
	// directions is set where the estimate does not apply: the directions' times and
	// strand tests alone guide.
	directions bool
	// Minutes that the section in hand may take before a strand test is made.
	applying float64
	// hands: the delays of hands are counted apart from the chances, and one strand test
	// at the cap is doubted. From revision 1.
	hands bool
}

// plannedGuide returns the guide with the figures of the plan.
func plannedGuide(limits *pb.SessionLimits) guide {
	return guide{limits: limits, hardLimit: limits.HardLimitMinutes, capChance: capChance, surpriseChance: surpriseChance, walk: limits.MinutesToBowl}
}

// sessionGuide returns the guide of a section of a session, by the session's revision.
func sessionGuide(s *pb.Session, limits *pb.SessionLimits) guide {
	g := plannedGuide(limits)
	g.directions = IsThio(s)
	switch {
	case s.GetGuidanceRevision() >= 1:
		sections := float64(cmp.Or(len(s.GetPlan().GetSections()), unplannedSections))
		g.capChance = min(headCapChance/sections, stagedCapChance)
		g.surpriseChance = min(headSurpriseChance/sections, surpriseChance)
		g.lead = handsLeadMinutes
		g.walk = slowWay*limits.MinutesToBowl + handMinutes
		g.look = testMinutes
		g.hands, g.applying = true, s.GetPlan().GetPaceMinutes()
	case s.GetPlan().GetPaceMinutes() > 0:
		g.capChance, g.lead = stagedCapChance, limitLeadMinutes
	default:
		g.capChance, g.lead = guidedCapChance, limitLeadMinutes
	}
	return g
}

// forPlan returns the guide with the figures of the plan. The advice of a session leaves
// room for slow hands; lateness is measured without that room, so that advice can be
// cautious without producing deviations.
func (g guide) forPlan() guide {
	planned := plannedGuide(g.limits)
	planned.hardLimit, planned.directions = g.hardLimit, g.directions
	return planned
}

// latestCall is the exposure at which the call to the bowl must come: water is on when
// the chance of having passed the cap is at its bound, and before the limit.
func (g guide) latestCall(b posterior) float64 {
	return max(0, min(g.capPassed(b, g.capChance), g.hardLimit-g.lead)-g.walk)
}

// capPassed is the exposure at which the chance of having passed the cap is p; the limit
// where the estimate does not apply.
func (g guide) capPassed(b posterior, p float64) float64 {
	if g.directions {
		return g.hardLimit
	}
	return b.earliest(g.limits.CapPercent, p)
}

// targetPassed is the exposure at which the chance of having passed the target is p.
func (g guide) targetPassed(b posterior, p float64) float64 {
	return b.earliest(g.limits.TargetPercent, p)
}

// lastTest is the exposure after which a strand test comes too late: a fast section could
// not be brought under water in time after it.
func (g guide) lastTest(b posterior) float64 {
	surprise := g.capPassed(b, g.surpriseChance) - g.walk - g.look
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
