package timing

import (
	"math"

	pb "alkalog/proto/alkalogv1"
	"gonum.org/v1/gonum/stat/distuv"
)

// plannedSections are the clocks of the plan's sections, in its order.
func plannedSections(s *pb.Session, limits *pb.SessionLimits) []*section {
	var sections []*section
	for _, p := range s.GetPlan().GetSections() {
		c := &section{
			id:      p.SectionId,
			planned: true,
			prior:   plannedPrior(s.Plan, p),
			guide:   sessionGuide(s, limits),
		}
		if p.HardLimitMinute > 0 {
			c.guide.hardLimit = min(c.guide.hardLimit, p.HardLimitMinute)
		}
		c.belief = belief{normal: c.prior}
		sections = append(sections, c)
	}
	return sections
}

// plannedPrior reads a section's prior back from the plan that was decided on: the
// expected minutes are the median and its interval the 90 % interval of the time to
// the target, so the plan holds the whole distribution.
func plannedPrior(plan *pb.Plan, p *pb.PlannedSection) normal {
	ends := distuv.UnitNormal.Quantile(highTail) - distuv.UnitNormal.Quantile(lowTail)
	low, high := p.ExpectedMinutesLow-lagMinutes, p.ExpectedMinutesHigh-lagMinutes
	middle := p.ExpectedMinutes - lagMinutes
	if plan.TargetPercent <= 0 || low <= 0 || middle <= 0 || high <= low {
		return priorOf(nil, nil)
	}
	return normal{math.Log(loss(plan.TargetPercent) / middle), math.Log(high/low) / ends}
}

// unplannedPrior serves a section that is not on the plan: the cautious default, no
// slower than what reaches its target at the limit, nor than the fastest section that
// is on the plan.
func unplannedPrior(sections []*section, limits *pb.SessionLimits) normal {
	prior := priorOf(nil, nil)
	prior.mean = max(prior.mean, logRate(targetPercent, limits.HardLimitMinutes))
	for _, c := range sections {
		if c.planned {
			prior.mean = max(prior.mean, c.prior.mean)
		}
	}
	return prior
}
