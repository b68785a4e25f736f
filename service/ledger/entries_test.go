package ledger

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

func entryContext() EntryContext {
	return EntryContext{
		Chain: "chains/ebb", Actor: "chains/ebb/practitioners/amara", Role: pb.Role_ROLE_PRACTITIONER,
		RequestID: "r", Time: time.Unix(1_800_000_000, 0), NewID: func() string { return "e1" },
	}
}

func decision(v pb.Verdict) *pb.Decision {
	return &pb.Decision{
		Name:    "chains/ebb/clients/c/decisions/d",
		Verdict: v,
		Findings: []*pb.Finding{
			{RuleId: "scalp.broken-skin", RuleVersion: 2, Message: "The skin is broken.", Severity: pb.Severity_SEVERITY_REFUSE},
			{RuleId: "history.shampoo", RuleVersion: 1, Severity: pb.Severity_SEVERITY_REFER},
			{RuleId: "hair.dense", RuleVersion: 1, Severity: pb.Severity_SEVERITY_CONDITION},
		},
		Inputs: &pb.DecisionInputs{
			Salon:        &pb.Salon{Name: "chains/ebb/salons/north"},
			Practitioner: &pb.Practitioner{Name: "chains/ebb/practitioners/noor", DisplayName: "Noor Canary"},
			Consultation: &pb.Consultation{Remarks: "Canary remark"},
		},
	}
}

func TestOnlyRefusalsAndReferralsAreEntries(t *testing.T) {
	want := map[pb.Verdict]pb.EntryKind{
		pb.Verdict_VERDICT_REFUSE: pb.EntryKind_ENTRY_KIND_REFUSAL,
		pb.Verdict_VERDICT_REFER:  pb.EntryKind_ENTRY_KIND_REFERRAL,
	}
	for number, name := range pb.Verdict_name {
		entries := entryContext().Decided(decision(pb.Verdict(number)))
		kind, entered := want[pb.Verdict(number)]
		if entered != (len(entries) == 1) {
			t.Errorf("%s: %d entries", name, len(entries))
		}
		if entered && entries[0].Kind != kind {
			t.Errorf("%s: entered as %s", name, entries[0].Kind)
		}
	}
}

// TestTheLongestRefusalFits: as many rules as there can be, all of which say
// something of every section.
func TestTheLongestRefusalFits(t *testing.T) {
	d := decision(pb.Verdict_VERDICT_REFUSE)
	const rules, sections = 300, 12 // 200 of the house, and those built in
	for section := range sections {
		for rule := range rules {
			d.Findings = append(d.Findings, &pb.Finding{RuleId: fmt.Sprintf("%s.r%04d", strings.Repeat("house", 14), rule), RuleVersion: 1,
				Subject: fmt.Sprint(section), Message: strings.Repeat("m", 400), Severity: pb.Severity_SEVERITY_REFER})
		}
	}
	e := entryContext().Decided(d)[0]
	if body, err := proto.Marshal(e); err != nil || len(body) > MaxEntry {
		t.Errorf("it has %d bytes, %v", len(body), err)
	}
	if len(e.Rules) != 2+rules || e.Rules[0].RuleId != "scalp.broken-skin" {
		t.Errorf("%d rules, the first %v", len(e.Rules), e.Rules[0])
	}
}

func TestAnEntrySaysWhoForWhomWhatAndWhy(t *testing.T) {
	d := decision(pb.Verdict_VERDICT_REFUSE)
	e := entryContext().Decided(d)[0]
	if e.Name != "chains/ebb/entries/e1" || e.Actor != "chains/ebb/practitioners/amara" || e.OnBehalfOf != "chains/ebb/practitioners/noor" ||
		e.Client != "chains/ebb/clients/c" || e.Decision != d.Name || e.Salon != "chains/ebb/salons/north" || e.RequestId != "r" {
		t.Errorf("entry %v", e)
	}
	if len(e.Rules) != 2 || e.Rules[0].RuleId != "scalp.broken-skin" || e.Rules[0].Version != 2 {
		t.Errorf("rules %v", e.Rules)
	}
	if !bytes.Equal(e.CauseDigest, Digest(d)) {
		t.Error("the digest is not the decision's")
	}
}

func TestAnEntryHoldsNoPersonalData(t *testing.T) {
	o := &pb.Override{RuleId: "scalp.broken-skin", Comment: "Canary comment", CommentSalt: []byte("0123456789abcdef"), Practitioner: "chains/ebb/practitioners/amara"}
	d := decision(pb.Verdict_VERDICT_REFUSE)
	typed := proto.CloneOf(o) // as the rule, what no rule is called
	typed.RuleId, typed.Denial = "Canary Jones", pb.OverrideDenial_OVERRIDE_DENIAL_NO_SUCH_FINDING
	for _, e := range append(entryContext().Decided(d), entryContext().Overridden(d, o), entryContext().Overridden(d, typed)) {
		body, err := proto.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(body, []byte("Canary")) {
			t.Errorf("%s holds free text or a name: %v", e.Kind, e)
		}
	}
}

