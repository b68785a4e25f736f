package timing

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage/lotcode"
)

// NewDeviations are those of after that before did not have, told apart by kind,
// section and event.
func NewDeviations(before, after *pb.SessionState) []*pb.Deviation {
	known := map[string]bool{}
	for _, d := range before.GetDeviations() {
		known[deviationKey(d)] = true
	}
	return slices.DeleteFunc(slices.Clone(after.GetDeviations()), func(d *pb.Deviation) bool {
		return known[deviationKey(d)]
	})
}

func deviationKey(d *pb.Deviation) string {
	return fmt.Sprint(int32(d.Kind), "/", d.SectionId, "/", d.EventId)
}

// Closing are the deviations that show only when the service is closed at at.
func Closing(s *pb.Session, events []*pb.StoredEvent, at time.Time) []*pb.Deviation {
	f := run(s, events, at)
	f.deviations = nil
	if !f.treated() {
		return nil
	}
	if n := lathersDone(f.lathers); n < fewestShampoos {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_FEW_SHAMPOOS, "", "", at,
			"closed after %d neutralizing shampoos; at least %d are usual", n, fewestShampoos)
	}
	if !f.neutral() {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_NOT_NEUTRALIZED, "", "", at, "closed %s", f.notNeutralBecause())
	}
	return f.sortedDeviations()
}

// MarkProducts adds to a state what only the catalogue can tell: a relaxer other
// than the one decided on, and lots that were recalled or out of date when used.
func MarkProducts(state *pb.SessionState, s *pb.Session, events []*pb.StoredEvent, catalogue []*pb.Product) {
	f := &service{session: s, limits: limitsOf(s), deviations: state.Deviations}
	products := map[string]*pb.Product{}
	for _, p := range catalogue {
		products[p.Name] = p
	}
	for _, e := range inTime(s, events) {
		used, ok := e.Fact.(*pb.Event_ProductUsed)
		if !ok || e.at.After(state.GetTime().AsTime()) {
			continue
		}
		f.otherProduct(e, used.ProductUsed, products[used.ProductUsed.Product])
		f.badLot(e, used.ProductUsed, products[used.ProductUsed.Product])
	}
	state.Deviations = f.sortedDeviations()
}

func (f *service) otherProduct(e fact, used *pb.ProductUsed, product *pb.Product) {
	if f.session.GetProduct() == "" || used.Product == f.session.Product || !isRelaxer(product.GetKind()) {
		return
	}
	f.deviate(pb.DeviationKind_DEVIATION_KIND_OTHER_PRODUCT, "", e.EventId, e.at,
		"%s was used; %s was decided on", used.Product, f.session.Product)
}

// isRelaxer tells products that straighten from what goes with them. A product that
// is not known is taken for a relaxer.
func isRelaxer(k pb.ProductKind) bool {
	switch k {
	case pb.ProductKind_PRODUCT_KIND_PROTECTIVE_BASE, pb.ProductKind_PRODUCT_KIND_NORMALIZER,
		pb.ProductKind_PRODUCT_KIND_NEUTRALIZING_SHAMPOO, pb.ProductKind_PRODUCT_KIND_CONDITIONER:
		return false
	}
	return true
}

func (f *service) badLot(e fact, used *pb.ProductUsed, product *pb.Product) {
	for _, lot := range product.GetLots() {
		if !lotcode.Same(lot.LotCode, used.LotCode) {
			continue
		}
		why := ""
		switch {
		case lot.RecallTime != nil && !e.at.Before(lot.RecallTime.AsTime()):
			why = "had been recalled"
		case lot.ExpireTime != nil && !e.at.Before(lot.ExpireTime.AsTime()):
			why = "had expired"
		default:
			continue
		}
		f.deviate(pb.DeviationKind_DEVIATION_KIND_BAD_LOT, "", e.EventId, e.at, "lot %s of %s %s", lot.LotCode, used.Product, why)
	}
}

// deviate notes a departure. A departure that time brings about is keyed to the event
// that started its clock, so that it stays the same one when a later fact ends it.
func (f *service) deviate(kind pb.DeviationKind, sectionID, eventID string, at time.Time, format string, args ...any) {
	f.deviations = append(f.deviations, &pb.Deviation{
		Kind:      kind,
		SectionId: sectionID,
		Message:   fmt.Sprintf(format, args...),
		OccurTime: stamp(at),
		EventId:   eventID,
	})
}

// sortedDeviations are in order of time; each kind, section and event once.
func (f *service) sortedDeviations() []*pb.Deviation {
	slices.SortStableFunc(f.deviations, func(a, b *pb.Deviation) int {
		return cmp.Or(
			a.OccurTime.AsTime().Compare(b.OccurTime.AsTime()),
			cmp.Compare(a.Kind, b.Kind),
			cmp.Compare(a.SectionId, b.SectionId),
			cmp.Compare(a.EventId, b.EventId),
		)
	})
	seen := map[string]bool{}
	return slices.DeleteFunc(f.deviations, func(d *pb.Deviation) bool {
		again := seen[deviationKey(d)]
		seen[deviationKey(d)] = true
		return again
	})
}

