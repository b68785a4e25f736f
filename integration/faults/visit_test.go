package faults

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// visit is one client's: consultation, decisions, a session with its facts, an outcome,
// and now and then an incident or an erasure. Between the steps the worker reads,
// watches, checks the log and changes a product that others change too. It ends early
// when a call stays unknown or is refused.
func (w *worker) visit() {
	made, ok := w.do(w.amara, &pb.CreateClientRequest{Parent: w.shop.name, Client: &pb.Client{DisplayName: "Invented"}, RequestId: newID()})
	if !ok {
		return
	}
	client := made.(*pb.CreateClientResponse).Client.Name
	w.changeProduct()
	if w.one(2) {
		w.refusal(client)
	}
	w.auditor()
	switch w.random.IntN(6) {
	case 0, 1:
		w.referral(client)
	case 2:
		w.student(client)
	default:
		w.service(client)
	}
	w.changeProduct()
	if w.one(4) {
		w.draft(client)
	}
	if w.one(4) {
		w.incident(client)
	}
	if w.one(12) {
		w.policy()
	}
	if w.one(12) {
		w.do(w.imara, &pb.RecallLotRequest{Name: w.relaxer, LotCode: "x" + newID()[:8], Reason: "the maker calls it back", RequestId: newID()})
	}
	if w.one(10) {
		w.do(w.odile, &pb.EraseClientRequest{Name: client, RequestId: newID()}, about(client))
	}
}

// about sets the record that an op is about.
func about(name string) func(*op) { return func(o *op) { o.Key = name } }

// decide takes a consultation in and decides on it.
func (w *worker) decide(client string, change ...func(*pb.Consultation)) (*pb.Decision, bool) {
	made, ok := w.do(w.amara, &pb.CreateConsultationRequest{Parent: client, Consultation: w.answers(change...), RequestId: newID()})
	if !ok {
		return nil, false
	}
	card := made.(*pb.CreateConsultationResponse).Consultation.Name
	if _, ok := w.do(w.amara, &pb.SubmitConsultationRequest{Name: card, RequestId: newID()}); !ok {
		return nil, false
	}
	if w.one(6) {
		w.booking(card)
	}
	answer, ok := w.do(w.amara, w.question(card))
	if !ok {
		return nil, false
	}
	d := answer.(*pb.CheckEligibilityResponse).Decision
	w.lookUp(client, d.Name)
	return d, true
}

// refusal decides on somebody who must be refused, tries to set the refusal aside,
// which is denied, and tries to begin all the same.
func (w *worker) refusal(client string) {
	d, ok := w.decide(client, brokenSkin)
	if !ok {
		return
	}
	if len(d.Findings) > 0 && w.one(2) {
		w.do(w.imara, w.override(d, d.Findings[0]))
	}
	if w.one(2) {
		w.do(w.amara, &pb.StartSessionRequest{Parent: client, Decision: d.Name, RequestId: newID()})
	}
}

// referral decides on somebody whom a supervisor may let go ahead, and has every
// finding overridden. The service begins if that was enough.
func (w *worker) referral(client string) {
	d, ok := w.decide(client, medication)
	if !ok {
		return
	}
	for _, f := range d.Findings {
		if f.Severity < pb.Severity_SEVERITY_REFER {
			continue
		}
		if _, ok := w.do(w.imara, w.override(d, f)); !ok {
			return
		}
	}
	w.session(client, d.Name)
}

// service decides on somebody who may go ahead and carries the service out.
func (w *worker) service(client string) {
	if d, ok := w.decide(client); ok {
		w.session(client, d.Name)
	}
}

// session begins a service, reports facts of it and ends it.
func (w *worker) session(client, decision string) {
	begun, ok := w.do(w.amara, &pb.StartSessionRequest{Parent: client, Decision: decision, RequestId: newID()})
	if !ok {
		return
	}
	session := begun.(*pb.StartSessionResponse).Session
	token := w.watch(session.Name, "", 1)
	reports := 1 + w.random.IntN(4)
	for range reports {
		if !w.report(session.Name) {
			return
		}
	}
	w.watch(session.Name, token, 1)
	if w.one(6) {
		w.move(session.Name)
		return
	}
	w.do(w.amara, &pb.GetSessionRequest{Name: session.Name, WithEvents: w.one(2)}, about(session.Name))
	if w.one(8) { // left open; the salon's supervisor closes it
		w.do(w.imara, &pb.CloseSessionRequest{Name: session.Name, Practitioner: w.imaraName, Comment: "left open", RequestId: newID()})
		return
	}
	w.do(w.amara, &pb.RecordOutcomeRequest{Parent: client, RequestId: newID(), Outcome: &pb.Outcome{
		Session: session.Name, BrokenOffReason: "the client had to leave", ScalpChanged: no}})
}

