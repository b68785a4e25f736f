package timing

import (
	"fmt"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// clockFormat is how times of day are written for people in the salon.
const clockFormat = "15:04"

// SectionTimes are the absolute times of a session's sections, in order of application, if
// application begins with the session and follows the plan; none without a plan. zone is
// the salon's, for the times in words. A till or a printed slip can go on with them
// without a server. The hard limit of the session counts where it is shorter than the
// plan's.
// Times are counted from the start of the session and are not moved by what happens
// later.
func SectionTimes(s *pb.Session, zone *time.Location) []*pb.SectionTimes {
	sections := slices.Clone(s.GetPlan().GetSections())
	slices.SortStableFunc(sections, func(a, b *pb.PlannedSection) int { return int(a.Order - b.Order) })
	start, limits := s.GetStartTime().AsTime(), limitsOf(s)
	var times []*pb.SectionTimes
	for _, p := range sections {
		apply := start.Add(minutes(p.StartMinute))
		hard := limits.HardLimitMinutes
		if p.HardLimitMinute > 0 {
			hard = min(hard, p.HardLimitMinute)
		}
		if stage := stageOf(s.Plan, p.SectionId); stage != nil {
			hard = min(hard, stage.StartMinute+stage.RinseByMinute-p.StartMinute)
		}
		latest := apply.Add(minutes(min(p.LatestRinseMinute, hard)))
		test := apply.Add(minutes(min(p.FirstStrandTestMinute, hard)))
		times = append(times, &pb.SectionTimes{
			SectionId:       p.SectionId,
			ApplyTime:       stamp(apply),
			TestTime:        stamp(test),
			LatestRinseTime: stamp(latest),
			HardLimitTime:   stamp(apply.Add(minutes(hard))),
			Text: fmt.Sprintf("%s: apply at %s, rinse by %s at the latest, test from %s", sectionWords(p.SectionId),
				apply.In(zone).Format(clockFormat), latest.In(zone).Format(clockFormat), test.In(zone).Format(clockFormat)),
		})
	}
	return times
}

// stageOf is the stage of a section; nil in a plan without stages.
func stageOf(plan *pb.Plan, section string) *pb.PlannedStage {
	for _, stage := range plan.GetStages() {
		if slices.Contains(stage.SectionIds, section) {
			return stage
		}
	}
	return nil
}
