package demo

import (
	"fmt"
	"math"
	"strings"

	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// printCard prints the record card. Rates are printed as they are stored, in
// logarithms, and as a rate per minute.
func (p *page) printCard(c *pb.RecordCard) {
	for _, v := range c.GetVisits() {
		p.printVisit(v)
	}
	for _, r := range c.GetRates() {
		section := r.GetSectionId()
		if section == "" {
			section = "whole head"
		}
		p.answer("learned: %-10s rate %.3f per minute (ln %.2f, deviation %.2f)", section,
			math.Exp(r.GetRate().GetMean()), r.GetRate().GetMean(), r.GetRate().GetDeviation())
	}
	p.answer("next retouch not before %s: %s", dateText(c.GetNextRetouchTime()), c.GetNextRetouchReason())
	for _, r := range c.GetReminders() {
		p.answer("reminder: %s", r)
	}
}

// printSummary prints the summary of the card. Its first line is what a stylist
// reads while the client sits down.
func (p *page) printSummary(s *pb.CardSummary) {
	p.answer("%s", s.GetFirstLine())
	for _, line := range s.GetIncidents() {
		p.answer("incident: %s", line)
	}
	for _, line := range s.GetTenderSpots() {
		p.answer("tender: %s", line)
	}
	for _, line := range s.GetConditions() {
		p.answer("condition: %s", line)
	}
	p.answer("neutral: %s", s.GetNeutral())
}

// printVisit prints one visit with every element that the Australian unit
// SHBHREF002 requires to be recorded. Sections follow with their exposure, and then
// what was not done by the rules.
func (p *page) printVisit(v *pb.Visit) {
	hair := v.GetHair()
	p.answer("%s at %s by %s, decision, session and outcome on record", formatTime(v.GetStartTime(), "2 Jan 2006 15:04"), lastSegment(v.GetSalon()), lastSegment(v.GetPractitioner()))
	p.answer("method: %s, strength %s; completed: %t", enumLabel(v.GetServiceKind()), enumLabel(v.GetStrength()), v.GetCompleted())
	p.answer("scalp before: %s", seen(v.GetScalp()))
	p.answer("hair before: texture %s, density %s, curl type %s, length %.0f mm", enumLabel(hair.GetTexture()), enumLabel(hair.GetDensity()), strings.ToUpper(enumLabel(hair.GetCurlType())), hair.GetLengthMm())
	for _, z := range hair.GetZones() {
		p.detail("%s: condition %s, porosity %s, hydroxide before: %s", enumLabel(z.GetZone()), enumLabel(z.GetCondition()), enumLabel(z.GetPorosity()), enumLabel(z.GetHydroxide().GetHappened()))
	}
	// What was tested and agreed before anything was put on.
	p.answer("tests: elasticity %s, metal salts %s, strand %s", enumLabel(v.GetTests().GetElasticity()), enumLabel(v.GetTests().GetIncompatibility()), enumLabel(v.GetTests().GetStrand()))
	p.answer("agreed: %s, risks explained: %s; wanted: %.0f %% straighter", enumLabel(v.GetConsent().GetAgreed()), enumLabel(v.GetConsent().GetExplained()), v.GetDesiredPercent())
	for _, c := range v.GetContraindications() {
		p.detail("to mind: %s", c)
	}
	// What was used, on what, for how long, and what was not done by the rules.
	for _, u := range v.GetProducts() {
		p.answer("used: %.0f g of %s, lot %s", u.GetGrams(), lastSegment(u.GetProduct()), lotOf(u))
	}
	for _, s := range v.GetSections() {
		p.answer("%-10s %4.1f min, %s to %s: hair %s, breakage %s", s.GetSectionId(), s.GetExposureMinutes(),
			clockTime(s.GetFirstContactTime()), clockTime(s.GetRinseTime()), enumLabel(s.GetCondition()), enumLabel(s.GetBreakage()))
	}
	for _, dev := range v.GetDeviations() {
		p.printDeviation(dev)
	}
	p.answer("advice given: %s", strings.Join(v.GetHomeCareAdvice(), " "))
}

// lotOf formats a lot. A lot that was not recorded cannot be recalled.
func lotOf(u *pb.ProductUsed) string {
	if u.GetLotCode() == "" {
		return "not noted"
	}
	return u.GetLotCode()
}

// seen lists the findings on the scalp; not examined is not "no". The fields are
// read from the descriptor, so a new finding is printed without a change here.
func seen(scalp *pb.ScalpAnalysis) string {
	var found []string
	fields := scalp.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		field := fields.Get(i)
		if field.Kind() == protoreflect.EnumKind && scalp.ProtoReflect().Get(field).Enum() == protoreflect.EnumNumber(yes) {
			found = append(found, strings.ReplaceAll(string(field.Name()), "_", " "))
		}
	}
	if len(found) == 0 {
		return "nothing of note seen"
	}
	return strings.Join(found, ", ")
}

// placed formats a section of a plan. Its columns are those of compare.
func placed(s *pb.PlannedSection) string {
	return fmt.Sprintf("%-10s %4.1f min", s.GetSectionId(), s.GetExpectedMinutes())
}

// begins returns the first section of a plan. A plan without sections begins with
// nothing.
func begins(p *pb.Plan) string {
	if len(p.GetSections()) == 0 {
		return ""
	}
	return p.GetSections()[0].GetSectionId()
}