// student decides for a student on somebody who may go ahead. The service begins once the
// supervisor has signed.
func (w *worker) student(client string) {
	made, ok := w.do(w.amara, &pb.CreateConsultationRequest{Parent: client, Consultation: w.answers(), RequestId: newID()})
	if !ok {
		return
	}
	card := made.(*pb.CreateConsultationResponse).Consultation.Name
	if _, ok := w.do(w.amara, &pb.SubmitConsultationRequest{Name: card, RequestId: newID()}); !ok {
		return
	}
	q := w.question(card)
	q.Practitioner = w.teoName
	answer, ok := w.do(w.teo, q)
	if !ok {
		return
	}
	d := answer.(*pb.CheckEligibilityResponse).Decision
	if w.one(3) { // too early
		w.do(w.teo, &pb.StartSessionRequest{Parent: client, Decision: d.Name, RequestId: newID()})
	}
	if _, ok := w.do(w.imara, &pb.CountersignDecisionRequest{Name: d.Name, Practitioner: w.imaraName, RequestId: newID()}); ok {
		w.do(w.teo, &pb.StartSessionRequest{Parent: client, Decision: d.Name, RequestId: newID()})
	}
}

// move puts a visit on the record of another client, as the supervisor does when the till
// took the wrong card, and closes it there.
func (w *worker) move(session string) {
	made, ok := w.do(w.amara, &pb.CreateClientRequest{Parent: w.shop.name, Client: &pb.Client{DisplayName: "Invented"}, RequestId: newID()})
	if !ok {
		return
	}
	moved, ok := w.do(w.imara, &pb.MoveSessionRequest{Name: session, Client: made.(*pb.CreateClientResponse).Client.Name, Practitioner: w.imaraName,
		Comment: "The till had taken the other card.", RequestId: newID()}, about(session))
	if ok {
		w.do(w.imara, &pb.CloseSessionRequest{Name: moved.(*pb.MoveSessionResponse).Session.Name, Practitioner: w.imaraName, Comment: "left open", RequestId: newID()})
	}
}

// draft drafts the next consultation from what is on record.
func (w *worker) draft(client string) {
	w.do(w.amara, &pb.DraftConsultationRequest{Parent: client, Salon: w.salon, Practitioner: w.amaraName, ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN, RequestId: newID()})
}

// policy stores a house policy and activates it, while others are deciding.
func (w *worker) policy() {
	made, ok := w.do(w.odile, w.shop.policy())
	if ok {
		w.do(w.odile, &pb.ActivateHousePolicyRequest{Name: made.(*pb.CreateHousePolicyResponse).HousePolicy.Name, RequestId: newID()})
	}
}

// booking asks whether the same service could be booked for next week, which is a
// decision too.
func (w *worker) booking(consultation string) {
	q := w.question(consultation)
	w.do(w.amara, &pb.CheckBookingRequest{Parent: q.Parent, Subject: &pb.CheckBookingRequest_Consultation{Consultation: consultation},
		ServiceKind: q.ServiceKind, Product: q.Product, LotCode: q.LotCode, Practitioner: q.Practitioner, Supervisor: q.Supervisor, Salon: q.Salon,
		BookTime: timestamppb.New(time.Now().AddDate(0, 0, 7)), RequestId: newID()})
}

// report sends facts: one as it happens, or those of some minutes offline, of which
// the till is not sure whether it has sent them.
func (w *worker) report(session string) bool {
	facts := []*pb.Event{fact(time.Now(), &pb.Event{Fact: &pb.Event_Note{Note: &pb.Note{Text: "a remark"}}})}
	if w.one(3) {
		for i := range 2 + w.random.IntN(5) {
			facts = append(facts, fact(time.Now().Add(-time.Duration(i)*time.Second), &pb.Event{Fact: &pb.Event_SectionApplied{
				SectionApplied: &pb.SectionApplied{SectionId: fmt.Sprintf("unplanned-%d", i), Part: pb.SectionPart_SECTION_PART_MID_STRAND}}}))
		}
	}
	send := func() bool {
		_, ok := w.do(w.till, &pb.RecordEventsRequest{Name: session, Events: facts, SendTime: timestamppb.Now(), RequestId: newID()}, about(session))
		return ok
	}
	if !send() {
		return false
	}
	return !w.one(5) || send() // the same facts in another request
}

// incident records an incident and answers its first follow-up.
func (w *worker) incident(client string) {
	made, ok := w.do(w.till, &pb.CreateIncidentRequest{Parent: client, Incident: w.shop.incident(), RequestId: newID()})
	if !ok {
		return
	}
	w.do(w.till, &pb.RecordFollowUpRequest{Name: made.(*pb.CreateIncidentResponse).Incident.Name, Number: new(int32(1)), RequestId: newID(),
		FollowUp: &pb.FollowUp{Channel: pb.FollowUpChannel_FOLLOW_UP_CHANNEL_REMOTE, Worse: no, DoctorSeen: no, Text: "Paler today.", Practitioner: w.amaraName}})
}

// changeProduct reads a contended product and changes what was read. Which value an
// etag stands for is known from the answer that brought it.
func (w *worker) changeProduct() {
	name := w.contended(w.random.IntN(contended))
	read, ok := w.do(w.till, &pb.GetProductRequest{Name: name}, about(name))
	if !ok || w.one(3) {
		return
	}
	product := read.(*pb.GetProductResponse).Product
	expected := product.SafetyDataSheet
	product.SafetyDataSheet = "value " + newID()
	w.do(w.odile, &pb.UpdateProductRequest{Product: product, UpdateMask: mask("safety_data_sheet"), RequestId: newID()},
		func(o *op) { o.Key, o.Expected, o.Wrote = name, expected, product.SafetyDataSheet })
}
