package integration

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	pb "alkalog/proto/alkalogv1"
)

// outdatedBy starts a service on a decision, wants it refused as outdated, and
// returns the new decision.
func (c *chain) outdatedBy(t *testing.T, what string, d *pb.Decision) *pb.Decision {
	t.Helper()
	err := mustFail(t, c.amara, c.processing.StartSession, starting(d))
	wantError(t, what, err, codes.FailedPrecondition, "DECISION_OUTDATED")
	return must(t, c.imara, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: named(err, "new_decision")}).Decision
}

// TestStartReadsTheNewestConsultation: what a newer consultation of the client found
// counts for a service that was decided before it, wherever the newer one was
// begun first. A draft does not count yet.
func TestStartReadsTheNewestConsultation(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	client := c.client(t)
	draft := c.draft(t, client, brokenSkin)
	d := c.decisionFor(t, client)
	c.begin(t, c.decisionFor(t, c.client(t))) // another client's newer consultation is of no account
	c.clock.advance(time.Minute)
	must(t, c.amara, c.consultation.SubmitConsultation, &pb.SubmitConsultationRequest{Name: draft.Name, RequestId: newID()})

	again := c.outdatedBy(t, "a newer consultation with broken skin", d)
	if again.Replaces != d.Name || again.Inputs.Consultation.Name != draft.Name || again.Verdict < pb.Verdict_VERDICT_REFER {
		t.Errorf("the new decision replaces %s, reads %s, and is %s: %q", again.Replaces, again.Inputs.Consultation.Name, again.Verdict, again.Changes)
	}
	if replayed := must(t, c.imara, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: again.Name}); !replayed.Identical {
		t.Errorf("replayed it differs: %v", replayed.Differences)
	}
	c.wantStillRecorded(t, d)
}

// TestStartOnANewerConsultationThatIsNoStricter begins.
func TestStartOnANewerConsultationThatIsNoStricter(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	d := c.proceedDecision(t)
	c.draft(t, parent(d.Name), brokenSkin)
	c.submitted(t, parent(d.Name))
	c.begin(t, d)
}

// TestStartOnAHeadDividedOtherwise: a newer consultation without a section that was
// decided on asks for another look, and never keeps a service from being recorded.
func TestStartOnAHeadDividedOtherwise(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	question := c.question(c.submitted(t, c.client(t)).Name)
	question.SectionIds = []string{"back-left", "front"}
	question.SectionChoices = []*pb.SectionChoice{{SectionId: "front", Product: c.relaxer, LotCode: c.relaxerLot}}
	d := must(t, c.amara, c.eligibility.CheckEligibility, question).Decision
	c.submitted(t, question.Parent, func(k *pb.Consultation) {
		k.Hair.Sections = []*pb.HeadSection{{SectionId: "back-left"}, {SectionId: "top"}}
	})
	again := c.outdatedBy(t, "a head without that section", d)
	if !strings.Contains(strings.Join(again.Changes, "\n"), "no section front") || len(again.Inputs.SectionIds) != 1 {
		t.Errorf("the new decision is on %q because of %q", again.Inputs.SectionIds, again.Changes)
	}
	c.wantStillRecorded(t, d)
	must(t, c.imara, c.processing.CloseSession, &pb.CloseSessionRequest{Name: c.openOf(t, question.Parent), Practitioner: c.imara.name, Comment: "begun again", RequestId: newID()})
	c.begin(t, again)
}

// openOf is the one session of a client.
func (c *chain) openOf(t *testing.T, client string) string {
	t.Helper()
	return must(t, c.vesna, c.processing.ListSessions, &pb.ListSessionsRequest{Parent: client}).Sessions[0].Name
}

// TestStartOnAProductOfAnotherComposition: a decision is of what was in the jar. The
// service begins on a new decision that says what is in it now.
func TestStartOnAProductOfAnotherComposition(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	d := c.proceedDecision(t)
	c.product(t, []string{"display_name"}, func(p *pb.Product) { p.DisplayName = "Relaxer, normal" })
	c.begin(t, d)

	d = c.proceedDecision(t)
	c.product(t, []string{"hydroxide_kind", "ingredients"}, func(p *pb.Product) {
		p.HydroxideKind = pb.HydroxideKind_HYDROXIDE_KIND_POTASSIUM
		p.Ingredients = []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_POTASSIUM_HYDROXIDE, MassPercent: new(2.8)}}
	})
	again := c.outdatedBy(t, "potassium for sodium", d)
	if !strings.Contains(strings.Join(again.Changes, "\n"), "composition changed: "+c.relaxer) || again.Verdict > pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS {
		t.Errorf("the new decision is %s because of %q", again.Verdict, again.Changes)
	}
	if session := c.begin(t, again); session.Decision != again.Name {
		t.Errorf("begun on %s", session.Decision)
	}
}
