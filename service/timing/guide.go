package timing

import (
	pb "alkalog/proto/alkalogv1"
)

// guide turns what is believed of a section into minutes of exposure.
type guide struct {
	limits    *pb.SessionLimits
	hardLimit float64 // of this section
}

// latestCall is the exposure at which the call to the bowl must come: water is on
// when the chance of having passed the cap is at its bound, and within the limit.
func (g guide) latestCall(b belief) float64 {
	return max(0, min(b.earliest(g.limits.CapPercent, capChance), g.hardLimit)-g.limits.MinutesToBowl)
}

// firstTest is the exposure of the first strand test: when the target may just have
// been reached, in good time before the latest call, and by half of the limit.
func (g guide) firstTest(b belief) float64 {
	due := min(b.earliest(g.limits.TargetPercent, testChance), firstTestShare*g.hardLimit)
	return max(min(due, g.latestCall(b)-testMinutes), min(testMinutes, g.latestCall(b)))
}

// nextTest is the exposure of the next strand test after one at exposure last; false
// when the section should be called to the bowl before another makes sense.
func (g guide) nextTest(b belief, last float64) (float64, bool) {
	due := max(b.earliest(g.limits.TargetPercent, testChance), last+testGapMinutes)
	due = min(due, last+g.limits.StrandTestMinutes, g.latestCall(b)-testMinutes)
	return due, due >= last+min(testGapMinutes, g.limits.StrandTestMinutes)
}
