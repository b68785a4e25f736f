package decision

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/service/timing"
	"alkalog/storage"
)

// Again decides an earlier decision again on the records of now: the client's
// newest consultation, and the same product, people and place as they are stored
// now. The overrides of the earlier decision that still hold are in it. Its changes
// say what makes it stricter than the earlier one, and whether a product has another
// composition; there are none when it is the same or milder.
func Again(r *storage.Snapshot, caller actor.Actor, engine *rules.Engine, earlier *pb.Decision, now time.Time) (*pb.Decision, error) {
	req := question(earlier)
	consultation, err := newest(r, earlier.Inputs.GetConsultation())
	if err != nil {
		return nil, err
	}
	other := onlySections(req, consultation)
	in, err := Inputs(r, caller, engine, req, consultation, now)
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
	d.Changes = slices.Concat(other, recomposed(earlier.Inputs, in), rules.Stricter(earlier, d),
		timing.TighterLimits(timing.Limits(earlier.Inputs), timing.Limits(in)))
	return d, nil
}

// newest is the consultation of the same client that was submitted last, in
// whichever salon. Of two submitted at the same time it is the one created later.
func newest(r *storage.Snapshot, known *pb.Consultation) (*pb.Consultation, error) {
	last, page := known, storage.Page{}
	for {
		found, next, err := storage.Consultations.List(r, record.Parent(known.GetName()), page)
		if err != nil {
			return nil, err
		}
		for _, c := range found {
			if c.State == pb.ConsultationState_CONSULTATION_STATE_SUBMITTED && cmp.Or(c.SubmitTime.AsTime().Compare(last.GetSubmitTime().AsTime()), cmp.Compare(c.Name, last.GetName())) > 0 {
				last = c
			}
		}
		if next == "" {
			return last, nil
		}
		page.Token = next
	}
}

// onlySections leaves the sections out of a check that a consultation does not
// have: a newer one may divide the head in another way. It says which, a line each.
func onlySections(req *pb.CheckEligibilityRequest, consultation *pb.Consultation) []string {
	var lines []string
	known := timing.SectionIDs(&pb.DecisionInputs{Consultation: consultation})
	gone := func(id string) bool { return !slices.Contains(known, id) }
	for _, id := range req.SectionIds {
		if gone(id) {
			lines = append(lines, "the newest consultation has no section "+id)
		}
	}
	req.SectionIds = slices.DeleteFunc(slices.Clone(req.SectionIds), gone)
	req.SectionChoices = slices.DeleteFunc(req.SectionChoices, func(c *pb.SectionChoice) bool { return gone(c.SectionId) })
	return lines
}

// recomposed says which products are not made of what they were made of, a line
// each: what was decided and shown was about another product.
func recomposed(before, now *pb.DecisionInputs) []string {
	var lines []string
	known := products(before)
	for name, p := range products(now) {
		if then := known[name]; then != nil && !proto.Equal(composition(then), composition(p)) {
			lines = append(lines, "composition changed: "+name)
		}
	}
	slices.Sort(lines)
	return lines
}

// products are the relaxers of a decision, by name.
func products(in *pb.DecisionInputs) map[string]*pb.Product {
	found := map[string]*pb.Product{in.GetProduct().GetName(): in.GetProduct()}
	for _, s := range in.GetSectionProducts() {
		found[s.GetProduct().GetName()] = s.GetProduct()
	}
	return found
}

// composition is what a product is, without its directions, lots and papers.
func composition(p *pb.Product) *pb.Product {
	return &pb.Product{Kind: p.GetKind(), HydroxideKind: p.GetHydroxideKind(), Strength: p.GetStrength(), UseTier: p.GetUseTier(),
		Ingredients: p.GetIngredients(), DeclaredPh: p.DeclaredPh, PhMethod: p.GetPhMethod()}
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
