package record

import (
	"cmp"
	"errors"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/timing"
	"alkalog/storage"
)

// State is where a session stands at an instant, with what the catalogue says of
// the products used. Events that were recorded after the instant count, too: the
// instant is moved to the last of them, since they did happen.
func State(r *storage.Snapshot, session *pb.Session, events []*pb.StoredEvent, at time.Time) (*pb.SessionState, error) {
	for _, e := range events {
		if recorded := e.RecordTime.AsTime(); recorded.After(at) {
			at = recorded // another server's clock may be milliseconds ahead
		}
	}
	products, err := ProductsNamed(r, events)
	if err != nil {
		return nil, err
	}
	return timing.FoldWith(session, events, products, at), nil
}

// ProductsNamed reads the products that events name, by the catalogue. Each product is
// read once. The order is that of the events, so a fold gives the same result
// each time.
func ProductsNamed(r *storage.Snapshot, events []*pb.StoredEvent) ([]*pb.Product, error) {
	products, known := []*pb.Product{}, map[string]bool{}
	for _, e := range events {
		name := cmp.Or(e.Event.GetProductUsed().GetProduct(), e.Event.GetProductConfirmed().GetProduct())
		if name == "" || known[name] {
			continue
		}
		known[name] = true
		product, err := storage.Products.GetUnchecked(r, name)
		if errors.Is(err, storage.ErrNotFound) {
			continue // the fact stands; the catalogue knows nothing of it
		}
		if err != nil {
			return nil, err
		}
		products = append(products, product)
	}
	return products, nil
}

// BeginOn fills in a session by the decision it begins on; salon and practitioner only
// where they are empty. The limits and the plan are copied: the guidance of a session
// must not move when directions or policy change while product is on the hair.
// A service on a client and a practice service in a school both begin here, so that both
// have the same plan, limits and conditions for the same decision, and a student learns on
// the clock that will be used on clients.
func BeginOn(d *pb.Decision, session *pb.Session) {
	in := d.Inputs
	session.Consultation = in.GetConsultation().GetName()
	session.Product = in.GetProduct().GetName()
	session.LotCode = in.LotCode
	session.Salon = cmp.Or(session.Salon, in.GetSalon().GetName())
	session.Practitioner = cmp.Or(session.Practitioner, in.GetPractitioner().GetName())
	session.Supervisor = in.GetSupervisor().GetName()
	session.ServiceKind = in.ServiceKind
	session.SectionIds = in.SectionIds
	for _, s := range in.SectionProducts {
		session.SectionProducts = append(session.SectionProducts, &pb.PlannedProduct{
			SectionId: s.SectionId, Product: s.GetProduct().GetName(), LotCode: s.LotCode})
	}
	session.ProductKind = in.GetProduct().GetKind()
	session.Conditions = conditions(d)
	session.Limits = timing.Limits(in)
	if session.Plan = d.Plan; session.Plan == nil {
		session.Plan = timing.Plan(in) // a refusal has none, and may have been overridden
	}
}

// conditions are a decision's conditions, to be met before or during the service. None is
// met yet: only facts of the session say so.
func conditions(d *pb.Decision) []*pb.ConditionState {
	var states []*pb.ConditionState
	for _, c := range d.Conditions {
		states = append(states, &pb.ConditionState{
			ConditionId: c.ConditionId, RuleId: c.RuleId, Subject: c.Subject, Text: c.Text, BeforeContact: c.BeforeContact})
	}
	return states
}
