package demo

import (
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// refusals shows two clients who are not relaxed: one is refused, one is referred
// to a doctor. Both refusals are answers, not errors: the till gets reasons,
// sources and alternatives to read out. Trying to override an absolute finding is
// recorded, too.
func (d *run) refusals() {
	d.page.act("Nia is refused, and nobody can make it otherwise")
	d.page.say("Nia has scratched a spot behind the ear until the skin opened. Amara writes down what she sees and asks.")
	nia := d.createClient("Nia", d.people.amara)
	card := healthyConsultation(northQuay, d.people.amara, d.clock.Now())
	card.Scalp.BrokenSkin = yes
	card.Scalp.Scratched = happenedDaysAgo(d.clock.Now(), 1)
	refusal := d.decide(nia, card, virginRequest(regular, regularLot), d.people.amara)
	d.page.printDecision(refusal)
	d.page.printCautions(refusal)
	d.expect(refusal.GetVerdict() == pb.Verdict_VERDICT_REFUSE, "broken skin is refused, not %s", refusal.GetVerdict())
	broken := d.findingOn(refusal, "consultation.scalp.broken_skin", pb.Severity_SEVERITY_REFUSE)

	d.page.say("Nia insists. Imara, the supervisor, tries to override the finding.")
	tried := d.override(refusal, broken, "CLIENT_INSISTS", "The client insists and says that the spot does not hurt.")
	d.page.answer("override DENIED (%s); the verdict stands: %s", enumLabel(tried.GetOverride().GetDenial()), enumLabel(tried.GetDecision().GetStandingVerdict()))
	d.expect(tried.GetOverride().GetDenial() == pb.OverrideDenial_OVERRIDE_DENIAL_ABSOLUTE, "overriding broken skin is denied")

	d.page.act("Desta is referred to a doctor")
	d.page.say("Desta takes a medicine that may affect the skin, and has no letter from a doctor that allows the service.")
	d.clock.advance(20 * minute)
	desta := d.createClient("Desta", d.people.amara)
	card = healthyConsultation(northQuay, d.people.amara, d.clock.Now())
	card.History.Medication = yes
	referral := d.decide(desta, card, virginRequest(regular, regularLot), d.people.amara)
	d.page.printDecision(referral)
	d.expect(referral.GetVerdict() == pb.Verdict_VERDICT_REFER, "medication without a doctor's word is referred, not %s", referral.GetVerdict())
	d.findingOn(referral, "consultation.history.medication", pb.Severity_SEVERITY_REFER)
}

// lightened is a refusal that a supervisor may override for a reason that the
// finding lists. The verdict as given stays on record; the standing verdict is what
// the service may begin on.
func (d *run) lightened() {
	d.page.act("Solene's hair is lightened: refused, then overridden")
	d.page.say("At Mill Lane, Joss finds the lengths of Solene's hair lightened two months ago. Yesterday's strand test with the mild relaxer was sound.")
	d.clock.advance(20 * minute)
	solene := d.createClient("Solene", d.people.joss)
	card := healthyConsultation(millLane, d.people.joss, d.clock.Now())
	card.Hair.Zones[1].Lightened = happenedDaysAgo(d.clock.Now(), 60)
	card.Tests.StrandProduct = mild
	request := virginRequest(mild, mildLot)
	request.Salon, request.Practitioner, request.Supervisor = millLane, d.people.joss.name, d.people.supervisor.name
	refusal := d.decide(solene, card, request, d.people.joss)
	d.page.printDecision(refusal)
	d.expect(refusal.GetVerdict() == pb.Verdict_VERDICT_REFUSE, "lightened hair is refused, not %s", refusal.GetVerdict())

	d.page.printStrength(refusal.GetRecommendedStrength())
	d.page.say("Imara looks at the tested strand herself, and overrides the finding with a reason from the list.")
	d.clock.advance(5 * minute)
	finding := d.overridable(refusal)
	reason := soundStrand(finding)
	made := d.override(refusal, finding, reason, "Strand tested yesterday with the mild relaxer: sound, even, no discolouring.")
	d.page.answer("override accepted: %s by %s (%s), reason %s", finding.GetRuleId(), lastSegment(made.GetOverride().GetPractitioner()), enumLabel(made.GetOverride().GetRole()), made.GetOverride().GetReasonCode())
	d.page.answer("the verdict as given stays on record: %s; it now stands at: %s", enumLabel(made.GetDecision().GetVerdict()), enumLabel(made.GetDecision().GetStandingVerdict()))
	d.expect(made.GetOverride().GetDenial() == pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED, "the override is accepted, not denied: %s", made.GetOverride().GetDenial())
	d.expect(made.GetDecision().GetVerdict() == pb.Verdict_VERDICT_REFUSE, "the override removes nothing")
	d.expect(made.GetDecision().GetStandingVerdict() == pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, "the standing verdict lets it go ahead, not %s", made.GetDecision().GetStandingVerdict())
}

// virginRequest requests a first relaxer service at North Quay by Amara. The
// request ID and the subject are added when it is sent.
func virginRequest(product, lot string) *pb.CheckEligibilityRequest {
	return &pb.CheckEligibilityRequest{
		ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN, Product: product, LotCode: lot,
		Practitioner: newPeople().amara.name, Salon: northQuay,
	}
}

// override tries to override a finding as the supervisor. It needs a second person,
// a reason from the list of the finding, and a comment; all of it is on the audit
// log.
func (d *run) override(decision *pb.Decision, finding *pb.Finding, reason, comment string) *pb.OverrideDecisionResponse {
	return call(d, d.people.supervisor, d.eligibility.OverrideDecision, &pb.OverrideDecisionRequest{
		Name: decision.GetName(), RuleId: finding.GetRuleId(), Subject: finding.GetSubject(),
		Practitioner: d.people.supervisor.name, ReasonCode: reason, Comment: comment, RequestId: newID(),
	})
}

// findingOn returns the finding of a severity that looked at a field. Every finding
// must name its rule and basis. The story expects findings by the field they looked
// at and not by rule, so that a rule can be renamed without changing what is
// expected.
func (d *run) findingOn(decision *pb.Decision, field string, severity pb.Severity) *pb.Finding {
	for _, f := range decision.GetFindings() {
		looked := func(a *pb.SeenAnswer) bool { return a.GetField() == field }
		if f.GetSeverity() == severity && slices.ContainsFunc(f.GetAnswers(), looked) {
			d.expect(f.GetRuleId() != "" && f.GetRuleVersion() > 0 && f.GetMessage() != "" && f.GetBasis() != nil, "finding on %s has rule, version, message and basis", field)
			return f
		}
	}
	d.expect(false, "a finding looked at %s", field)
	return nil
}

// overridable returns the refusing finding that a supervisor may override. It
// carries the terms of its override, so a till knows whom to call.
func (d *run) overridable(decision *pb.Decision) *pb.Finding {
	for _, f := range decision.GetFindings() {
		if f.GetSeverity() == pb.Severity_SEVERITY_REFUSE && slices.Contains(f.GetOverrideTerms().GetRoles(), pb.Role_ROLE_SUPERVISOR) {
			return f
		}
	}
	d.expect(false, "a supervisor may override a finding")
	return nil
}

// soundStrand is the reason for a sound strand test from the finding's list. When
// the finding does not list it, the override is denied, and the story ends there.
func soundStrand(f *pb.Finding) string {
	for _, r := range f.GetOverrideTerms().GetReasons() {
		if r.GetCode() == "STRAND_TEST_SOUND" {
			return r.GetCode()
		}
	}
	return "STRAND_TEST_SOUND"
}
