package integration

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// The promise: every refusal, referral, answer that changed after one, override,
// denied override, deviation, recall and change of policy is on the audit log,
// once, written together with its cause, and holds no personal data.

const (
	canaryName    = "Ottoline Canary"
	canaryComment = "Ottoline says that the strand tested yesterday was sound."
	canaryChange  = "Ottoline found the doctor's letter."
)

// cause is something that belongs on the log, and the entry that it must make.
type cause struct {
	what string
	want *pb.AuditEntry
}

// causes does one thing of each kind, a minute apart, and returns in order the
// entries that there must be.
func (c *chain) causes(t testing.TB) []cause {
	t.Helper()
	var all []cause
	note := func(what string, by person, want *pb.AuditEntry) {
		want.Format, want.Actor, want.Role, want.Till = 1, by.name, by.role, "front desk 1"
		want.RecordTime = c.clock.timestamp()
		if want.OccurTime == nil {
			want.OccurTime = want.RecordTime
		}
		all = append(all, cause{what, want})
	}
	next := func() { c.clock.advance(time.Minute) }
	person := must(t, c.amara, c.consultation.CreateClient, &pb.CreateClientRequest{Parent: c.name,
		Client: &pb.Client{DisplayName: canaryName, Phone: "555-0117", Email: "canary@invalid"}, RequestId: newID()}).Client.Name

	refusal, id := c.asked(t, person, brokenSkin)
	note("refusal", c.amara, about(refusal, id, pb.EntryKind_ENTRY_KIND_REFUSAL))
	next()
	referral, id := c.asked(t, person, medication)
	note("referral", c.amara, about(referral, id, pb.EntryKind_ENTRY_KIND_REFERRAL))
	note("answer that changed after the refusal", c.amara, changed(referral, id, "consultation.scalp.broken_skin", "scalp.broken-skin"))

	next()
	tried := c.override(refusal, refusal.Findings[0])
	tried.Comment = canaryComment
	denied := must(t, c.imara, c.eligibility.OverrideDecision, tried)
	note("denied override", c.imara, attempted(refusal, denied.Override, tried, pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED))

	next()
	open, id := c.asked(t, person, c.shampooed)
	note("refusal that can be overridden", c.amara, about(open, id, pb.EntryKind_ENTRY_KIND_REFUSAL))
	note("answers that changed after both", c.amara, changed(open, id,
		"consultation.history.medication, consultation.scalp.broken_skin", "medical.medication", "scalp.broken-skin"))
	next()
	tried = c.override(open, overridable(t, open))
	tried.Comment = canaryComment
	accepted := must(t, c.imara, c.eligibility.OverrideDecision, tried)
	note("override", c.imara, attempted(open, accepted.Override, tried, pb.EntryKind_ENTRY_KIND_OVERRIDE))

	next()
	begin := &pb.StartSessionRequest{Parent: person, Decision: refusal.Name, UnderWay: true, RequestId: newID()}
	session := must(t, c.amara, c.processing.StartSession, begin).Session
	note("service begun without leave", c.amara, deviationEntries(session, session.State.Deviations[0], begin.RequestId))
	next()
	report := &pb.RecordEventsRequest{Name: session.Name, RequestId: newID(), Events: []*pb.Event{eventAt(session, time.Minute, applied("crown"))}}
	for _, d := range must(t, c.till, c.processing.RecordEvents, report).NewDeviations {
		want := deviationEntries(session, d, report.RequestId)
		want.OnBehalfOf = session.Practitioner
		note("deviation", c.till, want)
	}

	next()
	recall := &pb.RecallLotRequest{Name: c.relaxer, LotCode: "R-2612", Reason: "Ottoline had a reaction", RequestId: newID()}
	must(t, c.imara, c.catalog.RecallLot, recall)
	note("recall", c.imara, &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_LOT_RECALLED, Product: c.relaxer,
		ReasonCode: "R-2612", LotCode: "R-2612", Summary: "lot R-2612 recalled", RequestId: recall.RequestId})

	next()
	policy := must(t, c.odile, c.catalog.CreateHousePolicy, c.uploaded()).HousePolicy
	activate := &pb.ActivateHousePolicyRequest{Name: policy.Name, RequestId: newID()}
	must(t, c.odile, c.catalog.ActivateHousePolicy, activate)
	note("policy put in force", c.odile, &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_POLICY_ACTIVATED, HousePolicy: policy.Name,
		PolicyDigest: policy.Digest, Summary: "house policy in force with 1 rules", RequestId: activate.RequestId})
	return all
}

