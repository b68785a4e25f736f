package decision

import (
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/service/timing"
	"alkalog/storage"
)

// Again decides an earlier decision again on the records of now: the same
// consultation, product, people and place as they are stored now. The overrides of
// the earlier decision that still hold are in it. Its changes say what makes it
// stricter than the earlier one; there are none when it is the same or milder.
func Again(r *storage.Snapshot, engine *rules.Engine, earlier *pb.Decision, now time.Time) (*pb.Decision, error) {
	req := question(earlier)
	consultation, err := record.Get(r, storage.Consultations, req.GetConsultation())
	if err != nil {
		return nil, err
	}
	in, err := Inputs(r, engine, req, consultation, now)
	if err != nil {
		return nil, err
	}
	d, err := Answer(engine, rules.Revision, in)
	if err != nil {
		return nil, err
	}
	d.Replaces = earlier.Name
	if rules.NeedsSignature(earlier) { // whoever begins it, a student asked
		d.Actor, d.Role = earlier.Actor, earlier.Role
	}
	d.Overrides = rules.Carried(earlier, d)
	d.Changes = append(rules.Stricter(earlier, d), timing.Tighter(timing.Limits(earlier.Inputs), timing.Limits(in))...)
	return d, nil
}

// question is the check that a decision answered.
func question(d *pb.Decision) *pb.CheckEligibilityRequest {
	in := d.Inputs
	req := &pb.CheckEligibilityRequest{
		Parent:       record.Parent(d.Name),
		Subject:      &pb.CheckEligibilityRequest_Consultation{Consultation: in.GetConsultation().GetName()},
		ServiceKind:  in.ServiceKind,
		Product:      in.GetProduct().GetName(),
		LotCode:      in.LotCode,
		Practitioner: in.GetPractitioner().GetName(),
		Supervisor:   in.GetSupervisor().GetName(),
		Salon:        in.GetSalon().GetName(),
		SectionIds:   in.SectionIds,
		WhatChanged:  in.WhatChanged,
	}
	for _, s := range in.SectionProducts {
		req.SectionChoices = append(req.SectionChoices, &pb.SectionChoice{SectionId: s.SectionId, Product: s.GetProduct().GetName(), LotCode: s.LotCode})
	}
	return req
}

// Guards are the records that a decision was made from and that can change, for a
// write that is right only while they are as they were read.
func Guards(in *pb.DecisionInputs) []storage.Record {
	guards := []storage.Record{
		storage.Products.Unchanged(in.Product),
		storage.Practitioners.Unchanged(in.Practitioner),
		storage.Salons.Unchanged(in.Salon),
	}
	for _, s := range in.SectionProducts {
		if s.GetProduct().GetName() != in.Product.Name {
			guards = append(guards, storage.Products.Unchanged(s.Product))
		}
	}
	if in.Supervisor != nil {
		guards = append(guards, storage.Practitioners.Unchanged(in.Supervisor))
	}
	return guards
}
