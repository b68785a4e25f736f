package integration

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// 09506000134352 is an article number of GS1's examples (prefix 950, from memory).
const (
	exampleGTIN   = "09506000134352"
	exampleGTIN13 = "9506000134352"
)

// TestScanPack: what a scan says of a pack, compared with the catalogue.
func TestScanPack(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	now := c.clock.Now()
	must(t, c.odile, c.catalog.UpdateProduct, &pb.UpdateProductRequest{
		Product: &pb.Product{Name: c.relaxer, Gtins: []string{exampleGTIN13},
			Lots: []*pb.Lot{{LotCode: "R-2611"}, {LotCode: "R-2612", ExpireTime: timestamppb.New(now.AddDate(1, 0, 0))}}},
		UpdateMask: updateMask("gtins", "lots"), RequestId: newID()})
	must(t, c.imara, c.catalog.RecallLot, &pb.RecallLotRequest{
		Name: c.relaxer, LotCode: "R-2611", Reason: "the maker calls it back", RequestId: newID()})
	year := now.AddDate(1, 0, 0)
	inAYear := &date.Date{Year: int32(year.Year()), Month: int32(year.Month()), Day: int32(year.Day())}
	expires := "17" + year.Format("060102")
	expired := "17" + now.AddDate(0, 0, -3).Format("060102")
	yesterday := "17" + now.AddDate(0, 0, -1).Format("060102")
	const (
		unknown   = pb.PackFinding_PACK_FINDING_PRODUCT_UNKNOWN
		noLot     = pb.PackFinding_PACK_FINDING_LOT_MISSING
		ambiguous = pb.PackFinding_PACK_FINDING_LOT_AMBIGUOUS
		recalled  = pb.PackFinding_PACK_FINDING_RECALLED
		past      = pb.PackFinding_PACK_FINDING_EXPIRED
		noExpiry  = pb.PackFinding_PACK_FINDING_EXPIRY_UNKNOWN
	)
	for _, row := range []struct {
		scan     string
		product  bool
		lot      string
		expires  bool
		findings []pb.PackFinding
	}{
		{"]d201" + exampleGTIN + expires + "10R2700", true, "R2700", true, nil},
		{"(01)" + exampleGTIN + "(10)R-2612", true, "R-2612", true, nil}, // the catalogue has the date
		{exampleGTIN13, true, "", false, []pb.PackFinding{noLot, noExpiry}},
		{"01" + exampleGTIN + expires + "10r2611", true, "r2611", true, []pb.PackFinding{recalled}},
		{"01" + exampleGTIN + "10R2611" + expires, true, "", false, []pb.PackFinding{ambiguous, recalled, noExpiry}},
		{"01" + exampleGTIN + expired + "10R2700", true, "R2700", false, []pb.PackFinding{past}},
		{"01" + exampleGTIN + yesterday + "10R2700", true, "R2700", false, nil}, // still that day somewhere
		{"6291041500213", false, "", false, []pb.PackFinding{unknown, noLot, noExpiry}},
		{"0106291041500213" + expires + "10R2611", false, "R2611", true, []pb.PackFinding{unknown, recalled}},
		{expires + "10R2700", false, "R2700", true, []pb.PackFinding{unknown}},
	} {
		got := must(t, c.vesna, c.catalog.ScanPack, &pb.ScanPackRequest{Parent: c.name, Scan: []byte(row.scan)})
		if slices.Equal(got.Products, []string{c.relaxer}) != row.product || got.LotCode != row.lot || !slices.Equal(got.Findings, row.findings) {
			t.Errorf("%q: %v", row.scan, got)
		}
		if row.expires && !proto.Equal(got.ExpireDate, inAYear) {
			t.Errorf("%q expires %v, want %v", row.scan, got.ExpireDate, inAYear)
		}
		if slices.Contains(row.findings, recalled) != (got.RecallTime != nil && got.RecallReason != "") {
			t.Errorf("%q: recalled %v %q", row.scan, got.RecallTime, got.RecallReason)
		}
	}
}

// TestScansRefused: what is no scan of a pack, and article numbers that are none.
func TestScansRefused(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	for _, scan := range []string{"", " ", "9506000134353", "hello", "\xff\xfe", strings.Repeat("1", 401), "01" + exampleGTIN + "17271301"} {
		_, err := c.catalog.ScanPack(c.vesna.calling(t), &pb.ScanPackRequest{Parent: c.name, Scan: []byte(scan)})
		wantError(t, scan, err, codes.InvalidArgument, "INVALID_FIELD")
	}
	_, err := c.catalog.ScanPack(c.vesna.calling(t), &pb.ScanPackRequest{Parent: "chains/nobody", Scan: []byte(exampleGTIN)})
	wantError(t, "another chain", err, codes.NotFound, "NOT_FOUND")
	for _, gtin := range []string{"9506000134353", "950600013435", "1", "95060001343521"} {
		_, err := c.catalog.UpdateProduct(c.odile.calling(t), &pb.UpdateProductRequest{
			Product: &pb.Product{Name: c.relaxer, Gtins: []string{gtin}}, UpdateMask: updateMask("gtins"), RequestId: newID()})
		wantError(t, gtin, err, codes.InvalidArgument, "INVALID_FIELD")
	}
}
