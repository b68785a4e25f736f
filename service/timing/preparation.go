package timing

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// preparation is what was done before the service, and when. What must come before the
// first contact is checked after all facts are applied, so that facts of the same instant,
// and facts that arrive late, count.
type preparation struct {
	// First base of any kind; zero: none.
	base time.Time
	// First base on the whole scalp.
	wholeBase time.Time
	confirmed *pb.ProductConfirmed
	// First time that the product in hand was named.
	namedTime time.Time
	// First time that a condition was met.
	met map[conditionID]fact
}

// conditionID identifies a condition within a decision.
type conditionID struct{ rule, subject string }

func (p *preparation) hasBase() bool { return !p.base.IsZero() }

func (p *preparation) baseApplied(t time.Time, what *pb.BaseApplied) {
	if p.base.IsZero() {
		p.base = t
	}
	if what.WholeScalp && p.wholeBase.IsZero() {
		p.wholeBase = t
	}
}

func (p *preparation) conditionMet(e fact, what *pb.ConditionMet) {
	id := conditionID{what.RuleId, what.Subject}
	if _, known := p.met[id]; known {
		return
	}
	if p.met == nil {
		p.met = map[conditionID]fact{}
	}
	p.met[id] = e
}

// productNamed keeps the first time at which the product in hand was named.
func (p *preparation) productNamed(t time.Time) {
	if p.namedTime.IsZero() {
		p.namedTime = t
	}
}

// productConfirmed records the product and lot in the stylist's hand.
func (f *folding) productConfirmed(e fact, what *pb.ProductConfirmed) {
	f.preparation.confirmed = what
	f.preparation.productNamed(e.at)
	f.productNamed(e, what.Product, what.LotCode)
}

// productUsed records a product and its lot. A relaxer that is recorded as used was in the
// hand, so it counts as confirmed.
func (f *folding) productUsed(e fact, what *pb.ProductUsed) {
	f.productsUsed = append(f.productsUsed, what)
	if what.Product == f.session.GetProduct() {
		f.preparation.productNamed(e.at)
	}
	f.productNamed(e, what.Product, what.LotCode)
}

// conditions are the decision's conditions and their state: when each was met, and by whom.
func (f *folding) conditions() []*pb.ConditionState {
	var states []*pb.ConditionState
	for _, c := range f.session.GetConditions() {
		state := proto.CloneOf(c)
		if met, ok := f.preparation.met[conditionID{c.RuleId, c.Subject}]; ok {
			state.MetTime = stamp(met.at)
			state.Actor = met.Actor
			if state.Actor == "" {
				state.Actor = f.session.GetPractitioner()
			}
		}
		states = append(states, state)
	}
	return states
}

// checkPreparation records what should have come before the first contact and did not.
// Facts of the same instant are in time.
func (f *folding) checkPreparation() {
	if f.contact == nil {
		return
	}
	late := func(t time.Time) bool { return t.IsZero() || t.After(f.contactTime) }
	if f.limits.BaseNeeded && late(f.preparation.wholeBase) {
		what := "no protective base was noted"
		if !late(f.preparation.base) {
			what = "the protective base did not cover the whole scalp"
		}
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_BASE_SKIPPED, "", f.contact.EventId, f.contactTime, "product was put on and %s", what)
	}
	if f.confirmationDue() && late(f.preparation.namedTime) {
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_PRODUCT_NOT_CONFIRMED, "", f.contact.EventId, f.contactTime,
			"product was put on before product and lot in the hand were confirmed")
	}
	for _, c := range f.conditions() {
		if !c.BeforeContact || c.MetTime != nil && !late(c.MetTime.AsTime()) {
			continue
		}
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_CONDITION_MISSED, "", f.contact.EventId, f.contactTime,
			"product was put on and a condition was not noted as met: %s", conditionWords(c))
		f.deviations[len(f.deviations)-1].ConditionId = conditionKey(c)
	}
}

// confirmationDue reports whether the product in hand must be confirmed. Sessions from
// before that fact existed do not know the kind of their product and need no confirmation.
func (f *folding) confirmationDue() bool {
	return f.session.GetProductKind() != pb.ProductKind_PRODUCT_KIND_UNSPECIFIED
}

func conditionKey(c *pb.ConditionState) string {
	if c.ConditionId != "" {
		return c.ConditionId
	}
	return fmt.Sprint(c.RuleId, "/", c.Subject)
}

func conditionWords(c *pb.ConditionState) string {
	if c.Text != "" {
		return c.Text
	}
	return c.RuleId
}
