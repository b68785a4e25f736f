package timing

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// Plan is the order of application and the timing of a service, in minutes from each
// section's first contact, with 90 % intervals. It is a pure function of the inputs;
// what is missing there widens the intervals, so nil gives the most cautious plan.
// Sections are ordered by how long they are expected to take, longest first, and
// delicate ones come last whatever they take (both common practice). The plan's
// basis names the source of each figure.
func Plan(in *pb.DecisionInputs) *pb.Plan {
	limits := Limits(in)
	plan := &pb.Plan{
		StrandTestMinutes: limits.StrandTestMinutes,
		TargetPercent:     limits.TargetPercent,
		CapPercent:        limits.CapPercent,
		Basis:             planBasis(in, limits),
	}
	for _, section := range sectionsOf(in) {
		plan.Sections = append(plan.Sections, planSection(in, limits, section))
	}
	sortForApplication(plan.Sections, sectionsOf(in))
	for i, s := range plan.Sections {
		s.Order = int32(i + 1)
		s.StartMinute = paceMinutes * float64(i)
	}
	// Decisions of before stages have no pace in their inputs, and replay to their plan
	// of before.
	if in.GetApplicationPace() != nil {
		inStages(in, limits, plan)
	} else {
		plan.FinishSpreadMinutes = rounded(finishSpread(plan.Sections))
		plan.Feasible = feasible(plan.Sections, 1)
	}
	plan.Remarks = planRemarks(in, limits, plan)
	return plan
}

// inStages divides a plan into stages at the practitioner's pace.
func inStages(in *pb.DecisionInputs, limits *pb.SessionLimits, plan *pb.Plan) {
	plan.PaceMinutes = paceOf(in)
	plan.Stages = stagesOf(limits, plan.Sections, plan.PaceMinutes)
	if people := peopleForOneStage(limits, plan.Sections, plan.PaceMinutes); people > 0 {
		plan.PeopleForOneStage = new(int32(people))
	}
	plan.Feasible = targetsReached(plan.Sections)
	sections := plan.Sections
	for _, stage := range plan.Stages {
		n := len(stage.SectionIds)
		plan.FinishSpreadMinutes = max(plan.FinishSpreadMinutes, rounded(finishSpread(sections[:n])))
		sections = sections[n:]
	}
}

// SectionIDs returns the IDs of the sections of a head, whether or not all are treated.
func SectionIDs(in *pb.DecisionInputs) []string {
	var ids []string
	for _, section := range headOf(in) {
		ids = append(ids, section.SectionId)
	}
	return ids
}

// sectionsOf returns the sections that are to be treated.
func sectionsOf(in *pb.DecisionInputs) []*pb.HeadSection {
	treated := in.GetSectionIds()
	if len(treated) == 0 {
		return headOf(in)
	}
	var sections []*pb.HeadSection
	for _, section := range headOf(in) {
		if slices.Contains(treated, section.SectionId) {
			sections = append(sections, section)
		}
	}
	return sections
}

// headOf returns the sections of this head: the salon's own, else the usual ones.
func headOf(in *pb.DecisionInputs) []*pb.HeadSection {
	if own := in.GetConsultation().GetHair().GetSections(); len(own) > 0 {
		return own
	}
	return UsualSections()
}

// UsualSections are the sections of a head for which the salon lists none: four quadrants
// and the hairline. Quadrants of equal expected minutes keep this order, which puts the
// back before the front (common practice).
func UsualSections() []*pb.HeadSection {
	return []*pb.HeadSection{
		{SectionId: "back-left"}, {SectionId: "back-right"},
		{SectionId: "front-left"}, {SectionId: "front-right"},
		{SectionId: "hairline", Hairline: pb.Answer_ANSWER_YES},
	}
}