// asked decides on a new card of a client, and returns the request's id too.
func (c *chain) asked(t testing.TB, client string, change ...func(*pb.Consultation)) (*pb.Decision, string) {
	t.Helper()
	req := c.question(c.submitted(t, client, change...).Name)
	req.WhatChanged = canaryChange
	return must(t, c.amara, c.eligibility.CheckEligibility, req).Decision, req.RequestId
}

// about is the entry that a decision must make.
func about(d *pb.Decision, request string, kind pb.EntryKind) *pb.AuditEntry {
	e := &pb.AuditEntry{Kind: kind, Salon: d.Inputs.Salon.Name, Client: parent(d.Name), Decision: d.Name, Product: d.Inputs.Product.Name,
		LotCode: d.Inputs.LotCode, Practitioner: d.Inputs.Practitioner.Name, Summary: d.Findings[0].Message, PolicyDigest: d.PolicyDigest, RequestId: request}
	for _, f := range d.Findings {
		if f.Severity > pb.Severity_SEVERITY_CONDITION {
			e.Rules = append(e.Rules, &pb.RuleRef{RuleId: f.RuleId, Version: f.RuleVersion})
		}
	}
	return e
}

// changed is the entry that a decision must make whose answers are not what they
// were when these rules refused or referred. It says which answers, not what they are.
func changed(d *pb.Decision, request, fields string, rules ...string) *pb.AuditEntry {
	e := about(d, request, pb.EntryKind_ENTRY_KIND_ANSWER_CHANGED)
	e.Rules, e.Summary = nil, "changed after a refusal: "+fields
	for _, id := range rules {
		e.Rules = append(e.Rules, &pb.RuleRef{RuleId: id})
	}
	return e
}

// attempted is the entry that a try to override must make.
func attempted(d *pb.Decision, o *pb.Override, req *pb.OverrideDecisionRequest, kind pb.EntryKind) *pb.AuditEntry {
	e := about(d, req.RequestId, kind)
	e.ReasonCode, e.OverrideReason, e.Rules = req.ReasonCode, req.ReasonCode, nil
	for _, f := range d.Findings {
		if f.RuleId == req.RuleId && f.Subject == req.Subject {
			e.Rules = append(e.Rules, &pb.RuleRef{RuleId: f.RuleId, Version: f.RuleVersion})
		}
	}
	e.Summary = fmt.Sprintf("finding %s overridden", req.RuleId)
	if o.Denial != pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED {
		e.ReasonCode, e.Denial = o.Denial.String(), o.Denial
		e.OverrideReason = "" // what nobody may override comes with no reasons
		e.Summary = fmt.Sprintf("override of finding %s denied: nobody may override it", req.RuleId)
	}
	sum := sha256.Sum256(append(append([]byte{}, o.CommentSalt...), o.Comment...))
	e.CommentCommitment = sum[:]
	return e
}

// deviationEntries is the entry that a deviation must make.
func deviationEntries(s *pb.Session, d *pb.Deviation, request string) *pb.AuditEntry {
	return &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_DEVIATION, Salon: s.Salon, Client: parent(s.Name), Decision: s.Decision,
		Session: s.Name, Product: s.Product, Practitioner: s.Practitioner,
		ReasonCode: d.Kind.String(), Deviation: d.Kind, Summary: d.Message, OccurTime: d.OccurTime, RequestId: request}
}

// changesOnly reports whether an entry says nothing but that a record which
// decisions rest on was changed.
func changesOnly(e *pb.AuditEntry) bool {
	return e.Kind >= pb.EntryKind_ENTRY_KIND_PRODUCT_CHANGED && e.Kind <= pb.EntryKind_ENTRY_KIND_CHAIN_CHANGED
}

