package timing

import (
	"fmt"

	pb "alkalog/proto/alkalogv1"
)

// Limits are the limits of a session, fixed when it begins: for each, the shorter of the
// manufacturer's and the chain's. Missing inputs get the cautious default, so Limits(nil)
// serves a session that began without a decision.
//
// Times are minutes from a section's first contact; straightening is percent of the curl.
// A chain's policy arrives in in.parameters and can only tighten: the cap is never above
// the trade's 80 %.
//
// The basis is stored with the session and with the plan's basis in the decision. Its
// words must not change, or stored decisions would not replay to the same bytes.
func Limits(in *pb.DecisionInputs) *pb.SessionLimits {
	d, p := in.GetProduct().GetDirections(), in.GetParameters()
	l := &pb.SessionLimits{
		HardLimitMinutes:  orDefault(p.GetProcessingMaximumMinutes(), maximumMinutes),
		HardLimitBasis:    "house maximum",
		StrandTestMinutes: orDefault(p.GetStrandTestMinutes(), strandTestMinutes),
		MinutesToBowl:     bowlMinutes,
		CapPercent:        min(orDefault(p.GetStraighteningCapPercent(), capPercent), capPercent),
		TargetPercent:     orDefault(p.GetStraighteningTargetPercent(), targetPercent),
		// A question that nobody answered is not a "no".
		BaseNeeded: d.GetBaseNeeded() != pb.Answer_ANSWER_NO,
		NeutralPh:  neutralPH,
	}
	if l.HardLimitMinutes == maximumMinutes && in.GetHousePolicy().GetParameters().GetProcessingMaximumMinutes() == 0 {
		l.HardLimitBasis = "common practice"
	}
	texture := in.GetConsultation().GetHair().GetTexture()
	// Of two limits that are equal the directions are named, because they come
	// first.
	if m := longestExposure(in.GetProduct(), texture); m > 0 && m <= l.HardLimitMinutes {
		l.HardLimitMinutes, l.HardLimitBasis = m, "manufacturer's directions"
		if timesFor(in.GetProduct(), texture).row {
			l.HardLimitBasis = "manufacturer's directions for this strength and texture"
		}
	}
	if m := afterApplication(in.GetProduct(), texture); m > 0 {
		l.MinutesAfterApplication = new(m)
	}
	if m := float64(d.GetStrandTestMinutes()); m > 0 {
		l.StrandTestMinutes = min(l.StrandTestMinutes, m)
	}
	if s := in.GetSalon(); s != nil && s.MinutesToBowl != nil {
		l.MinutesToBowl = float64(s.GetMinutesToBowl())
	}
	// A wish can only lower the target.
	if w := in.GetConsultation().GetWishes().GetStraighteningPercent(); w >= leastWishPercent {
		l.TargetPercent = min(l.TargetPercent, w)
	}
	if in.GetServiceKind() == pb.ServiceKind_SERVICE_KIND_TEXTURIZING {
		l.TargetPercent = min(l.TargetPercent, orDefault(p.GetTexturizingTargetPercent(), texturizingPercent))
	}
	// A chain may lower the cap below the target.
	l.TargetPercent = min(l.TargetPercent, l.CapPercent)
	l.FlushMinutes = new(max(float64(flushMinutes), float64(p.GetFlushMinutes())))
	if d != nil && d.UseWithinMinutes != nil {
		l.UseWithinMinutes = new(float64(d.GetUseWithinMinutes()))
	}
	if d != nil && d.NeutralizerMinutes != nil {
		l.NeutralizerMinutes = new(float64(d.GetNeutralizerMinutes()))
	}
	for _, choice := range in.GetSectionProducts() {
		tighten(l, choice.GetProduct(), texture)
	}
	l.HardLimitBasis = fmt.Sprintf("%s: %g minutes from first contact", l.HardLimitBasis, l.HardLimitMinutes)
	return l
}

// tighten reduces the limits of a head to the directions of one more product on it: all
// its sections share one set of limits.
func tighten(l *pb.SessionLimits, p *pb.Product, texture pb.Texture) {
	d := p.GetDirections()
	if m := longestExposure(p, texture); m > 0 && m < l.HardLimitMinutes {
		l.HardLimitMinutes, l.HardLimitBasis = m, "manufacturer's directions of a section's product"
	}
	if m := float64(d.GetStrandTestMinutes()); m > 0 {
		l.StrandTestMinutes = min(l.StrandTestMinutes, m)
	}
	if m := afterApplication(p, texture); m > 0 && (l.MinutesAfterApplication == nil || m < *l.MinutesAfterApplication) {
		l.MinutesAfterApplication = new(m)
	}
	l.BaseNeeded = l.BaseNeeded || d.GetBaseNeeded() != pb.Answer_ANSWER_NO
	if d != nil && d.UseWithinMinutes != nil && (l.UseWithinMinutes == nil || float64(d.GetUseWithinMinutes()) < *l.UseWithinMinutes) {
		l.UseWithinMinutes = new(float64(d.GetUseWithinMinutes()))
	}
}

// limitsOf returns a session's limits; a stored session always has them.
func limitsOf(s *pb.Session) *pb.SessionLimits {
	if s.GetLimits() != nil {
		return s.Limits
	}
	return Limits(nil)
}

// orDefault returns value, or otherwise when value is not stated (zero).
func orDefault[N int32 | float64](value N, otherwise float64) float64 {
	if value > 0 {
		return float64(value)
	}
	return otherwise
}

// TighterLimits lists the limits that are tighter now than before, a line each; none when
// all are the same or looser.
func TighterLimits(before, now *pb.SessionLimits) []string {
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
	if now.MinutesAfterApplication != nil && (before.MinutesAfterApplication == nil || now.GetMinutesAfterApplication() < before.GetMinutesAfterApplication()) {
		lines = append(lines, fmt.Sprintf("water within %g minutes after the application", now.GetMinutesAfterApplication()))
	}
	if now.GetBaseNeeded() && !before.GetBaseNeeded() {
		lines = append(lines, "base the whole scalp")
	}
	return lines
}
