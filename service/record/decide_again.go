package record

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/rules"
	"alkalog/service/timing"
	"alkalog/storage"
)

// DecideAgain decides an earlier decision again on today's records: the client's
// newest consultation, and the same product, people and place as they are stored
// now. It carries over the overrides of the earlier decision that still hold. Its
// Changes say what makes it stricter than the earlier one, and whether a product
// has another composition; there are none when it is the same or milder. A
// service starts on what is known now and not on what was known when somebody
// asked: a lot may have been recalled or a licence may have lapsed in between.
// The new decision names the earlier one in Replaces. It is not stored here.
func DecideAgain(r *storage.Snapshot, caller actor.Actor, engine *rules.Engine, earlier *pb.Decision, now time.Time) (*pb.Decision, error) {
	req := checkOf(earlier)
	clients, err := LinkedNames(r, Parent(earlier.Name))
	if err != nil {
		return nil, err
	}
	consultation, err := newestConsultation(r, clients, earlier.Inputs.GetConsultation())
	if err != nil {
		return nil, err
	}
	other := dropMissingSections(req, consultation)
	in, err := Inputs(r, caller, engine, req, consultation, now)
	if err != nil {
		return nil, err
	}
	d, err := Decide(engine, rules.Revision, in)
	if err != nil {
		return nil, err
	}
	d.Replaces = earlier.Name
	if rules.NeedsSignature(earlier) { // a student asked, even if somebody else begins the service
		d.Actor, d.Role = earlier.Actor, earlier.Role
	}
	d.Overrides = rules.Carried(earlier, d)
	d.Changes = slices.Concat(other, compositionChanges(earlier.Inputs, in), rules.Stricter(earlier, d),
		timing.TighterLimits(timing.Limits(earlier.Inputs), timing.Limits(in)))
	return d, Localize(r, caller, engine, d)
}

// newestConsultation is the consultation of linked clients that was submitted
// last, in any salon; known is the one that an earlier decision was made on. Of two submitted at the same time it is the one created
// later. Names are made of time-ordered ids, so they decide between equal times.
// All pages are read: a list is sorted by creation, and an old consultation may
// have been submitted last.
func newestConsultation(r *storage.Snapshot, clients []string, known *pb.Consultation) (*pb.Consultation, error) {
	last := known
	for _, client := range clients {
		var err error
		if last, err = newestOf(r, client, last); err != nil {
			return nil, err
		}
	}
	return last, nil
}

// newestOf is the newest of last and the submitted consultations of one client.
func newestOf(r *storage.Snapshot, client string, last *pb.Consultation) (*pb.Consultation, error) {
	for page := (storage.Page{}); ; {
		found, next, err := storage.Consultations.List(r, client, page)
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

// dropMissingSections removes from a check the sections that a consultation does
// not have: a newer one may divide the head differently. It returns a line for
// each. Without this the new check would fail with INVALID_ARGUMENT, and a
// service that is about to start would get an error in place of a decision. req
// is changed.
func dropMissingSections(req *pb.CheckEligibilityRequest, consultation *pb.Consultation) []string {
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

// compositionChanges returns a line for each product whose composition differs:
// the earlier decision was about another product. Only what the hair is exposed
// to is compared; a corrected text of the directions is no other product.
func compositionChanges(before, now *pb.DecisionInputs) []string {
	var lines []string
	known := relaxersOf(before)
	for name, p := range relaxersOf(now) {
		if then := known[name]; then != nil && !proto.Equal(composition(then), composition(p)) {
			lines = append(lines, "composition changed: "+name)
		}
	}
	slices.Sort(lines)
	return lines
}

// relaxersOf is the relaxers of a decision, by name.
func relaxersOf(in *pb.DecisionInputs) map[string]*pb.Product {
	found := map[string]*pb.Product{in.GetProduct().GetName(): in.GetProduct()}
	for _, s := range in.GetSectionProducts() {
		found[s.GetProduct().GetName()] = s.GetProduct()
	}
	return found
}

// composition is a copy of a product without its directions, lots and documents.
func composition(p *pb.Product) *pb.Product {
	return &pb.Product{Kind: p.GetKind(), HydroxideKind: p.GetHydroxideKind(), Strength: p.GetStrength(), UseTier: p.GetUseTier(),
		Ingredients: p.GetIngredients(), DeclaredPh: p.DeclaredPh, PhMethod: p.GetPhMethod()}
}

// checkOf is the request that a decision answered. Nothing is invented: a field
// that the inputs do not hold stays empty.
func checkOf(d *pb.Decision) *pb.CheckEligibilityRequest {
	in := d.Inputs
	req := &pb.CheckEligibilityRequest{
		Parent:       Parent(d.Name),
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

// InputGuards are the records that a decision was made from and that can change,
// as guards of a write: the write runs again if one of them was changed
// meanwhile. The consultation is not among them, because a submitted one does not
// change.
func InputGuards(in *pb.DecisionInputs) []storage.Record {
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
