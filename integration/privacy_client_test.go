package integration

import (
	"context"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// The particulars of an invented client, each a word that occurs nowhere else.
const (
	wrenName      = "Wrenfeather Quillon"
	wrenPhone     = "+44 7700 900417"
	wrenEmail     = "quillon@wrenfeather.example"
	wrenBirth     = "1987-04-13"
	wrenReference = "clearance Zaffre-5521"
	wrenDoctor    = "letter Cerulean-7714 of Dr Ambergrisson"
	wrenWish      = "smooth like obsidianite"
	wrenRemark    = "works at the Marlinspike ropewalk"
	wrenNote      = "hummed the Tourmaline waltz"
	wrenOther     = "combed out by sister Hyacinthine"
	wrenStop      = "called home by nephew Corvinellus"
	wrenSnapshot  = "album Feldspar/front-17.jpg"
	wrenComment   = "spoke with cousin Peregrinus for long"
	wrenOutcome   = "left to meet uncle Balthazarius"
	wrenBreak     = "the taxi to Skerryvore came"
	wrenHomeCare  = "ask aunt Melisendra to help with the oil"
	wrenChange    = "scratched by the cat Thessalonica, healed"
	wrenSeen      = "a mark shaped like Lake Vermilionette"
	wrenFirst     = "cooled with water from the Alabastrine jug"
	wrenAdvice    = "to see the practice in Gossamer Lane"
	wrenPhoto     = "album Feldspar/ear-23.jpg"
	wrenFollowUp  = "paler, said her neighbour Ottoline Marrowby"
	wrenClosing   = "fetched by her brother Thaddeusz before the start"

	wrenAge = int32(39) // on the day of her visits
)

var canaries = []string{wrenName, wrenPhone, wrenEmail, wrenBirth, wrenReference, wrenDoctor, wrenWish, wrenRemark, wrenNote,
	wrenOther, wrenStop, wrenSnapshot, wrenComment, wrenOutcome, wrenBreak, wrenHomeCare, wrenChange, wrenSeen, wrenFirst,
	wrenAdvice, wrenPhoto, wrenFollowUp, wrenClosing}

// photographed is a reference to a photo that the salon keeps.
func photographed(reference string) *pb.PhotoTaken {
	return &pb.PhotoTaken{Reference: reference, Sha256: make([]byte, 32), Place: pb.Place_PLACE_SKIN}
}

// visit leads the client of the canaries through two visits: one that was
// refused, with an override that was denied, and one that was carried out.
func (b *canaryTest) visit(t *testing.T, c *chain) string {
	t.Helper()
	ctx := func(p person) context.Context { return p.calling(t) }
	client := sentPayloads(t, b, c.amara, func(q *pb.CreateClientRequest) (*pb.CreateClientResponse, error) {
		return c.consultation.CreateClient(ctx(c.amara), q)
	}, &pb.CreateClientRequest{Parent: c.name, RequestId: newID(), Client: &pb.Client{DisplayName: wrenName, Phone: wrenPhone}}).Client
	client.Email, client.BirthDate = wrenEmail, wrenBirth
	sentPayloads(t, b, c.amara, func(q *pb.UpdateClientRequest) (*pb.UpdateClientResponse, error) {
		return c.consultation.UpdateClient(ctx(c.amara), q)
	}, &pb.UpdateClientRequest{Client: client, UpdateMask: updateMask("email", "birth_date"), RequestId: newID()})
	refused := wantVerdict(t, b.decide(t, c, client.Name, brokenSkin), pb.Verdict_VERDICT_REFUSE)
	override := c.override(refused, refused.Findings[0])
	override.Comment = wrenComment
	sentPayloads(t, b, c.imara, func(q *pb.OverrideDecisionRequest) (*pb.OverrideDecisionResponse, error) {
		return c.eligibility.OverrideDecision(ctx(c.imara), q)
	}, override)
	b.clock.advance(24 * time.Hour)
	decision := wantVerdict(t, b.decide(t, c, client.Name), pb.Verdict_VERDICT_PROCEED, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
	session := sentPayloads(t, b, c.amara, func(q *pb.StartSessionRequest) (*pb.StartSessionResponse, error) {
		return c.processing.StartSession(ctx(c.amara), q)
	}, &pb.StartSessionRequest{Parent: client.Name, Decision: decision.Name, RequestId: newID()}).Session
	b.clock.advance(time.Hour)
	facts := append(c.service(session), eventAt(session, 20*time.Minute, note(wrenNote)),
		eventAt(session, 21*time.Minute, &pb.Event{Fact: &pb.Event_OtherFact{OtherFact: &pb.OtherFact{Fact: "hair_shed", Content: wrenOther}}}),
		eventAt(session, 22*time.Minute, &pb.Event{Fact: &pb.Event_PhotoTaken{PhotoTaken: photographed(wrenSnapshot)}}),
		eventAt(session, 37*time.Minute, &pb.Event{Fact: &pb.Event_Stopped{Stopped: &pb.Stopped{Reason: wrenStop}}}))
	sentPayloads(t, b, c.till, func(q *pb.RecordEventsRequest) (*pb.RecordEventsResponse, error) {
		return c.processing.RecordEvents(ctx(c.till), q)
	}, &pb.RecordEventsRequest{Name: session.Name, Events: facts, SendTime: c.clock.timestamp(), RequestId: newID()})
	outcome := completed(session)
	outcome.Outcome.Comments, outcome.Outcome.Completed, outcome.Outcome.BrokenOffReason = wrenOutcome, false, wrenBreak
	outcome.Outcome.HomeCareAdvice = []string{wrenHomeCare}
	sentPayloads(t, b, c.amara, func(q *pb.RecordOutcomeRequest) (*pb.RecordOutcomeResponse, error) {
		return c.outcome.RecordOutcome(ctx(c.amara), q)
	}, outcome)
	b.addFollowUps(t, c, client.Name, session.Name)
	b.startOpenSession(t, c, client.Name)
	return client.Name
}

// addFollowUps is an incident of a visit with its first follow-up.
func (b *canaryTest) addFollowUps(t *testing.T, c *chain, client, session string) {
	t.Helper()
	noticed := c.newIncident()
	noticed.Session, noticed.Seen, noticed.FirstAction, noticed.Advice, noticed.NameToMaker = session, wrenSeen, wrenFirst, wrenAdvice, yes
	noticed.Photos = []*pb.PhotoTaken{photographed(wrenPhoto)}
	noticed.OccurTime = timestamppb.New(c.clock.Now().Add(-24 * time.Hour)) // so that the first follow-up is due
	incident := sentPayloads(t, b, c.amara, func(q *pb.CreateIncidentRequest) (*pb.CreateIncidentResponse, error) {
		return c.incident.CreateIncident(c.amara.calling(t), q)
	}, &pb.CreateIncidentRequest{Parent: client, Incident: noticed, RequestId: newID()}).Incident
	sentPayloads(t, b, c.till, func(q *pb.RecordFollowUpRequest) (*pb.RecordFollowUpResponse, error) {
		return c.incident.RecordFollowUp(c.till.calling(t), q)
	}, &pb.RecordFollowUpRequest{Name: incident.Name, Number: new(int32(1)), RequestId: newID(), FollowUp: &pb.FollowUp{
		Channel: pb.FollowUpChannel_FOLLOW_UP_CHANNEL_REMOTE, Worse: no, DoctorSeen: no, Text: wrenFollowUp, Practitioner: c.amara.name}})
}

// underWay begins a service on a fresh decision, whatever that says.
func (b *canaryTest) underWay(t *testing.T, c *chain, client string) *pb.Session {
	t.Helper()
	decision := b.decide(t, c, client)
	return sentPayloads(t, b, c.amara, func(q *pb.StartSessionRequest) (*pb.StartSessionResponse, error) {
		return c.processing.StartSession(c.amara.calling(t), q)
	}, &pb.StartSessionRequest{Parent: client, Decision: decision.Name, UnderWay: true, RequestId: newID()}).Session
}

// startOpenSession is a visit that was left open and closed by the supervisor.
func (b *canaryTest) startOpenSession(t *testing.T, c *chain, client string) {
	t.Helper()
	session := b.underWay(t, c, client)
	sentPayloads(t, b, c.imara, func(q *pb.CloseSessionRequest) (*pb.CloseSessionResponse, error) {
		return c.processing.CloseSession(c.imara.calling(t), q)
	}, &pb.CloseSessionRequest{Name: session.Name, Practitioner: c.imara.name, Comment: wrenClosing, RequestId: newID()})
}

// decide consults and decides.
func (b *canaryTest) decide(t *testing.T, c *chain, client string, change ...func(*pb.Consultation)) *pb.Decision {
	t.Helper()
	ctx := c.amara.calling(t)
	card := c.consultationAnswers(append(change, func(k *pb.Consultation) {
		k.Remarks, k.Wishes.Words, k.History.MedicalClearanceReference = wrenRemark, wrenWish, wrenReference
		k.Consent.AgeYears = new(wrenAge)
		k.History.DoctorsWords = []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_ALLERGY, Reference: wrenDoctor,
			GiveDate: &date.Date{Year: 2026, Month: 10, Day: 20}}}
	})...)
	draft := sentPayloads(t, b, c.amara, func(q *pb.CreateConsultationRequest) (*pb.CreateConsultationResponse, error) {
		return c.consultation.CreateConsultation(ctx, q)
	}, &pb.CreateConsultationRequest{Parent: client, Consultation: card, RequestId: newID()}).Consultation
	sentPayloads(t, b, c.amara, func(q *pb.SubmitConsultationRequest) (*pb.SubmitConsultationResponse, error) {
		return c.consultation.SubmitConsultation(ctx, q)
	}, &pb.SubmitConsultationRequest{Name: draft.Name, RequestId: newID()})
	question := c.question(draft.Name)
	question.WhatChanged = wrenChange
	return sentPayloads(t, b, c.amara, func(q *pb.CheckEligibilityRequest) (*pb.CheckEligibilityResponse, error) {
		return c.eligibility.CheckEligibility(ctx, q)
	}, question).Decision
}
