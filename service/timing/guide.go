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
}

// latestCall is the exposure at which the call to the bowl must come: water is on
// when the chance of having passed the cap is at its bound, and within the limit.
func (g guide) latestCall(b belief) float64 {
	return max(0, min(b.earliest(g.limits.CapPercent, capChance), g.hardLimit)-g.limits.MinutesToBowl)
}

// lastTest is the exposure after which another strand test would come too late: a
// fast section could not be brought under water in time after it.
func (g guide) lastTest(b belief) float64 {
	surprise := b.earliest(g.limits.CapPercent, surpriseChance) - g.limits.MinutesToBowl
	return max(0, min(surprise, g.latestCall(b)-testMinutes))
}

// firstTest is the exposure of the first strand test: when the target may just have
// been reached, by half of the limit, and not too late to act.
func (g guide) firstTest(b belief) float64 {
	return min(b.earliest(g.limits.TargetPercent, testChance), firstTestShare*g.hardLimit, g.lastTest(b))
}

// nextTest is the exposure of the next strand test after one at exposure last; false
// when the section should be called to the bowl without another.
func (g guide) nextTest(b belief, last float64) (float64, bool) {
	due := max(b.earliest(g.limits.TargetPercent, testChance), last+testGapMinutes)
	due = min(due, last+g.limits.StrandTestMinutes, g.lastTest(b))
	return due, due >= last+testGapMinutes
}
