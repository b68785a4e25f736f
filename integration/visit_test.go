package integration

import (
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// client creates a client and returns its name.
func (c *chain) client(t testing.TB) string {
	t.Helper()
	return must(t, c.amara, c.consultation.CreateClient, &pb.CreateClientRequest{
		Parent: c.name, Client: &pb.Client{DisplayName: "Invented client", Phone: "none"}, RequestId: newID()}).Client.Name
}

// draft begins a consultation of a client.
func (c *chain) draft(t testing.TB, client string, change ...func(*pb.Consultation)) *pb.Consultation {
	t.Helper()
	return must(t, c.amara, c.consultation.CreateConsultation, &pb.CreateConsultationRequest{
		Parent: client, Consultation: c.consultationAnswers(change...), RequestId: newID()}).Consultation
}

// submitted is a consultation that is frozen.
func (c *chain) submitted(t testing.TB, client string, change ...func(*pb.Consultation)) *pb.Consultation {
	t.Helper()
	return must(t, c.amara, c.consultation.SubmitConsultation, &pb.SubmitConsultationRequest{
		Name: c.draft(t, client, change...).Name, RequestId: newID()}).Consultation
}

// question asks whether the relaxer may be put on a client of a consultation.
func (c *chain) question(consultation string) *pb.CheckEligibilityRequest {
	return &pb.CheckEligibilityRequest{
		Parent: parent(consultation), Subject: &pb.CheckEligibilityRequest_Consultation{Consultation: consultation},
		ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN, Product: c.relaxer, LotCode: c.relaxerLot,
		Practitioner: c.amara.name, Supervisor: c.imara.name, Salon: c.salon, RequestId: newID(),
	}
}

// booking asks about the same service after a time.
func (c *chain) booking(consultation string, after time.Duration) *pb.CheckBookingRequest {
	q := c.question(consultation)
	return &pb.CheckBookingRequest{
		Parent: q.Parent, Subject: &pb.CheckBookingRequest_Consultation{Consultation: consultation}, ServiceKind: q.ServiceKind,
		Product: q.Product, LotCode: q.LotCode, Practitioner: q.Practitioner, Supervisor: q.Supervisor, Salon: q.Salon,
		BookTime: timestamppb.New(c.clock.Now().Add(after)), RequestId: newID(),
	}
}

// decision creates a client and decides on a new consultation.
func (c *chain) decision(t testing.TB, change ...func(*pb.Consultation)) *pb.Decision {
	t.Helper()
	return c.decisionFor(t, c.client(t), change...)
}

// decisionFor decides on a new card of a client.
func (c *chain) decisionFor(t testing.TB, client string, change ...func(*pb.Consultation)) *pb.Decision {
	t.Helper()
	return must(t, c.amara, c.eligibility.CheckEligibility, c.question(c.submitted(t, client, change...).Name)).Decision
}

// wantVerdict checks what a test needs of a decision before it can begin.
func wantVerdict(t testing.TB, d *pb.Decision, want ...pb.Verdict) *pb.Decision {
	t.Helper()
	if !slices.Contains(want, d.Verdict) {
		t.Fatalf("the decision is %s, want %v; findings %v, open questions %v", d.Verdict, want, d.Findings, d.OpenQuestions)
	}
	return d
}

// proceedDecision is a decision that lets a service begin.
func (c *chain) proceedDecision(t testing.TB) *pb.Decision {
	t.Helper()
	return wantVerdict(t, c.decision(t), pb.Verdict_VERDICT_PROCEED, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
}

// override is the request by which the supervisor tries to set a finding aside.
func (c *chain) override(d *pb.Decision, f *pb.Finding) *pb.OverrideDecisionRequest {
	reason := "CLIENT_INSISTS"
	if len(f.GetOverrideTerms().GetReasons()) > 0 {
		reason = f.OverrideTerms.Reasons[0].Code
	}
	return &pb.OverrideDecisionRequest{
		Name: d.Name, RuleId: f.RuleId, Subject: f.Subject, Practitioner: c.imara.name, ReasonCode: reason,
		Comment: "Strand tested yesterday: sound and even.", RequestId: newID(),
	}
}

// overridable is a finding that a supervisor may set aside.
func overridable(t testing.TB, d *pb.Decision) *pb.Finding {
	t.Helper()
	for _, f := range d.Findings {
		if f.Severity >= pb.Severity_SEVERITY_REFER && slices.Contains(f.GetOverrideTerms().GetRoles(), pb.Role_ROLE_SUPERVISOR) {
			return f
		}
	}
	t.Fatalf("a supervisor may override nothing of %v", d.Findings)
	return nil
}

// begin begins the service that a decision lets go ahead.
func (c *chain) begin(t testing.TB, d *pb.Decision) *pb.Session {
	t.Helper()
	return must(t, c.amara, c.processing.StartSession, &pb.StartSessionRequest{
		Parent: parent(d.Name), Decision: d.Name, RequestId: newID()}).Session
}

// session is a service that has begun.
func (c *chain) session(t testing.TB) *pb.Session {
	t.Helper()
	return c.begin(t, c.proceedDecision(t))
}

// noted counts the events of all tills.
var noted atomic.Int64

// eventAt is a fact of some minutes after a session's start, with an id of its own.
func eventAt(s *pb.Session, after time.Duration, e *pb.Event) *pb.Event {
	e.EventId, e.OccurTime = newID(), timestamppb.New(s.StartTime.AsTime().Add(after))
	e.DeviceSequence = new(noted.Add(1))
	return e
}

// echo is the echo of a till whose clock is right and that has just received an answer.
func (c *chain) echo() *pb.ClockEcho {
	return &pb.ClockEcho{ServerTime: c.clock.timestamp(), ReceiveTime: c.clock.timestamp(), ElapsedMs: new(int64(0))}
}

// report sends events and checks that all of them are recorded.
func (c *chain) report(t testing.TB, session *pb.Session, facts ...*pb.Event) *pb.RecordEventsResponse {
	t.Helper()
	answer := must(t, c.till, c.processing.RecordEvents, &pb.RecordEventsRequest{
		Name: session.Name, Events: facts, SendTime: c.clock.timestamp(), Echo: c.echo(), RequestId: newID()})
	for _, r := range answer.Results {
		if r.Status != pb.EventStatus_EVENT_STATUS_RECORDED {
			t.Fatalf("a fact was not recorded: %v", r)
		}
	}
	return answer
}

// service is all the facts of a service that went as it should, on one section.
func (c *chain) service(s *pb.Session) []*pb.Event {
	const minute = time.Minute
	lather := func(n int32, colour pb.IndicatorColour) *pb.Event {
		return &pb.Event{Fact: &pb.Event_Shampoo{Shampoo: &pb.Shampoo{Number: new(n), Indicator: colour}}}
	}
	strand := func(left float64) *pb.Event {
		return &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{SectionId: "front", RemainingCurlPercent: new(left)}}}
	}
	facts := []*pb.Event{eventAt(s, 0, &pb.Event{Fact: &pb.Event_ConsentConfirmed{ConsentConfirmed: &pb.ConsentConfirmed{}}})}
	for _, condition := range s.Conditions {
		if condition.BeforeContact {
			facts = append(facts, eventAt(s, 1*minute, met(condition)))
		}
	}
	return append(facts,
		eventAt(s, 1*minute, based()),
		eventAt(s, 2*minute, &pb.Event{Fact: &pb.Event_ProductConfirmed{ProductConfirmed: &pb.ProductConfirmed{
			Product: c.relaxer, LotCode: c.relaxerLot, Scanned: true}}}),
		eventAt(s, 2*minute, &pb.Event{Fact: &pb.Event_ProductUsed{ProductUsed: &pb.ProductUsed{
			Product: c.relaxer, LotCode: c.relaxerLot, Grams: new(60.0)}}}),
		eventAt(s, 3*minute, applied("front")),
		eventAt(s, 5*minute, strand(80)),
		eventAt(s, 8*minute, strand(55)),
		eventAt(s, 10*minute, strand(40)),
		eventAt(s, 12*minute, strand(31)),
		eventAt(s, 13*minute, &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{SectionId: "front"}}}),
		eventAt(s, 18*minute, &pb.Event{Fact: &pb.Event_RinseFinished{RinseFinished: &pb.RinseFinished{}}}),
		eventAt(s, 19*minute, &pb.Event{Fact: &pb.Event_NormalizerOn{NormalizerOn: &pb.NormalizerOn{}}}),
		eventAt(s, 24*minute, &pb.Event{Fact: &pb.Event_NormalizerOff{NormalizerOff: &pb.NormalizerOff{}}}),
		eventAt(s, 26*minute, lather(1, pb.IndicatorColour_INDICATOR_COLOUR_ALKALI)),
		eventAt(s, 28*minute, lather(2, pb.IndicatorColour_INDICATOR_COLOUR_ALKALI)),
		eventAt(s, 30*minute, lather(3, pb.IndicatorColour_INDICATOR_COLOUR_CLEAR)),
		eventAt(s, 32*minute, lather(4, pb.IndicatorColour_INDICATOR_COLOUR_CLEAR)),
		eventAt(s, 34*minute, &pb.Event{Fact: &pb.Event_Conditioned{Conditioned: &pb.Conditioned{}}}),
		eventAt(s, 36*minute, &pb.Event{Fact: &pb.Event_ScalpChecked{ScalpChecked: &pb.ScalpChecked{}}}),
	)
}

