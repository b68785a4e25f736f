package consultation

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/forms"
	"alkalog/service/record"
	"alkalog/storage"
)

// GetForm returns what is still to be asked. Without a consultation the form is for one
// that nobody has begun: everything is asked.
//
// The form follows from a decision on what is known now, so it asks what the rules wait
// for and nothing else. It is a read and stores nothing: two tills may draw the same form,
// and each answer changes only its own field.
func (s Service) GetForm(ctx context.Context, req *pb.GetFormRequest) (*pb.GetFormResponse, error) {
	caller, now := actor.From(ctx), s.Now()
	answer := &pb.GetFormResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Name), func(r *storage.Snapshot) (err error) {
		consultation := &pb.Consultation{UpdateTime: timestamppb.New(now)}
		if req.Consultation != "" {
			if consultation, err = record.Get(r, caller, storage.Consultations, req.Consultation); err != nil {
				return err
			}
			if record.Parent(consultation.Name) != req.Name {
				return fault.NotFound(consultation.Name)
			}
		}
		answer.Form, err = s.form(r, caller, req, consultation, now)
		return err
	})
	return answer, err
}

// form makes the form of a consultation, which may be one that is about to be written.
// The item that is asked singly depends on the day of the visit: the day on which the
// consultation was created, so that it stays the same while the form is filled in.
func (s Service) form(r *storage.Snapshot, caller actor.Actor, req *pb.GetFormRequest, consultation *pb.Consultation, now time.Time) (*pb.Form, error) {
	check := &pb.CheckEligibilityRequest{Parent: req.Name, ServiceKind: req.GetService().GetServiceKind(), Product: req.GetService().GetProduct(),
		LotCode: req.GetService().GetLotCode(), SectionIds: req.GetService().GetSectionIds(), Practitioner: req.Practitioner, Salon: req.Salon}
	in, err := record.Inputs(r, caller, s.Rules, check, consultation, now)
	if err != nil {
		return nil, err
	}
	zone := record.Zone(in.Salon)
	visit := now
	if consultation.GetCreateTime() != nil {
		visit = consultation.CreateTime.AsTime()
	}
	c := forms.Context{Engine: s.Rules, Inputs: in, Zone: zone,
		SingleItem: func(st *pb.StatementAnswer) string { return record.SingleItem(req.Name, visit.In(zone), st) }}
	if c.Language, err = record.Language(r, caller, req.Name); err != nil {
		return nil, err
	}
	if c.Earlier, err = lastSubmitted(r, caller, req.Name, consultation.GetName()); err != nil {
		return nil, err
	}
	return forms.Make(c)
}

// lastSubmitted is the last consultation that was submitted of the client and those linked with it, but for one; nil
// when there is none that the caller may see. Another person's, of a visit that was moved
// to the right client, does not count: the form would ask what was done since a visit
// that this client never had, and take that person's "no" for an earlier one. What it says
// is shown as the value of last time and is never taken for an answer of today.
func lastSubmitted(r *storage.Snapshot, caller actor.Actor, client, except string) (last *pb.Consultation, err error) {
	clients, err := record.LinkedNames(r, client)
	if err != nil {
		return nil, err
	}
	others, err := answersOfOthers(r, clients)
	if err != nil {
		return nil, err
	}
	found, err := consultationsOf(r, caller, clients)
	if err != nil {
		return nil, err
	}
	for _, c := range found {
		submitted := c.State == pb.ConsultationState_CONSULTATION_STATE_SUBMITTED
		if submitted && c.Name != except && !others[c.Name] && (last == nil || c.SubmitTime.AsTime().After(last.SubmitTime.AsTime())) {
			last = proto.CloneOf(without(c, others))
		}
	}
	return last, nil
}

// formOf is the form of a draft for a service that a request plans; nil when it plans
// none. Salon and practitioner are the draft's.
func (s Service) formOf(r *storage.Snapshot, caller actor.Actor, draft *pb.Consultation, planned *pb.PlannedService, now time.Time) (*pb.Form, error) {
	if planned == nil {
		return nil, nil
	}
	return s.form(r, caller, &pb.GetFormRequest{Name: record.Parent(draft.Name), Service: planned,
		Practitioner: draft.Practitioner, Salon: draft.Salon}, draft, now)
}
