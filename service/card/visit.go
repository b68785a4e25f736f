package card

import (
	"slices"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// visit is one visit as the card shows it. Getters of nil messages return zero
// values, so a visit without a decision or an outcome needs no cases of its own.
// It shows what was known and decided on that day, from the inputs of the
// decision, and not what the client's newest consultation says.
func visit(p StoredVisit) *pb.Visit {
	in := p.Decision.GetInputs()
	v := &pb.Visit{
		Outcome:            p.Outcome.GetName(),
		Session:            p.Session.Name,
		Decision:           p.Decision.GetName(),
		StartTime:          p.Session.StartTime,
		Salon:              p.Session.Salon,
		Practitioner:       p.Session.Practitioner,
		ServiceKind:        p.Session.ServiceKind,
		Scalp:              in.GetConsultation().GetScalp(),
		Hair:               in.GetConsultation().GetHair(),
		Tests:              in.GetConsultation().GetTests(),
		Products:           p.Outcome.GetProductsUsed(),
		ProductKind:        p.Session.ProductKind,
		ProductDisplayName: in.GetProduct().GetDisplayName(),
		Strength:           in.GetProduct().GetStrength(),
		Sections:           p.Outcome.GetSections(),
		HomeCareAdvice:     p.Outcome.GetHomeCareAdvice(),
		Comments:           p.Outcome.GetComments(),
		Completed:          p.Outcome.GetCompleted(),
		NotClosed:          p.Outcome == nil,
		Deviations:         p.Outcome.GetDeviations(),
		NeutralProof:       p.Outcome.GetNeutralProof(),
		Consent:            in.GetConsultation().GetConsent(),
		FirstContact:       anyContact(p.Outcome.GetSections()),
	}
	if wishes := in.GetConsultation().GetWishes(); wishes != nil {
		v.DesiredPercent = wishes.StraighteningPercent
	}
	if hair := in.GetConsultation().GetHair(); hair != nil {
		v.NewGrowthMm = hair.NewGrowthMm
	}
	// Conditions are no contraindications: the service may go ahead with them.
	for _, f := range p.Decision.GetFindings() {
		if contract.CompareRank(f.Severity, pb.Severity_SEVERITY_CONDITION) > 0 {
			v.Contraindications = append(v.Contraindications, f.Message)
		}
	}
	// A denied override set nothing aside.
	for _, o := range p.Decision.GetOverrides() {
		if o.Denial == pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED {
			v.Overrides = append(v.Overrides, &pb.SetAside{RuleId: o.RuleId, Subject: o.Subject, Practitioner: o.Practitioner, ReasonCode: o.ReasonCode, CreateTime: o.CreateTime})
		}
	}
	if p.State != nil {
		applyFacts(v, p)
	}
	v.ExposureMinutes = longestExposure(v.Sections)
	return v
}

// applyFacts replaces what was known when the visit was closed by what the facts
// say now. The facts may have been corrected or have arrived after the closing.
func applyFacts(v *pb.Visit, p StoredVisit) {
	state := p.State
	v.Products = state.ProductsUsed
	v.Sections = p.Sections
	v.FirstContact = anyContact(v.Sections)
	v.Lathers = &state.Shampoos
	v.NeutralProof = state.NeutralProof
	v.Conditions = state.Conditions
	v.OverlappedSections = overlappedSections(p)
	v.Deviations = slices.Concat(state.Deviations, p.ClosingDeviations)
}

// ProductTouchedHair reports whether product touched the hair, by the facts. A
// visit that nobody closed is on the card from then on.
func ProductTouchedHair(state *pb.SessionState) bool {
	return slices.ContainsFunc(state.GetSections(), func(s *pb.SectionState) bool { return s.FirstContactTime != nil })
}

// anyContact reports whether product touched a section. It reads outcomes, which
// a visit without facts has, too.
func anyContact(sections []*pb.SectionOutcome) bool {
	return slices.ContainsFunc(sections, func(s *pb.SectionOutcome) bool { return s.FirstContactTime != nil })
}

// longestExposure is the longest exposure of a section in minutes; nil when not known.
func longestExposure(sections []*pb.SectionOutcome) *float64 {
	var most *float64
	for _, s := range sections {
		if s.ExposureMinutes != nil && (most == nil || *s.ExposureMinutes > *most) {
			most = s.ExposureMinutes
		}
	}
	return most
}

// overlappedSections are the sections in which product was on hair that was
// relaxed before: all of a corrective service, and in a retouch those where
// product was put on more than the new growth. Hair that is relaxed twice may
// break (common practice), so the card counts it. Other services are not counted.
func overlappedSections(p StoredVisit) []string {
	var sections []string
	for _, s := range p.State.Sections {
		if len(s.Contacts) == 0 {
			continue
		}
		beyond := slices.ContainsFunc(s.Contacts, func(c *pb.PartContact) bool {
			return c.Part == pb.SectionPart_SECTION_PART_ENDS || c.Part == pb.SectionPart_SECTION_PART_MID_STRAND
		})
		switch p.Session.ServiceKind {
		case pb.ServiceKind_SERVICE_KIND_CORRECTIVE:
			sections = append(sections, s.SectionId)
		case pb.ServiceKind_SERVICE_KIND_RETOUCH:
			if beyond {
				sections = append(sections, s.SectionId)
			}
		}
	}
	return sections
}
