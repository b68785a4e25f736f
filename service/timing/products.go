package timing

import (
	"slices"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage/lotcode"
)

// productInUse is the relaxer that was named last, by confirming or by using it.
type productInUse struct {
	// Why it must not be on the hair; empty: nothing is known against it.
	wrong string
	at    time.Time
	event string
}

// productNamed checks a product that is in the hand or was used against the catalogue. A
// wrong one that is put on, or that turns out to be on the hair, calls for water.
func (f *folding) productNamed(e fact, name, lot string) {
	if f.catalogue == nil {
		return
	}
	product := f.catalogue[name]
	wrong := f.checkLot(e, product, name, lot)
	if !isRelaxer(product.GetKind()) {
		return // its lot counts, but it is not what straightens
	}
	if decided := f.session.GetProduct(); decided != "" && !isDecided(f.session, name) {
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_OTHER_PRODUCT, "", e.EventId, e.at, "%s was used; %s was decided on", name, decided)
		wrong = "it is not the product decided on"
	} else {
		f.checkUnknownLot(e, product, name, lot)
	}
	f.inUse = &productInUse{wrong: wrong, at: e.at, event: e.EventId}
	for _, c := range f.sections {
		if c.on && (c.inUse == nil || c.inUse.wrong == "") {
			c.inUse = f.inUse
		}
	}
}

// isDecided reports whether a product was decided on, for the head or for a section. Two
// bowls may be mixed before either is used, so the product named last is not necessarily
// on the section that is treated next.
func isDecided(s *pb.Session, name string) bool {
	return name == s.GetProduct() || slices.ContainsFunc(s.GetSectionProducts(), func(p *pb.PlannedProduct) bool { return p.Product == name })
}

// isRelaxer distinguishes products that straighten from what goes with them. An unknown
// product counts as a relaxer.
func isRelaxer(k pb.ProductKind) bool {
	switch k {
	case pb.ProductKind_PRODUCT_KIND_PROTECTIVE_BASE, pb.ProductKind_PRODUCT_KIND_NORMALIZER,
		pb.ProductKind_PRODUCT_KIND_NEUTRALIZING_SHAMPOO, pb.ProductKind_PRODUCT_KIND_CONDITIONER,
		pb.ProductKind_PRODUCT_KIND_OXIDISING_NEUTRALIZER:
		return false
	}
	return true
}

// checkLot records a lot that was recalled or had expired. It returns why the lot must not
// be on the hair: only a recalled lot must not; an expired one is a deviation alone.
func (f *folding) checkLot(e fact, product *pb.Product, name, code string) string {
	for _, lot := range product.GetLots() {
		if !lotcode.Same(lot.LotCode, code) {
			continue
		}
		switch {
		case lot.RecallTime != nil && !e.at.Before(lot.RecallTime.AsTime()):
			f.addDeviation(pb.DeviationKind_DEVIATION_KIND_BAD_LOT, "", e.EventId, e.at, "lot %s of %s had been recalled", lot.LotCode, name)
			return "its lot was recalled"
		case lot.ExpireTime != nil && !e.at.Before(lot.ExpireTime.AsTime()):
			f.addDeviation(pb.DeviationKind_DEVIATION_KIND_BAD_LOT, "", e.EventId, e.at, "lot %s of %s had expired", lot.LotCode, name)
		}
	}
	return ""
}

// checkUnknownLot records a lot of a decided product that is neither the decided lot nor
// in the catalogue: nobody can say whether it was recalled.
func (f *folding) checkUnknownLot(e fact, product *pb.Product, name, code string) {
	if lotcode.Key(code) == "" || slices.ContainsFunc(product.GetLots(), func(l *pb.Lot) bool { return lotcode.Same(l.LotCode, code) }) {
		return
	}
	var decided []string
	if f.session.GetProduct() == name {
		decided = append(decided, f.session.GetLotCode())
	}
	for _, p := range f.session.GetSectionProducts() {
		if p.Product == name {
			decided = append(decided, p.LotCode)
		}
	}
	if lotcode.Key(strings.Join(decided, "")) == "" || slices.ContainsFunc(decided, func(d string) bool { return lotcode.Same(d, code) }) {
		return
	}
	f.addDeviation(pb.DeviationKind_DEVIATION_KIND_OTHER_PRODUCT, "", e.EventId, e.at,
		"another lot of %s was used than was decided on, and the catalogue does not have it", name)
}

// mixtureDeadline is when the mixture on a section must be under water; zero if it is not
// a two-part product. If nobody recorded the mixing, the first contact counts as mixing.
func (f *folding) mixtureDeadline(c *section) time.Time {
	within := f.limits.GetUseWithinMinutes()
	if within <= 0 {
		return time.Time{}
	}
	from := f.mixTime
	if from.IsZero() {
		from = c.contactTime
	}
	return from.Add(minutes(within))
}

// checkMixture records that a mixture was on c past its time by t.
func (f *folding) checkMixture(c *section, t time.Time) {
	if c.mixtureDeadline.IsZero() || !t.After(c.mixtureDeadline) {
		return
	}
	f.addDeviation(pb.DeviationKind_DEVIATION_KIND_MIXTURE_TOO_OLD, c.id, c.contactEvent, later(c.mixtureDeadline, c.contactTime),
		"the mixture on %s was used past the %g minutes after mixing that the directions allow", c.id, f.limits.GetUseWithinMinutes())
}

// unknownCall is a fact that this program does not know and that calls for water.
type unknownCall struct {
	fact  string
	at    time.Time
	event string
}

// otherFact records a fact that this program does not know.
func (f *folding) otherFact(e fact, what *pb.OtherFact) {
	f.notUnderstood = append(f.notUnderstood, what.Fact)
	if what.RinseNow {
		f.unknownCalls = append(f.unknownCalls, &unknownCall{what.Fact, e.at, e.EventId})
	}
}
