package ledger

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// What auditors ask for has fields of its own, and the coded reason is filled as
// it always was.
func TestEntriesHaveFieldsOfTheirOwn(t *testing.T) {
	d := decision(pb.Verdict_VERDICT_REFUSE)
	d.Findings[0].Subject, d.Findings[1].Subject, d.Findings[2].Subject = "zone:mid-strand", "section:nape", "zone:ends"
	d.Findings = append(d.Findings, &pb.Finding{RuleId: "x", Subject: "zone:mid-strand", Severity: pb.Severity_SEVERITY_REFER})
	d.Findings[0].OverrideTerms = &pb.OverrideTerms{Allowed: true, Reasons: []*pb.OverrideReason{{Code: "SOUND"}}}
	d.Inputs.LotCode, d.Inputs.Product = "L-7", &pb.Product{Name: "chains/ebb/products/p", Lots: []*pb.Lot{{LotCode: "L-7"}}}
	noor := d.Inputs.Practitioner.Name

	e := entryContext().Decided(d)[0]
	if e.Practitioner != noor || e.LotCode != "L-7" || !slices.Equal(e.Subjects, []string{"zone:mid-strand", "section:nape"}) {
		t.Errorf("a refusal: %v", e)
	}
	mine := entryContext()
	mine.Actor = noor
	if e := mine.Decided(d)[0]; e.Practitioner != noor || e.OnBehalfOf != "" {
		t.Errorf("a refusal of one's own service: %v", e)
	}

	o := &pb.Override{RuleId: "scalp.broken-skin", Subject: "zone:mid-strand", ReasonCode: "SOUND", Practitioner: "chains/ebb/practitioners/imara"}
	if e = entryContext().Overridden(d, o); e.Practitioner != noor || e.OverrideReason != "SOUND" || e.ReasonCode != "SOUND" || e.Denial != 0 || !slices.Equal(e.Subjects, []string{"zone:mid-strand"}) {
		t.Errorf("an override: %v", e)
	}
	o.Denial = pb.OverrideDenial_OVERRIDE_DENIAL_ROLE
	if e = entryContext().Overridden(d, o); e.OverrideReason != "SOUND" || e.Denial != o.Denial || e.ReasonCode != "OVERRIDE_DENIAL_ROLE" {
		t.Errorf("a denied override: %v", e)
	}

	session := &pb.Session{Name: "chains/ebb/clients/c/sessions/s", Practitioner: noor}
	e = entryContext().Deviated(session, &pb.Deviation{Kind: pb.DeviationKind_DEVIATION_KIND_RINSED_LATE, SectionId: "nape"}, session)
	if e.Practitioner != noor || e.Deviation != pb.DeviationKind_DEVIATION_KIND_RINSED_LATE || e.ReasonCode != "DEVIATION_KIND_RINSED_LATE" || !slices.Equal(e.Subjects, []string{"section:nape"}) {
		t.Errorf("a deviation: %v", e)
	}
	e = entryContext().Alarmed(session, &pb.Alarm{Kind: pb.AlarmKind_ALARM_KIND_RINSE_NOW})
	if e.Practitioner != noor || e.Alarm != pb.AlarmKind_ALARM_KIND_RINSE_NOW || e.ReasonCode != "ALARM_KIND_RINSE_NOW" || len(e.Subjects) != 0 {
		t.Errorf("an alarm: %v", e)
	}
	if e = entryContext().Recalled(&pb.Product{}, &pb.Product{}, "L-7"); e.LotCode != "L-7" || e.ReasonCode != "L-7" {
		t.Errorf("a recall: %v", e)
	}
}

// What a caller typed as a lot or a reason is on the log only if it is one that the
// chain keeps.
func TestTypedTextIsInNoFieldOfAnEntry(t *testing.T) {
	d := decision(pb.Verdict_VERDICT_REFUSE)
	d.Inputs.LotCode, d.Inputs.Product = "Canary Jones", &pb.Product{Lots: []*pb.Lot{{LotCode: "L-7"}, {LotCode: "Canary Jones"}}}
	unknown := proto.CloneOf(d)
	unknown.Inputs.LotCode = "CANARY-9"
	o := &pb.Override{RuleId: "scalp.broken-skin", ReasonCode: "CANARY", Denial: pb.OverrideDenial_OVERRIDE_DENIAL_REASON}
	for _, e := range []*pb.AuditEntry{entryContext().Decided(d)[0], entryContext().Decided(unknown)[0], entryContext().Overridden(d, o)} {
		body, err := proto.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(bytes.ToUpper(body), []byte("CANARY")) {
			t.Errorf("it holds what was typed: %v", e)
		}
	}
}

// An override names every rule of its cause; one by somebody who works alone says so,
// and is counted apart by its reason.
func TestOverrideOfACause(t *testing.T) {
	d := &pb.Decision{Name: "chains/ebb-and-flow/clients/c/decisions/d", Inputs: &pb.DecisionInputs{}, Findings: []*pb.Finding{
		{RuleId: "wait.relaxer", RuleVersion: 3, Cause: "early", OverrideTerms: &pb.OverrideTerms{Allowed: true, Reasons: []*pb.OverrideReason{{Code: "SOUND"}}}},
		{RuleId: "retouch.little-growth", RuleVersion: 2, Cause: "early"},
		{RuleId: "wait.shampoo", RuleVersion: 2, Cause: "washed"},
	}}
	o := &pb.Override{RuleId: "wait.relaxer", RuleIds: []string{"retouch.little-growth", "wait.relaxer", "wait.shampoo"}, ReasonCode: "SOUND", Practitioner: "chains/ebb-and-flow/practitioners/solo", Alone: true, PhotoDigest: "0c0c"}
	e := entryContext().Overridden(d, o)
	if len(e.Rules) != 2 || e.Rules[0].RuleId != "wait.relaxer" || e.Rules[1].RuleId != "retouch.little-growth" || e.Rules[1].Version != 2 {
		t.Errorf("rules: %v", e.Rules)
	}
	if e.Kind != pb.EntryKind_ENTRY_KIND_OVERRIDE || e.ReasonCode != Alone || e.OverrideReason != "SOUND" || !strings.Contains(e.Summary, "only practitioner") {
		t.Errorf("alone: %v", e)
	}
	if strings.Contains(e.String(), o.PhotoDigest) {
		t.Errorf("the digest of a photo of a client is on the log: %v", e)
	}
	o.Denial = pb.OverrideDenial_OVERRIDE_DENIAL_ALONE_LIMIT
	if e = entryContext().Overridden(d, o); e.Kind != pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED || e.ReasonCode == Alone {
		t.Errorf("denied: %v", e)
	}
}

// A policy that loosens a number says which, and to what, when it comes into force.
func TestActivationTellsWhatIsLoosened(t *testing.T) {
	looser := &pb.HousePolicy{Name: "chains/ebb-and-flow/policies/p", Loosening: &pb.PolicyParameters{ColourWaitDays: new(int32(8))}}
	if e := entryContext().Activated(looser, looser); !strings.Contains(e.Summary, "looser than the default in colour_wait_days (8)") {
		t.Error(e.Summary)
	}
	if e := entryContext().Activated(&pb.HousePolicy{}, &pb.HousePolicy{}); strings.Contains(e.Summary, "looser") {
		t.Error(e.Summary)
	}
}
