package integration

import (
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// lotSpellings are ways in which the lot R-2611 of the cast gets onto a form:
// in small letters, with blanks, with another dash, with look-alikes, with what is
// printed around it.
var lotSpellings = []string{"r-2611", " R 2611 ", "R2611", "R–2611", "R-26lI", "Ｒ-２６１１",
	"LOT R-2611", "Lot no. R2611", "Batch R-2611", "CH.-B. R2611", "R-2611 EXP 12/27", "(01)09506000134352(10)R2611"}

// TestRecallHoldsHoweverTheLotIsSpelled: a recalled lot is refused, and its uses
// are found, in whatever way its code is typed.
func TestRecallHoldsHoweverTheLotIsSpelled(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	sessions := map[string]string{} // how they spell the lot, by name
	for _, code := range lotSpellings {
		c.relaxerLot = code
		sessions[c.session(t).Name] = code
	}
	recall := must(t, c.imara, c.catalog.RecallLot, &pb.RecallLotRequest{
		Name: c.relaxer, LotCode: "R-2611", Reason: "the maker calls it back", RequestId: newID()})
	for _, name := range recall.Sessions {
		delete(sessions, name)
	}
	if int(recall.SessionCount) != len(lotSpellings) || len(sessions) > 0 {
		t.Errorf("the recall of R-2611 found %d sessions, and not those planned with %q", recall.SessionCount, sessions)
	}
	for _, code := range lotSpellings {
		c.relaxerLot = code
		wantFinding(t, c.decision(t), "product.lot-recalled")
	}
}

// TestNoUpdateClearsARecall: neither leaving the lot out nor spelling it in another
// way makes it usable again.
func TestNoUpdateClearsARecall(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	must(t, c.imara, c.catalog.RecallLot, &pb.RecallLotRequest{
		Name: c.relaxer, LotCode: "R-2611", Reason: "the maker calls it back", RequestId: newID()})
	for _, lots := range [][]*pb.Lot{nil, {{LotCode: "R2611"}}, {{LotCode: "r 26 11"}, {LotCode: "R-2612"}}} {
		product := must(t, c.odile, c.catalog.UpdateProduct, &pb.UpdateProductRequest{
			Product: &pb.Product{Name: c.relaxer, Lots: lots}, UpdateMask: updateMask("lots"), RequestId: newID()}).Product
		recalled := 0
		for _, lot := range product.Lots {
			if lot.RecallTime != nil {
				recalled++
			}
		}
		if recalled != 1 {
			t.Errorf("after an update to %v, %d lots are recalled, want 1: %v", lots, recalled, product.Lots)
		}
		for _, code := range append(lotSpellings, "R-2611") {
			c.relaxerLot = code
			wantFinding(t, c.decision(t), "product.lot-recalled")
		}
	}
}

// TestCreateProductStoresNoRecallOfTheCaller: a request with a recall is stored as
// one without it, as earlier releases stored it, so a retry of the one is answered
// with the answer of the other.
func TestCreateProductStoresNoRecallOfTheCaller(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	relaxer := must(t, c.odile, c.catalog.GetProduct, &pb.GetProductRequest{Name: c.relaxer}).Product
	req := &pb.CreateProductRequest{Parent: c.name, ProductId: "another-relaxer", RequestId: newID(), Product: proto.CloneOf(relaxer)}
	req.Product.Lots = []*pb.Lot{{LotCode: "R-2611"}}
	want := must(t, c.odile, c.catalog.CreateProduct, req)

	req.Product.Lots[0].RecallTime = timestamppb.New(c.clock.Now())
	req.Product.Lots[0].RecallReason = "written by the caller"
	got := must(t, c.odile, c.catalog.CreateProduct, req)
	if !proto.Equal(got, want) || got.Product.Lots[0].RecallTime != nil {
		t.Errorf("the retry with a recall was answered\n%v\nwant\n%v", got, want)
	}
}

// wantFinding checks that a decision refuses because of a rule.
func wantFinding(t *testing.T, d *pb.Decision, rule string) {
	t.Helper()
	for _, f := range d.Findings {
		if f.RuleId == rule && f.Severity == pb.Severity_SEVERITY_REFUSE {
			return
		}
	}
	t.Errorf("lot %q: %s without %s", d.Inputs.LotCode, d.Verdict, rule)
}