// planSection is the timing of one section, counted from its own first contact.
func planSection(in *pb.DecisionInputs, limits *pb.SessionLimits, section *pb.HeadSection) *pb.PlannedSection {
	// Low minutes belong to high rates and the other way round.
	b := posterior{normal: priorOf(in, section)}
	g := plannedGuide(limits)
	if m := longestExposure(productOf(in, section), textureOf(in.GetConsultation().GetHair(), section)); m > 0 {
		g.hardLimit = min(g.hardLimit, m)
	}
	return &pb.PlannedSection{
		SectionId:             section.SectionId,
		ExpectedMinutes:       rounded(minutesTo(limits.TargetPercent, b.quantile(0.5))),
		ExpectedMinutesLow:    rounded(minutesTo(limits.TargetPercent, b.quantile(highTail))),
		ExpectedMinutesHigh:   rounded(minutesTo(limits.TargetPercent, b.quantile(lowTail))),
		FirstStrandTestMinute: rounded(g.firstTest(b)),
		LatestRinseMinute:     rounded(g.latestCall(b)),
		HardLimitMinute:       g.hardLimit,
		Reason:                orderReason(in, section),
	}
}

// rounded keeps six decimals, so that another processor, which may round its sums
// differently, replays a decision to the same bytes.
func rounded(minutes float64) float64 { return math.Round(minutes*1e6) / 1e6 }

// orderReason says why a section has its place in the order. The words are stored with
// the decision.
func orderReason(in *pb.DecisionInputs, section *pb.HeadSection) string {
	switch {
	case section.Hairline == pb.Answer_ANSWER_YES:
		return "hairline: last, it is the most delicate (common practice)"
	case section.Fragile == pb.Answer_ANSWER_YES:
		return "fragile: late, so that product is on it shortest (common practice)"
	}
	if r := rateOf(in.GetRecordCard().GetRates(), section.SectionId); r != nil {
		return fmt.Sprintf("by its expected minutes, measured with %d readings at earlier visits", r.Readings)
	}
	if section.Resistant == pb.Answer_ANSWER_YES {
		return "marked as resistant: early (common practice)"
	}
	return "by its expected minutes: directions and hair analysis, not measured yet"
}

// sortForApplication puts the slowest section first, fragile ones after the sound ones and
// the hairline last. Equal sections keep the order in which the salon names them.
func sortForApplication(sections []*pb.PlannedSection, heads []*pb.HeadSection) {
	delicacy := map[string]int{}
	for _, h := range heads {
		switch {
		case h.Hairline == pb.Answer_ANSWER_YES:
			delicacy[h.SectionId] = 2
		case h.Fragile == pb.Answer_ANSWER_YES || h.Fragile == pb.Answer_ANSWER_UNSURE:
			delicacy[h.SectionId] = 1
		}
	}
	slices.SortStableFunc(sections, func(a, b *pb.PlannedSection) int {
		return cmp.Or(
			cmp.Compare(delicacy[a.SectionId], delicacy[b.SectionId]),
			cmp.Compare(b.ExpectedMinutes, a.ExpectedMinutes),
		)
	})
}

// finishSpread is the minutes between the first and the last expected finish.
func finishSpread(sections []*pb.PlannedSection) float64 {
	if len(sections) == 0 {
		return 0
	}
	finish := func(a, b *pb.PlannedSection) int {
		return cmp.Compare(a.StartMinute+a.ExpectedMinutes, b.StartMinute+b.ExpectedMinutes)
	}
	first, last := slices.MinFunc(sections, finish), slices.MaxFunc(sections, finish)
	return last.StartMinute + last.ExpectedMinutes - first.StartMinute - first.ExpectedMinutes
}

// feasible reports whether the last section reaches its target before the first must be
// under water, when this many people apply at the same time.
func feasible(sections []*pb.PlannedSection, hands int) bool {
	finish, limit := 0.0, 0.0
	for i, s := range sections {
		start := paceMinutes * float64(i/hands)
		finish = max(finish, start+s.ExpectedMinutes)
		if i == 0 {
			limit = start + s.HardLimitMinute
		}
		limit = min(limit, start+s.HardLimitMinute)
	}
	return finish <= limit
}
