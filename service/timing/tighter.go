package timing

import (
	"fmt"

	pb "alkalog/proto/alkalogv1"
)

// Tighter says which limits are tighter than those of before, a line each; nothing
// when all are the same or looser.
func Tighter(before, now *pb.SessionLimits) []string {
	var lines []string
	shorter := func(what, unit string, before, now float64) {
		if now < before {
			lines = append(lines, fmt.Sprintf("%s: %g -> %g %s", what, before, now, unit))
		}
	}
	shorter("longest time on the hair", "minutes", before.GetHardLimitMinutes(), now.GetHardLimitMinutes())
	shorter("minutes between strand tests", "minutes", before.GetStrandTestMinutes(), now.GetStrandTestMinutes())
	shorter("highest straightening", "%", before.GetCapPercent(), now.GetCapPercent())
	if now.UseWithinMinutes != nil && (before.UseWithinMinutes == nil || now.GetUseWithinMinutes() < before.GetUseWithinMinutes()) {
		lines = append(lines, fmt.Sprintf("use within %g minutes after mixing", now.GetUseWithinMinutes()))
	}
	if now.GetBaseNeeded() && !before.GetBaseNeeded() {
		lines = append(lines, "base the whole scalp")
	}
	return lines
}