// until is the facts of a session's first minutes.
func until(s *pb.Session, minutes int, facts []*pb.Event) []*pb.Event {
	end := s.StartTime.AsTime().Add(time.Duration(minutes) * time.Minute)
	return slices.DeleteFunc(slices.Clone(facts), func(e *pb.Event) bool { return e.OccurTime.AsTime().After(end) })
}

// met is a condition that was met.
func met(c *pb.ConditionState) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ConditionMet{ConditionMet: &pb.ConditionMet{RuleId: c.RuleId, Subject: c.Subject}}}
}

// applied is product on a section.
func applied(section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{
		SectionId: section, Part: pb.SectionPart_SECTION_PART_MID_STRAND}}}
}

// based is base on the whole scalp.
func based() *pb.Event {
	return &pb.Event{Fact: &pb.Event_BaseApplied{BaseApplied: &pb.BaseApplied{WholeScalp: true}}}
}

// note is a remark.
func note(text string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_Note{Note: &pb.Note{Text: text}}}
}

// carriedOut is a service that was carried through to neutral hair.
func (c *chain) carriedOut(t testing.TB) *pb.Session {
	t.Helper()
	session := c.session(t)
	c.clock.advance(time.Hour)
	c.report(t, session, c.service(session)...)
	return session
}

// completed is the outcome of a service that went well.
func completed(session *pb.Session) *pb.RecordOutcomeRequest {
	return &pb.RecordOutcomeRequest{Parent: parent(session.Name), RequestId: newID(), Outcome: &pb.Outcome{
		Session: session.Name, Completed: true, ScalpChanged: no, Comments: "even", HomeCareAdvice: []string{"no shampoo for two days"},
		Sections: []*pb.SectionOutcome{{SectionId: "front", StraighteningPercent: new(70.0),
			Condition: pb.HairCondition_HAIR_CONDITION_SOUND, Breakage: no}},
	}}
}

// brokenOff is the end of a service that was not carried through.
func brokenOff(session *pb.Session) *pb.RecordOutcomeRequest {
	return &pb.RecordOutcomeRequest{Parent: parent(session.Name), RequestId: newID(), Outcome: &pb.Outcome{
		Session: session.Name, BrokenOffReason: "the client had to leave", ScalpChanged: no}}
}
