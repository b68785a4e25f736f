// Package card makes a client's record card from what is stored of the visits.
// It is pure. The elements follow what the Australian unit SHBHREF002,
// Straighten and relax hair with chemical treatments, requires to be recorded:
// pre-service analysis, contraindications, desired degree of relaxation,
// products, strengths and processing times, straightening methods, degree of
// relaxation achieved, home-care advice.
package card

import (
	pb "alkalog/proto/alkalogv1"
	"alkalog/service/severity"
	"alkalog/service/timing"
)

// Past is one visit as stored. Decision is nil for a service begun without one.
type Past struct {
	Outcome  *pb.Outcome
	Session  *pb.Session
	Decision *pb.Decision
}

// Build makes the card from all visits of a client, newest first. At most keep
// visits stay on it whole; rates and growth rest on all of them.
func Build(client string, past []Past, keep int) *pb.RecordCard {
	c := &pb.RecordCard{Client: client}
	for i := len(past) - 1; i >= 0; i-- {
		c.Rates = timing.Learn(c.Rates, learned(past[i].Outcome))
	}
	var visits []*pb.Visit
	for _, p := range past {
		visits = append(visits, visit(p))
	}
	c.GrowthUmPerDay = timing.Growth(visits)
	if len(past) > 0 {
		newest := past[0].Outcome
		c.MostResistantSection = newest.MostResistantSection
		c.NextRetouchTime, c.NextRetouchReason = newest.NextRetouchTime, newest.NextRetouchReason
		c.Reminders = reminders(past)
	}
	c.Visits = visits[:min(keep, len(visits))]
	return c
}

// learned is what a visit taught about the rates of its sections.
func learned(o *pb.Outcome) []*pb.LearnedRate {
	var rates []*pb.LearnedRate
	for _, s := range o.Sections {
		if s.Rate != nil {
			rates = append(rates, &pb.LearnedRate{SectionId: s.SectionId, Rate: s.Rate})
		}
	}
	return rates
}

// visit is one visit as it stands on the card.
func visit(p Past) *pb.Visit {
	in := p.Decision.GetInputs()
	v := &pb.Visit{
		Outcome:        p.Outcome.Name,
		Session:        p.Session.Name,
		Decision:       p.Decision.GetName(),
		StartTime:      p.Session.StartTime,
		Salon:          p.Session.Salon,
		Practitioner:   p.Session.Practitioner,
		ServiceKind:    p.Session.ServiceKind,
		Scalp:          in.GetConsultation().GetScalp(),
		Hair:           in.GetConsultation().GetHair(),
		Tests:          in.GetConsultation().GetTests(),
		Products:       p.Outcome.ProductsUsed,
		Strength:       in.GetProduct().GetStrength(),
		Sections:       p.Outcome.Sections,
		HomeCareAdvice: p.Outcome.HomeCareAdvice,
		Comments:       p.Outcome.Comments,
		Completed:      p.Outcome.Completed,
		Deviations:     p.Outcome.Deviations,
		Consent:        in.GetConsultation().GetConsent(),
	}
	if wishes := in.GetConsultation().GetWishes(); wishes != nil {
		v.DesiredPercent = wishes.StraighteningPercent
	}
	if hair := in.GetConsultation().GetHair(); hair != nil {
		v.NewGrowthMm = hair.NewGrowthMm
	}
	for _, f := range p.Decision.GetFindings() {
		if severity.Compare(f.Severity, pb.Severity_SEVERITY_CONDITION) > 0 {
			v.Contraindications = append(v.Contraindications, f.Message)
		}
	}
	return v
}

// reminders is what to mind next time, from the newest visit.
func reminders(past []Past) []string {
	var lines []string
	newest := past[0].Outcome
	if s := newest.MostResistantSection; s != "" {
		lines = append(lines, "Begin with "+s+": it took longest last time.")
	}
	for _, s := range newest.Sections {
		if s.Breakage == pb.Answer_ANSWER_YES {
			lines = append(lines, "Hair broke in "+s.SectionId+" last time: analyse it again before anything else.")
		}
	}
	if newest.ScalpChanged == pb.Answer_ANSWER_YES {
		lines = append(lines, "The scalp had changed after the last service: look closely and refer when in doubt.")
	}
	if !newest.Completed {
		lines = append(lines, "The last service was broken off: "+newest.BrokenOffReason)
	}
	return lines
}
