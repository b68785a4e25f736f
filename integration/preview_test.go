package integration

import (
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// TestPreviewSaysWhatAPolicyWouldHaveDone: it decides the latest decisions again
// as if the policy were in force, and changes nothing.
func TestPreviewSaysWhatAPolicyWouldHaveDone(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	given := []*pb.Decision{c.proceedDecision(t), c.proceedDecision(t), c.decision(t, brokenSkin)}
	upload := &pb.CreateHousePolicyRequest{Parent: c.name, HousePolicyId: "strict", RequestId: newID(), HousePolicy: &pb.HousePolicy{
		DisplayName: "Strict",
		Rules: []*pb.Rule{{
			RuleId: "house.no-such-hair", Version: 1, Scope: pb.RuleScope_RULE_SCOPE_CASE, Severity: pb.Severity_SEVERITY_REFUSE,
			Expression: "consultation.scalp.broken_skin == Answer.NO", Message: "Not here.",
			Basis: &pb.Basis{Kind: pb.BasisKind_BASIS_KIND_HOUSE, Source: "invented, for the test"},
		}},
	}}
	policy := must(t, c.odile, s.catalog.CreateHousePolicy, upload).HousePolicy
	before := s.tableDigests(t)
	preview := must(t, c.odile, s.catalog.PreviewHousePolicy, &pb.PreviewHousePolicyRequest{Name: policy.Name})
	wantSame(t, before, s.tableDigests(t))
	if preview.Checked != 3 || len(preview.Rules) != 1 || preview.Rules[0].Fired != 2 || preview.Rules[0].Failed != 0 {
		t.Errorf("preview %v", preview)
	}
	if len(preview.Changes) != 1 || preview.Changes[0].From != given[0].Verdict || preview.Changes[0].To != pb.Verdict_VERDICT_REFUSE || preview.Changes[0].Count != 2 {
		t.Errorf("changes %v", preview.Changes)
	}
	if newest := must(t, c.odile, s.catalog.PreviewHousePolicy, &pb.PreviewHousePolicyRequest{Name: policy.Name, Last: 1}); newest.Checked != 1 || newest.Rules[0].Fired != 0 {
		t.Errorf("of the newest decision only: %v", newest)
	}
	must(t, c.odile, s.catalog.ActivateHousePolicy, &pb.ActivateHousePolicyRequest{Name: policy.Name, RequestId: newID()})
	wantVerdict(t, c.decision(t), pb.Verdict_VERDICT_REFUSE)
}