// TestEachCauseMakesItsEntry compares the log with what was done, field by field.
func TestEachCauseMakesItsEntry(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	causes := c.causes(t)
	entries := slices.DeleteFunc(c.entries(t, ""), changesOnly)
	if len(entries) != len(causes) {
		t.Errorf("%d things were done and %d entries are there: %v", len(causes), len(entries), entries)
	}
	for i, e := range entries[:min(len(entries), len(causes))] {
		if !strings.HasPrefix(e.Name, c.name+"/entries/") || len(e.CauseDigest) != sha256.Size {
			t.Errorf("%s: the entry has no name or no digest of its cause: %v", causes[i].what, e)
		}
		e.Name, e.CauseDigest = "", nil
		e.ChangedRecord, e.ChangedFields, e.BeforeDigest, e.AfterDigest = "", nil, nil, nil // see TestChangesAreEntries
		if !proto.Equal(e, causes[i].want) {
			t.Errorf("%s: the entry is\n%v\nwant\n%v", causes[i].what, e, causes[i].want)
		}
		if text := fmt.Sprint(e); strings.Contains(text, "Ottoline") || strings.Contains(text, "555-0117") || strings.Contains(text, "canary@") {
			t.Errorf("%s: the entry holds personal data: %s", causes[i].what, text)
		}
	}
	wantCauses(t, s.sql)
}

// TestNothingElseMakesAnEntry: what is quite in order is not on the log, nor is
// what was only asked.
func TestNothingElseMakesAnEntry(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	whatIf := c.question(c.client(t) + "/consultations/none")
	whatIf.Subject = &pb.CheckEligibilityRequest_Inline{Inline: c.consultationAnswers(brokenSkin)}
	imagined := must(t, c.amara, c.eligibility.CheckEligibility, whatIf).Decision
	if imagined.Verdict != pb.Verdict_VERDICT_REFUSE || imagined.Name != "" {
		t.Errorf("a what-if on broken skin is %s and called %q", imagined.Verdict, imagined.Name)
	}
	incomplete := c.decision(t, func(k *pb.Consultation) { k.Scalp.BrokenSkin = pb.Answer_ANSWER_UNSPECIFIED })
	wantVerdict(t, incomplete, pb.Verdict_VERDICT_ASK)
	session := c.carriedOut(t)
	must(t, c.amara, c.outcome.RecordOutcome, completed(session))
	if entries := slices.DeleteFunc(c.entries(t, ""), changesOnly); len(entries) != 0 {
		t.Errorf("there are entries: %v", entries)
	}
}

// TestRecallIsOneEntry: a second recall of the same lot changes nothing.
func TestRecallIsOneEntry(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	recall := &pb.RecallLotRequest{Name: c.relaxer, LotCode: c.relaxerLot, Reason: "the maker calls it back", RequestId: newID()}
	first := must(t, c.imara, c.catalog.RecallLot, recall)
	if len(first.Sessions) != 1 || first.Sessions[0] != session.Name || first.SessionCount != 1 {
		t.Errorf("the recall names %v (%d), not the service that used the lot", first.Sessions, first.SessionCount)
	}
	c.clock.advance(time.Hour)
	second := again(recall)
	second.Reason = "once more"
	if got := must(t, c.imara, c.catalog.RecallLot, second); !proto.Equal(got.Product, first.Product) {
		t.Errorf("a second recall changed the first: %v, then %v", first.Product, got.Product)
	}
	if entries := c.entries(t, `kind = "LOT_RECALLED"`); len(entries) != 1 {
		t.Errorf("two recalls of one lot made %d entries", len(entries))
	}
	refused := wantVerdict(t, c.decision(t), pb.Verdict_VERDICT_REFUSE)
	if got := c.entries(t, fmt.Sprintf("decision = %q", refused.Name)); len(got) != 1 {
		t.Errorf("the refusal of the recalled lot has %d entries", len(got))
	}
}
