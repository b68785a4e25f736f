package timing

import (
	"fmt"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// planRemarks is what to know before the first contact. The lines are stored with the
// decision, so a change of words needs a new revision of the engine.
func planRemarks(in *pb.DecisionInputs, limits *pb.SessionLimits, plan *pb.Plan) []string {
	lines := []string{"The manufacturer's directions come first; if the client feels tingling, itching or burning, rinse at once, whatever the clock says."}
	if k := in.GetProduct().GetKind(); k != pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER && k != pb.ProductKind_PRODUCT_KIND_UNSPECIFIED {
		lines = append(lines, "The timing here is made for hydroxide relaxers; with this product follow its directions alone.")
	}
	switch {
	case in.GetApplicationPace() != nil:
		lines = append(lines, stagesRemark(plan)...)
	case !plan.Feasible:
		lines = append(lines, stageRemark(plan))
	}
	for _, s := range plan.Sections {
		if s.ExpectedMinutes > s.HardLimitMinute {
			lines = append(lines, fmt.Sprintf("%s is expected to need %.0f minutes, more than the limit of %.0f: it will stay below the target. Do not leave it on longer.",
				s.SectionId, s.ExpectedMinutes, s.HardLimitMinute))
		}
	}
	lines = append(lines,
		fmt.Sprintf("Common practice: partings of %d to %d mm, product as far off the scalp until the last pass; after the rinse about %d minutes of normalizer where the directions ask for it, then at least %d neutralizing shampoos until the colour was seen and has gone.",
			partingLowMM, partingHighMM, normalizerMinutes, fewestShampoos))
	lines = append(lines, "The latest rinse is set without strand tests; each strand test moves it. Warmth speeds the product up: in a warm room, or near a dryer, test earlier.")
	return append(lines, overlapRisk(in)...)
}

// stagesRemark says how to work in stages, and when more people help.
func stagesRemark(plan *pb.Plan) []string {
	if len(plan.Stages) < 2 {
		return nil
	}
	text := fmt.Sprintf("Work in %d stages: %s. Rinse each stage together, normalize and shampoo it, then begin the next.", len(plan.Stages), stageWords(plan))
	if people := plan.GetPeopleForOneStage(); people > 1 {
		text += fmt.Sprintf(" With %d people applying at the same time, one stage is enough.", people)
	}
	return []string{text}
}

// stageRemark is for plans without stages. It says what helps when one person cannot bring the whole head to its target
// before the first section must be rinsed.
func stageRemark(plan *pb.Plan) string {
	sections := plan.Sections
	last, first := sections[len(sections)-1], sections[0]
	text := fmt.Sprintf("The head cannot be rinsed all at once: %s, begun at minute %.0f, would not reach its target before %s hits its limit at minute %.0f.",
		last.SectionId, last.StartMinute, first.SectionId, first.StartMinute+first.HardLimitMinute)
	if feasible(sections, 2) {
		text += " A helper who applies at the same time is enough."
	}
	half := (len(sections) + 1) / 2
	if feasible(sections[:half], 1) && feasible(sections[half:], 1) {
		text += fmt.Sprintf(" Or work in two stages, the first rinsed, normalized and shampooed before the second is begun: %s; then %s.",
			sectionNames(sections[:half]), sectionNames(sections[half:]))
	}
	return text + " Or rinse section by section in the order of application, each by its own clock."
}

func sectionNames(sections []*pb.PlannedSection) string {
	var ids []string
	for _, s := range sections {
		ids = append(ids, s.SectionId)
	}
	return strings.Join(ids, ", ")
}

// planBasis says where the figures of the plan come from, a line each.
func planBasis(in *pb.DecisionInputs, limits *pb.SessionLimits) []string {
	minutes, stated := usual(in.GetProduct(), in.GetConsultation().GetHair().GetTexture())
	from := "manufacturer's directions"
	if !stated {
		from = "common practice, the directions state none"
	}
	pace := fmt.Sprintf("Application takes %d minutes a section and the way to the bowl %g (assumptions unless the salon says otherwise).", paceMinutes, limits.MinutesToBowl)
	if in.GetApplicationPace() != nil {
		pace = fmt.Sprintf("Application takes %.1f minutes a section (%s) and the way to the bowl %g.", paceOf(in), paceBasis(in.ApplicationPace), limits.MinutesToBowl)
	}
	lines := []string{
		"Hard limit: " + limits.HardLimitBasis + ".",
		fmt.Sprintf("Usual time: %g minutes (%s).", minutes, from),
		fmt.Sprintf("Target %g %% and cap %g %% of straightening (common practice and house policy).", limits.TargetPercent, limits.CapPercent),
		"Spread between heads, sections and visits, and the effects of texture, porosity and curl: assumptions; no rate of hydroxide relaxing has been published.",
		pace,
	}
	if _, done := preliminaryTest(in, nil); done {
		lines = append(lines, "The preliminary strand test with this product is counted as one reading.")
	}
	if rateOf(in.GetRecordCard().GetRates(), "") != nil {
		lines = append(lines, "Rates learned at this client's earlier visits are used.")
	}
	return lines
}

// paceBasis says where a pace comes from.
func paceBasis(p *pb.ApplicationPace) string {
	if p.GetSections() == 0 {
		return "an assumption, not measured yet"
	}
	return fmt.Sprintf("by %d sections that this practitioner applied", p.Sections)
}

// overlapRisk warns when the new growth is shorter than expected: what looks like new
// growth may reach onto relaxed hair, and overlap breaks hair.
func overlapRisk(in *pb.DecisionInputs) []string {
	hair := in.GetConsultation().GetHair()
	last, known := lastRelaxer(in)
	if in.GetServiceKind() != pb.ServiceKind_SERVICE_KIND_RETOUCH || hair == nil || hair.NewGrowthMm == nil || !known {
		return nil
	}
	expected := NewGrowth(growthOf(in), days(last, in.GetDecideTime().AsTime()))
	if hair.GetNewGrowthMm() >= expected.Low {
		return nil
	}
	return []string{fmt.Sprintf("New growth measures %.0f mm where %.0f mm (%.0f to %.0f) are expected: look for the line again, overlap onto relaxed hair breaks it.",
		hair.GetNewGrowthMm(), expected.Value, expected.Low, expected.High)}
}

// lastRelaxer is when the last relaxer was: the record card's visit, else the client's
// answer.
func lastRelaxer(in *pb.DecisionInputs) (time.Time, bool) {
	if visits := in.GetRecordCard().GetVisits(); len(visits) > 0 && visits[0].StartTime != nil {
		return visits[0].StartTime.AsTime(), true
	}
	if said := in.GetConsultation().GetHistory().GetRelaxer(); said.GetHappened() == pb.Answer_ANSWER_YES && said.LastTime != nil {
		return said.LastTime.AsTime(), true
	}
	return time.Time{}, false
}

// days is the days from one time to another, with their fraction.
func days(from, to time.Time) float64 { return to.Sub(from).Hours() / 24 }
