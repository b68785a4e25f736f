package ledger

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// TestChanged: an entry says which record and which fields were changed, by path
// and by digest, and none of their values.
func TestChanged(t *testing.T) {
	t.Parallel()
	before := &pb.Practitioner{Name: "chains/ebb/practitioners/amara", Etag: "1", DisplayName: "Amara Quay", Role: pb.Role_ROLE_STUDENT,
		UpdateTime: timestamppb.Now()}
	after := proto.CloneOf(before)
	after.Etag, after.DisplayName, after.Role = "2", "Amara Weir", pb.Role_ROLE_SUPERVISOR
	e := entryContext().Changed(before, after)
	if e.Kind != pb.EntryKind_ENTRY_KIND_PRACTITIONER_CHANGED || e.ChangedRecord != before.Name || !slices.Equal(e.ChangedFields, []string{"display_name", "role"}) {
		t.Errorf("%v", e)
	}
	if !bytes.Equal(e.BeforeDigest, Digest(before)) || !bytes.Equal(e.AfterDigest, Digest(after)) || !bytes.Equal(e.CauseDigest, e.AfterDigest) {
		t.Errorf("digests %x, %x, %x", e.BeforeDigest, e.AfterDigest, e.CauseDigest)
	}
	if e.Summary != "practitioner changed: display name, role" || strings.Contains(e.String(), "Weir") || strings.Contains(e.String(), "Quay") {
		t.Errorf("%v", e)
	}
	if made := entryContext().Changed(nil, after); made.Summary != "practitioner created" || len(made.BeforeDigest) > 0 || len(made.ChangedFields) > 0 {
		t.Errorf("%v", made)
	}
	if e := entryContext().Changed(nil, &pb.Client{}); e != nil {
		t.Errorf("a client's record has an entry of its own: %v", e)
	}
}

func TestChangedFields(t *testing.T) {
	t.Parallel()
	before := &pb.Product{Name: "p", Etag: "1", DisplayName: "Mild", Directions: &pb.Directions{MaximumMinutes: new(int32(20))},
		Lots: []*pb.Lot{{LotCode: "M-1"}}, UpdateTime: timestamppb.Now()}
	for want, change := range map[string]func(*pb.Product){
		"":                           func(p *pb.Product) { p.Etag, p.UpdateTime = "2", nil },
		"directions.maximum_minutes": func(p *pb.Product) { p.Directions.MaximumMinutes = new(int32(40)) },
		"directions":                 func(p *pb.Product) { p.Directions = nil },
		"lots":                       func(p *pb.Product) { p.Lots[0].RecallReason = "a remark" },
		"display_name lots":          func(p *pb.Product) { p.DisplayName, p.Lots = "", nil },
	} {
		after := proto.CloneOf(before)
		change(after)
		if got := strings.Join(ChangedFields(before, after), " "); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// TestLotCodesOnEntries: what a maker prints is on the log, and what could be
// a person's name or address does not.
func TestLotCodesOnEntries(t *testing.T) {
	t.Parallel()
	for _, code := range []string{"R-2611", "L1", "L 2026/11", "24A07", "0817.3"} {
		if e := entryContext().Recalled(nil, &pb.Product{}, code); e.ReasonCode != code || !strings.Contains(e.Summary, code) {
			t.Errorf("%s: %v", code, e)
		}
	}
	for _, code := range []string{"Jane Doe", "JANE DOE", "JANEDOE1990", "Jane.Doe@example.org", "R-", "LOT", "", "r-2611 ", strings.Repeat("1", 31)} {
		e := entryContext().Recalled(nil, &pb.Product{}, code)
		if e.ReasonCode != OpaqueLot || code != "" && strings.Contains(e.Summary, code) {
			t.Errorf("%s: %v", code, e)
		}
		bad := &pb.Deviation{Kind: pb.DeviationKind_DEVIATION_KIND_BAD_LOT, Message: "lot " + code + " of chains/ebb/products/p had expired"}
		if e := entryContext().Deviated(&pb.Session{}, bad, bad); code != "" && strings.Contains(e.Summary, code) {
			t.Errorf("%s: %v", code, e)
		}
		d := decision(pb.Verdict_VERDICT_REFUSE)
		d.Inputs.LotCode, d.Findings[0].Message = code, "Lot "+code+" was recalled."
		if e := entryContext().Decided(d)[0]; code != "" && strings.Contains(e.Summary, code) {
			t.Errorf("%s: %v", code, e)
		}
	}
	bad := &pb.Deviation{Kind: pb.DeviationKind_DEVIATION_KIND_BAD_LOT, Message: "lot R-2611 of chains/ebb/products/p had expired"}
	if e := entryContext().Deviated(&pb.Session{}, bad, bad); e.Summary != bad.Message {
		t.Errorf("%v", e)
	}
}
