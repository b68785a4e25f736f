package integration

import (
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// A plan counts with the pace of its own practitioner, learned from the practitioner's
// closed visits with any client. What another practitioner did does not count.
func TestPlanCountsWithThePractitionersOwnPace(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "pace")
	before := c.proceedDecision(t)
	if p := before.Inputs.GetApplicationPace(); p.GetSections() != 0 || before.Plan.GetPaceMinutes() != 3 || len(before.Plan.Stages) == 0 {
		t.Fatalf("before any visit: pace %v, plan %v", p, before.Plan)
	}
	session := c.session(t)
	c.clock.advance(time.Hour)
	facts := c.service(session)
	for i, section := range []string{"slow-1", "slow-2", "slow-3", "slow-4"} {
		facts = append(facts, eventAt(session, time.Duration(3+5*(i+1))*time.Minute, applied(section)))
	}
	// The sections after the rinse are a second application; it is broken off.
	facts = append(facts, eventAt(session, 40*time.Minute, &pb.Event{Fact: &pb.Event_RinseFinished{RinseFinished: &pb.RinseFinished{}}}))
	c.report(t, session, facts...)
	closed := must(t, c.amara, c.outcome.RecordOutcome, brokenOff(session)).Outcome
	if p := closed.GetApplicationPace(); p.GetMinutesPerSection() != 5 || p.GetSections() != 4 || p.GetPractitioner() != session.Practitioner {
		t.Fatalf("five sections, 5 minutes each: %v", p)
	}
	after := c.proceedDecision(t)
	if p := after.Inputs.GetApplicationPace(); p.GetSections() != 4 || p.GetMinutesPerSection() <= 3.5 || after.Plan.PaceMinutes != p.MinutesPerSection {
		t.Errorf("after a visit with another client: %v, plan at %v", p, after.Plan.PaceMinutes)
	}
	if len(after.Plan.Stages) < len(before.Plan.Stages) {
		t.Errorf("slower hands got %d stages, quicker ones %d", len(after.Plan.Stages), len(before.Plan.Stages))
	}
	other := c.question(c.submitted(t, c.client(t)).Name)
	other.Practitioner, other.Supervisor = c.imara.name, ""
	if p := must(t, c.imara, c.eligibility.CheckEligibility, other).Decision.Inputs.GetApplicationPace(); p.GetSections() != 0 {
		t.Errorf("another practitioner has the pace %v", p)
	}
	if replay := must(t, c.vesna, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: after.Name}); !replay.Identical {
		t.Errorf("the decision does not replay: %v", replay.Differences)
	}
}