func TestADeniedOverrideIsAnEntryOfItsOwnKind(t *testing.T) {
	d := decision(pb.Verdict_VERDICT_REFUSE)
	o := &pb.Override{RuleId: "scalp.broken-skin", ReasonCode: "SOUND", Practitioner: "chains/ebb/practitioners/noor"}
	if e := entryContext().Overridden(d, o); e.Kind != pb.EntryKind_ENTRY_KIND_OVERRIDE || e.OnBehalfOf != o.Practitioner || e.Rules[0].Version != 2 {
		t.Errorf("accepted: %v", e)
	}
	for number, name := range pb.OverrideDenial_name {
		if o.Denial = pb.OverrideDenial(number); number == 0 {
			continue
		}
		e := entryContext().Overridden(d, o)
		if e.Kind != pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED || e.ReasonCode != name || strings.HasSuffix(e.Summary, denied(0)) {
			t.Errorf("denied: %v", e)
		}
	}
}

func TestTheCommitmentNeedsSaltAndText(t *testing.T) {
	base := Commit([]byte("salt"), "text")
	if bytes.Equal(base, Commit([]byte("tlas"), "text")) || bytes.Equal(base, Commit([]byte("salt"), "texts")) {
		t.Error("different salt or text gave the same commitment")
	}
}

// Everybody who acts for another says so; the server acts for nobody.
func TestOnBehalfOf(t *testing.T) {
	const amara, noor, imara = "chains/ebb/practitioners/amara", "chains/ebb/practitioners/noor", "chains/ebb/practitioners/imara"
	d := decision(pb.Verdict_VERDICT_REFUSE)
	session := &pb.Session{Name: "chains/ebb/clients/c/sessions/s", Practitioner: noor}
	entries := map[string]func(EntryContext) *pb.AuditEntry{
		"refusal":  func(s EntryContext) *pb.AuditEntry { return s.Decided(d)[0] },
		"override": func(s EntryContext) *pb.AuditEntry { return s.Overridden(d, &pb.Override{Practitioner: imara}) },
		"signature": func(s EntryContext) *pb.AuditEntry {
			return s.Countersigned(d, &pb.Countersignature{Practitioner: imara})
		},
		"deviation": func(s EntryContext) *pb.AuditEntry { return s.Deviated(session, &pb.Deviation{}, session) },
		"alarm":     func(s EntryContext) *pb.AuditEntry { return s.Alarmed(session, &pb.Alarm{}) },
		"recall":    func(s EntryContext) *pb.AuditEntry { return s.Recalled(nil, &pb.Product{}, "R-1") },
		"policy":    func(s EntryContext) *pb.AuditEntry { return s.Activated(nil, &pb.HousePolicy{}) },
	}
	for _, c := range []struct{ what, actor, want string }{
		{"refusal", noor, ""}, {"refusal", amara, noor},
		{"override", imara, ""}, {"override", amara, imara},
		{"signature", imara, ""}, {"signature", amara, imara},
		{"deviation", noor, ""}, {"deviation", amara, noor},
		{"alarm", amara, noor},
		{"recall", amara, ""}, {"policy", amara, ""},
	} {
		s := entryContext()
		s.Actor = c.actor
		if e := entries[c.what](s); e.Actor != c.actor || e.OnBehalfOf != c.want {
			t.Errorf("%s by %s: on behalf of %q, want %q", c.what, c.actor, e.OnBehalfOf, c.want)
		}
	}
	s := entryContext()
	s.Actor, s.Role = "server", pb.Role_ROLE_UNSPECIFIED
	if e := entries["alarm"](s); e.OnBehalfOf != "" {
		t.Errorf("the server acts on behalf of %q", e.OnBehalfOf)
	}
}

func TestARestoreSaysWhoWhyAndFromWhat(t *testing.T) {
	req := &pb.AcceptRestoreRequest{Name: "chains/ebb", Reason: "the disk of the database was replaced", RequestId: "r"}
	e := entryContext().Restored(req, "a checkpoint")
	if e.Kind != pb.EntryKind_ENTRY_KIND_RESTORED || e.Summary != req.Reason || e.EarlierCheckpoint != "a checkpoint" || e.Actor == "" ||
		!bytes.Equal(e.CauseDigest, Digest(req)) || e.RecordTime == nil {
		t.Errorf("entry %v", e)
	}
}
