package demo

import (
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// printDecision prints a decision: the verdict, its reasons, open questions and
// alternatives. Conditions apply only if the service goes ahead; printConditions
// prints them. Everything that is printed comes from the answer; the page adds no
// judgement.
func (p *page) printDecision(d *pb.Decision) {
	p.answer("VERDICT: %s", strings.ToUpper(enumLabel(d.GetVerdict())))
	for _, f := range d.GetFindings() {
		if contract.CompareRank(f.GetSeverity(), pb.Severity_SEVERITY_CONDITION) > 0 {
			p.printFinding(f)
		}
	}
	for _, q := range d.GetOpenQuestions() {
		p.answer("open question: %s", q.GetQuestion())
		p.detail("field %s; the answer could bring %s (%s)", q.GetField(), enumLabel(q.GetWorstSeverity()), strings.Join(q.GetRuleIds(), ", "))
	}
	if !contract.AtLeast(d.GetVerdict(), pb.Verdict_VERDICT_REFER) {
		p.printStrength(d.GetRecommendedStrength())
	}
	for _, a := range d.GetAlternatives() {
		p.printAlternative(a)
	}
}

// printStrength prints the recommended strength and what determined it. Strength is
// not advised where hydroxide is not.
func (p *page) printStrength(advice *pb.StrengthAdvice) {
	if advice.GetStrength() == pb.Strength_STRENGTH_UNSPECIFIED {
		return
	}
	p.answer("strength that suits this hair: %s", enumLabel(advice.GetStrength()))
	for _, reason := range advice.GetReasons() {
		p.detail("%s", reason)
	}
}

// printConditions prints the conditions with rule and basis; those printed before
// are only counted. A salon reads the new ones and skips the usual ones.
func (p *page) printConditions(d *pb.Decision, known []*pb.Condition) {
	told := 0
	for _, c := range d.GetConditions() {
		same := func(k *pb.Condition) bool { return k.GetText() == c.GetText() }
		if slices.ContainsFunc(known, same) {
			told++
			continue
		}
		p.answer("to tick off: %s", c.GetText())
		for _, f := range d.GetFindings() {
			if f.GetRuleId() == c.GetRuleId() {
				p.detail("rule %s, version %d, %s; basis: %s", f.GetRuleId(), f.GetRuleVersion(), enumLabel(f.GetLayer()), basisOf(f.GetBasis()))
				break
			}
		}
	}
	if told > 0 {
		p.answer("and %d to tick off as at the visit before", told)
	}
}

// printFinding prints a finding with rule, version, basis and the fields that it
// looked at. The answers it looked at show which of them decided. A finding that
// can be overridden says by whom.
func (p *page) printFinding(f *pb.Finding) {
	subject := ""
	if f.GetSubject() != "" {
		subject = " on " + f.GetSubject()
	}
	p.answer("%s%s: %s", enumLabel(f.GetSeverity()), subject, f.GetMessage())
	p.detail("rule %s, version %d, %s; basis: %s", f.GetRuleId(), f.GetRuleVersion(), enumLabel(f.GetLayer()), basisOf(f.GetBasis()))
	var seen []string
	for _, a := range f.GetAnswers() {
		value := a.GetValue()
		if value == "" {
			value = "not answered"
		}
		seen = append(seen, a.GetField()+" = "+value)
	}
	if len(seen) > 0 {
		p.detail("looked at: %s", strings.Join(seen, ", "))
	}
	if contract.AtLeast(f.GetSeverity(), pb.Severity_SEVERITY_REFER) {
		p.detail("%s", termsOf(f.GetOverrideTerms()))
	}
}

// basisOf formats the basis of a rule and its source. The kind says how much the
// source is worth: published, common practice, the maker's directions, or our own
// choice.
func basisOf(b *pb.Basis) string {
	return strings.TrimSuffix(enumLabel(b.GetKind())+": "+b.GetSource(), ": ")
}

// termsOf formats who may override a finding and for which reasons. They come with
// the finding, so that nobody has to know the rules by heart.
func termsOf(terms *pb.OverrideTerms) string {
	if !terms.GetAllowed() {
		return "may not be overridden by anybody"
	}
	var roles, codes []string
	for _, r := range terms.GetRoles() {
		roles = append(roles, enumLabel(r))
	}
	for _, r := range terms.GetReasons() {
		codes = append(codes, r.GetCode())
	}
	return "may be overridden by: " + strings.Join(roles, ", ") + "; reasons: " + strings.Join(codes, ", ")
}

// printAlternative prints a gentler alternative, with cautions that were not
// printed before. One that does not suit this client is shown too, with the reason,
// because clients ask for it.
func (p *page) printAlternative(a *pb.Alternative) {
	var fresh []string
	for _, c := range a.GetCautions() {
		if !p.printed[c] {
			fresh = append(fresh, c)
			p.printed[c] = true
		}
	}
	remark := ""
	switch {
	case !a.GetSuitable():
		remark = " (not for this client: see the cautions)"
	case len(fresh) == 0:
		remark = " (cautions as above)"
	}
	p.answer("to offer instead: %s%s", a.GetTitle(), remark)
	for _, c := range fresh {
		p.detail("caution: %s", c)
	}
}

// printPlan prints the order of application with its times and their sources.
// Minutes are counted from the first contact.
func (p *page) printPlan(plan *pb.Plan) {
	p.answer("PLAN: target %.0f %% straighter, cap %.0f %%, a strand test at least every %.0f min",
		plan.GetTargetPercent(), plan.GetCapPercent(), plan.GetStrandTestMinutes())
	p.answer("%-12s %8s %20s %12s %14s %8s", "section", "begin at", "minutes to target", "first test", "call to bowl", "limit")
	for _, s := range plan.GetSections() {
		p.answer("%d %-10s %8.1f %8.1f (%4.1f to %4.1f) %10.1f %14.1f %8.1f", s.GetOrder(), s.GetSectionId(), s.GetStartMinute(),
			s.GetExpectedMinutes(), s.GetExpectedMinutesLow(), s.GetExpectedMinutesHigh(),
			s.GetFirstStrandTestMinute(), s.GetLatestRinseMinute(), s.GetHardLimitMinute())
		p.detail("%s", s.GetReason())
	}
	p.answer("the expected finishes lie %.1f min apart; all reach the target before any limit: %t", plan.GetFinishSpreadMinutes(), plan.GetFeasible())
	for _, r := range plan.GetRemarks() {
		p.answer("remark: %s", r)
	}
	for _, b := range plan.GetBasis() {
		p.detail("where it comes from: %s", b)
	}
}

// printCautions prints the cautions of a decision.
func (p *page) printCautions(d *pb.Decision) {
	for _, c := range d.GetCautions() {
		p.answer("CAUTION: %s", c)
	}
}
