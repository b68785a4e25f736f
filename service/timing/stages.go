package timing

import (
	"math"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// A whole head rarely reaches its target at once: by the time the last section is on, the
// first is nearly done. The plan therefore divides the head into stages. The sections of
// a stage are applied one after the other by one person and rinsed together; the next
// stage begins on neutral hair. A stage is feasible when
//
//   - its last section reaches its target before its first must be under water,
//   - all of it is applied by then, and
//   - hands are free in time for the strand tests of every section: a test waits until
//     the section that is being applied is finished.
//
// Stages are runs of the order of application, each as long as possible. Removing a
// section from the end of a feasible stage leaves a feasible one, so this gives the
// fewest stages. A section alone is always feasible. One that cannot reach its target
// within its limit needs its limit only; a remark says that it stays below the target.

// stagesOf divides sections, in order of application, into stages, and sets the start of
// each section.
func stagesOf(limits *pb.SessionLimits, sections []*pb.PlannedSection, pace float64) []*pb.PlannedStage {
	var stages []*pb.PlannedStage
	start := 0.0
	for len(sections) > 0 {
		n := 1
		for n < len(sections) && stageFeasible(limits, sections[:n+1], pace, 1) {
			n++
		}
		stage := newStage(limits, sections[:n], pace, start)
		stages = append(stages, stage)
		start += stage.RinseByMinute + betweenStagesMinutes
		sections = sections[n:]
	}
	return stages
}

// newStage is a stage of sections that begins at a minute of the plan.
func newStage(limits *pb.SessionLimits, sections []*pb.PlannedSection, pace, start float64) *pb.PlannedStage {
	applied := pace * float64(len(sections))
	stage := &pb.PlannedStage{StartMinute: rounded(start), AppliedMinute: rounded(applied), RinseByMinute: rounded(rinseBy(limits, sections, pace, 1))}
	for i, s := range sections {
		stage.SectionIds = append(stage.SectionIds, s.SectionId)
		offset := pace * float64(i)
		s.StartMinute = rounded(start + offset)
		if limits.MinutesAfterApplication != nil {
			water := stage.RinseByMinute - offset
			s.LatestRinseMinute = min(s.LatestRinseMinute, max(0, rounded(water-limits.MinutesToBowl)))
			s.FirstStrandTestMinute = min(s.FirstStrandTestMinute, max(0, rounded(s.LatestRinseMinute-testMinutes)))
		}
	}
	return stage
}

// rinseBy is the minutes from a stage's first contact by which water must be on all of
// it, when so many people apply at the same time.
func rinseBy(limits *pb.SessionLimits, sections []*pb.PlannedSection, pace float64, people int) float64 {
	by := math.Inf(1)
	for i, s := range sections {
		by = min(by, pace*float64(i/people)+s.HardLimitMinute)
	}
	if limits.MinutesAfterApplication != nil {
		by = min(by, appliedBy(sections, pace, people)+limits.GetMinutesAfterApplication())
	}
	return by
}

// appliedBy is the minutes from a stage's first contact until all of it is applied.
// Each person applies a section at a time, so the last round may leave some of them
// idle.
func appliedBy(sections []*pb.PlannedSection, pace float64, people int) float64 {
	return pace * float64((len(sections)+people-1)/people)
}

// stageFeasible reports whether sections can be one stage, see above. With more than one
// person, hands are free for the strand tests.
func stageFeasible(limits *pb.SessionLimits, sections []*pb.PlannedSection, pace float64, people int) bool {
	water, applied := rinseBy(limits, sections, pace, people), appliedBy(sections, pace, people)
	if applied > water {
		return false
	}
	for i, s := range sections {
		start := pace * float64(i/people)
		if i > 0 && start+min(s.ExpectedMinutes, s.HardLimitMinute) > water {
			return false
		}
		if people > 1 || len(sections) == 1 {
			continue // hands are free
		}
		test := start + s.FirstStrandTestMinute
		if test < applied {
			test = pace * math.Ceil(test/pace)
		}
		tooLate := test+testMinutes > start+s.LatestRinseMinute
		tooRare := test < applied && pace > limits.StrandTestMinutes+testGraceMinutes
		if tooLate || tooRare {
			return false
		}
	}
	return true
}

// peopleForOneStage is the fewest people who must apply at the same time so that the whole
// head is one stage; 0 when more people do not help.
// More than mostPeople are never suggested.
func peopleForOneStage(limits *pb.SessionLimits, sections []*pb.PlannedSection, pace float64) int {
	for people := 1; people <= mostPeople; people++ {
		if stageFeasible(limits, sections, pace, people) {
			return people
		}
	}
	return 0
}

// stageWords says how to work in the stages of a plan.
func stageWords(plan *pb.Plan) string {
	var groups []string
	for _, s := range plan.Stages {
		groups = append(groups, strings.Join(s.SectionIds, ", "))
	}
	return strings.Join(groups, "; then ")
}

// targetsReached reports whether every section is expected to reach its target within its
// limit.
func targetsReached(sections []*pb.PlannedSection) bool {
	for _, s := range sections {
		if s.ExpectedMinutes > s.HardLimitMinute {
			return false
		}
	}
	return true
}
