package eligibility

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// furthestBooking is how far ahead a service can be booked. Our own choice: no wait
// is longer than a year, and nobody knows a head for longer.
const furthestBooking = 400 * 24 * time.Hour

// pastTolerance is how far a time may lie behind the server's clock and still count
// as now. Our own choice, as for answers: clocks of tills differ.
const pastTolerance = 5 * time.Minute

// A consultation is weeks old on the day of the appointment, and its scalp was looked at
// weeks ago. The decision for that day says so, as a question, which becomes a
// requirement: look again on the day. It is not left out to make the answer friendlier.

// CheckBooking decides for a future time on what is known now, and says when all
// waits are over and what must happen before. No decision is stored, because none of
// the day's answers can be known yet: on the day CheckEligibility decides.
//
// It is a write nevertheless, so that a retry is answered as before and is counted
// once. The count is that of what-ifs, for each practitioner and day: a booking
// decides on answers that nobody has to stand by.
func (s Service) CheckBooking(ctx context.Context, req *pb.CheckBookingRequest) (*pb.CheckBookingResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Parent, s.Now())
	at := req.BookTime.AsTime()
	if at.Before(audit.Time.Add(-pastTolerance)) || at.After(audit.Time.Add(furthestBooking)) {
		return nil, fault.Invalid("book_time", "must be from now to 400 days ahead")
	}
	asked := false // not when the answer is that of an earlier attempt
	answer, err := storage.WritePlanned(ctx, s.DB, record.Chain(audit.Chain), bookingPlan(caller, req, audit.Time), req, func(r *storage.Snapshot) (*pb.CheckBookingResponse, storage.Changes, error) {
		asked = true
		answer, err := s.book(r, caller, req, audit.Time)
		return answer, storage.Changes{}, err
	})
	if err == nil && asked {
		storage.CountWhatIf(s.DB, req.Practitioner, audit.Time)
	}
	return answer, err
}

// bookingPlan is what a booking on a stored consultation reads: what a check of the day
// does. Answers that are not stored are checked against more than the request tells; nil.
func bookingPlan(caller actor.Actor, req *pb.CheckBookingRequest, now time.Time) *storage.Plan {
	if req.GetInline() != nil {
		return nil
	}
	p := &storage.Plan{}
	record.CallerPlan(p, caller, req.Parent)
	storage.Consultations.Want(p, req.GetConsultation())
	record.InputsPlan(p, bookedCheck(req), now)
	return p
}

// book answers a booking from one snapshot.
func (s Service) book(r *storage.Snapshot, caller actor.Actor, req *pb.CheckBookingRequest, now time.Time) (*pb.CheckBookingResponse, error) {
	if err := record.ActingFor("practitioner", req.Practitioner)(r, caller); err != nil {
		return nil, err
	}
	consultation, err := s.bookedConsultation(r, caller, req, now)
	if err != nil {
		return nil, err
	}
	in, err := record.Inputs(r, caller, s.Rules, bookedCheck(req), consultation, now)
	if err != nil {
		return nil, err
	}
	answer := &pb.CheckBookingResponse{}
	earliest, ok, err := s.Rules.Earliest(in, now)
	if err != nil {
		return nil, err
	}
	if ok {
		answer.EarliestTime = timestamppb.New(earliest)
	}
	in.DecideTime = req.BookTime
	if answer.Decision, err = record.Decide(s.Rules, rules.Revision, in); err != nil {
		return nil, err
	}
	answer.Requirements, err = s.Rules.Requirements(answer.Decision, now)
	leaveOut(answer.Decision, req.View)
	return answer, err
}

// bookedConsultation is the consultation that a booking is decided on: a stored one
// of the client, or the one in the request, whose answers are of now.
func (s Service) bookedConsultation(r *storage.Snapshot, caller actor.Actor, req *pb.CheckBookingRequest, now time.Time) (*pb.Consultation, error) {
	if req.GetInline() == nil {
		consultation, err := record.Get(r, caller, storage.Consultations, req.GetConsultation())
		if err == nil && record.Parent(consultation.Name) != req.Parent {
			err = fault.NotFound(consultation.Name)
		}
		return consultation, err
	}
	return s.inlineConsultation(r, caller, req.Parent, req.GetInline(), now)
}

// inlineConsultation checks a consultation that is not stored, as one that is: a
// what-if must not accept answers that could not be given for real. What only the
// server sets is cleared, and statements become the answers that they stand for.
func (s Service) inlineConsultation(r *storage.Snapshot, caller actor.Actor, client string, given *pb.Consultation, now time.Time) (*pb.Consultation, error) {
	inline := proto.CloneOf(given)
	record.Clear(inline)
	record.SetTime(inline, "update_time", now) // the answers are of now
	check := record.All(record.ConsultationInput("inline", client, inline, now), record.ActingFor("inline.practitioner", inline.GetPractitioner()))
	err := check(r, caller)
	if err == nil {
		err = record.FillStatements(r, caller, s.Rules, "inline", client, nil, inline, now)
	}
	return inline, err
}

// bookedCheck is the check that will be made on the day.
func bookedCheck(req *pb.CheckBookingRequest) *pb.CheckEligibilityRequest {
	return &pb.CheckEligibilityRequest{
		Parent: req.Parent, ServiceKind: req.ServiceKind, Product: req.Product, LotCode: req.LotCode,
		Practitioner: req.Practitioner, Supervisor: req.Supervisor, Salon: req.Salon,
		SectionIds: req.SectionIds, SectionChoices: req.SectionChoices,
	}
}
