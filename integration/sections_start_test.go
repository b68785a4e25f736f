package integration

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// twoSections decides on a partial service whose sections take two products. The
// head has an extremely porous section that is left out: a decision on the whole
// head would be another one. It returns the second product as well.
func (c *chain) twoSections(t *testing.T) (*pb.Decision, *pb.Product) {
	t.Helper()
	second := proto.CloneOf(c.products()[3])
	second.Name, second.Lots = "", []*pb.Lot{{LotCode: "M-1"}, {LotCode: "M-2"}}
	second = must(t, c.odile, c.catalog.CreateProduct, &pb.CreateProductRequest{Parent: c.name, ProductId: freshID(), Product: second, RequestId: newID()}).Product
	question := c.question(c.submitted(t, c.client(t), func(k *pb.Consultation) { k.Hair.Sections[2].Porosity = pb.Porosity_POROSITY_EXTREME }).Name)
	question.SectionIds = []string{"back-left", "back-right"}
	question.SectionChoices = []*pb.SectionChoice{{SectionId: "back-right", Product: second.Name, LotCode: "M-1"}}
	d := must(t, c.amara, c.eligibility.CheckEligibility, question).Decision
	return wantVerdict(t, d, pb.Verdict_VERDICT_PROCEED, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS), second
}

// TestPartialServiceWithASecondProduct: a service of some sections, one with a
// product of its own, begins as it was decided, and neither product is the wrong
// one; a recalled lot of either is.
func TestPartialServiceWithASecondProduct(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	d, second := c.twoSections(t)
	session := c.begin(t, d)
	if session.Decision != d.Name || session.NewerDecision != "" || !slices.Equal(session.SectionIds, d.Inputs.SectionIds) {
		t.Errorf("begun as %v", session)
	}
	if p := session.SectionProducts; len(p) != 1 || p[0].SectionId != "back-right" || p[0].Product != second.Name || p[0].LotCode != "M-1" {
		t.Errorf("products of sections: %v", p)
	}
	confirm := func(product, lot string) *pb.Event {
		return &pb.Event{Fact: &pb.Event_ProductConfirmed{ProductConfirmed: &pb.ProductConfirmed{Product: product, LotCode: lot}}}
	}
	state := c.report(t, session, eventAt(session, 0, confirm(c.relaxer, c.relaxerLot)), eventAt(session, 0, confirm(second.Name, "M-1")),
		eventAt(session, 0, applied("back-right")), eventAt(session, 0, applied("back-left"))).State
	wrong := func(a *pb.Alarm) bool { return a.Cause == pb.AlarmCause_ALARM_CAUSE_WRONG_PRODUCT }
	if deviationsOf(state.Deviations, pb.DeviationKind_DEVIATION_KIND_OTHER_PRODUCT) || slices.ContainsFunc(state.Alarms, wrong) {
		t.Errorf("with both products decided on: %v %v", state.Deviations, state.Alarms)
	}
	must(t, c.imara, c.catalog.RecallLot, &pb.RecallLotRequest{Name: second.Name, LotCode: "M-2", Reason: "a reaction", RequestId: newID()})
	c.clock.advance(time.Second)
	state = c.report(t, session, eventAt(session, c.clock.Now().Sub(session.StartTime.AsTime()), confirm(second.Name, "M-2"))).State
	if !deviationsOf(state.Deviations, pb.DeviationKind_DEVIATION_KIND_BAD_LOT) || !slices.ContainsFunc(state.Alarms, wrong) {
		t.Errorf("with a recalled lot of the second: %v %v", state.Deviations, state.Alarms)
	}
}

// TestSecondProductIsLookedAtAgain: a section's product that has become too strong
// since the decision keeps the service from beginning.
func TestSecondProductIsLookedAtAgain(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	d, second := c.twoSections(t)
	second.Strength = pb.Strength_STRENGTH_SUPER
	must(t, c.odile, c.catalog.UpdateProduct, &pb.UpdateProductRequest{Product: second, UpdateMask: updateMask("strength"), RequestId: newID()})
	start := starting(d)
	err := mustFail(t, c.amara, c.processing.StartSession, start)
	wantError(t, "a stronger product on one section", err, codes.FailedPrecondition, "DECISION_OUTDATED")
	kept := must(t, c.vesna, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: named(err, "new_decision")}).Decision
	if f := findingOf(kept, "strength.super-on-average"); f == nil || f.Subject != "section:back-right" || !slices.Equal(kept.Inputs.SectionIds, d.Inputs.SectionIds) {
		t.Errorf("decided again on %v: %v", kept.Inputs.SectionIds, kept.Findings)
	}
	c.wantSameRefusal(t, start, err)
	c.wantStillRecorded(t, d)
}