// withoutDecision: a decision that says no has no plan, and a student's counts
// with a supervisor's signature.
func (f *service) withoutDecision() {
	if f.session.GetDecision() == "" || f.session.GetPlan() == nil {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_NO_DECISION, "", "", f.session.GetStartTime().AsTime(),
			"begun without a decision that lets it go ahead")
	}
	if f.session.GetNotCountersigned() {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_NOT_COUNTERSIGNED, "", "", f.session.GetStartTime().AsTime(),
			"a student's service, begun without a supervisor's signature")
	}
}

func (f *service) clock(e fact) {
	if e.wild {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_CLOCK, "", e.EventId, e.at,
			"the till gave %s as the time, which cannot be right; the time of recording is used", e.told.UTC().Format(time.RFC3339))
	}
}

func (f *service) baseSkipped(e fact) {
	if !f.limits.BaseNeeded || f.based.GetWholeScalp() {
		return
	}
	what := "no protective base was noted"
	if f.based != nil {
		what = "the protective base did not cover the whole scalp"
	}
	f.deviate(pb.DeviationKind_DEVIATION_KIND_BASE_SKIPPED, "", e.EventId, e.at, "product was put on and %s", what)
}

func (f *service) unplanned(e fact, id string) {
	f.deviate(pb.DeviationKind_DEVIATION_KIND_UNPLANNED_SECTION, id, e.EventId, e.at, "section %s is not on the plan", id)
}

func (f *service) scalpChanged(e fact) {
	f.deviate(pb.DeviationKind_DEVIATION_KIND_SCALP_CHANGED, "", e.EventId, e.at,
		"the scalp had changed after the service: record what is seen and refer when in doubt")
}

func (f *service) capSeen(e fact, c *section) {
	if left, capLeft := *c.seen, 100-f.limits.CapPercent; left < capLeft {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_CAP_PASSED, c.id, e.EventId, e.at,
			"strand test of %s: %.0f %% of the curl left, beyond the cap of %.0f %% straightening", c.id, left, f.limits.CapPercent)
	}
}

// testOverdue notes that no strand test of c was made in time by t.
func (f *service) testOverdue(c *section, t time.Time) {
	if c.testDue.IsZero() || !t.After(c.testDue.Add(minutes(testGraceMinutes))) {
		return
	}
	f.deviate(pb.DeviationKind_DEVIATION_KIND_STRAND_TEST_OVERDUE, c.id, c.advisedBy, c.testDue.Add(minutes(testGraceMinutes)),
		"a strand test of %s was due %.1f minutes after first contact and was not made within %d minute of that", c.id,
		c.testDue.Sub(c.first).Minutes(), testGraceMinutes)
}

// limitPassed notes that product was on c beyond the limit by t.
func (f *service) limitPassed(c *section, t time.Time) {
	if t.After(c.limitAt) {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED, c.id, c.contact, c.limitAt,
			"product on %s for %.1f minutes, the limit is %g", c.id, c.exposure(t), c.guide.hardLimit)
	}
}

// closeSection notes water on c and what that shows.
func (f *service) closeSection(c *section, e fact) {
	f.testOverdue(c, e.at)
	f.limitPassed(c, e.at)
	by := later(c.callBy, c.lastTest).Add(minutes(f.limits.MinutesToBowl))
	if e.at.After(by.Add(minutes(rinseGraceMinutes))) {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_RINSED_LATE, c.id, e.EventId, e.at,
			"water came on %s %.1f minutes later than advised", c.id, e.at.Sub(by).Minutes())
	}
	c.end(e.at)
	surely := straightened(c.earlier, c.belief.quantile(lowTail))
	if surely > f.limits.CapPercent && !f.has(pb.DeviationKind_DEVIATION_KIND_CAP_PASSED, c.id) {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_CAP_PASSED, c.id, e.EventId, e.at,
			"%s was rinsed after %.1f minutes: straightened by at least %.0f %% by the estimate, the cap is %.0f %%",
			c.id, c.earlier, surely, f.limits.CapPercent)
	}
}

func (f *service) has(kind pb.DeviationKind, sectionID string) bool {
	return slices.ContainsFunc(f.deviations, func(d *pb.Deviation) bool { return d.Kind == kind && d.SectionId == sectionID })
}

// passing notes what the passing of time alone has brought about.
func (f *service) passing() {
	for _, c := range f.sections {
		if c.on {
			f.testOverdue(c, f.at)
			f.limitPassed(c, f.at)
		}
	}
	for _, c := range f.complaints {
		f.lateAnswer(c)
	}
}
