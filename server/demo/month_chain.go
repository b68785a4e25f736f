package demo

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// More products and lots than the story has; all invented.
const (
	superRelaxer = ebb + "/products/ebb-super"
	thioLotion   = ebb + "/products/ebb-wave"
	oxidiser     = ebb + "/products/ebb-wave-neutralizer"

	recalledLot = "X-2610" // recalled on recallDay
	expiredLot  = "X-2501" // expired before the month
	soundLot    = "X-2611"
)

// The chain of the month has the products and the caller names of the story, because they
// are invented already, but salons and people of its own: as many as the month asks for.

// chairs are the people and places of a salon.
type chairs struct {
	// Resource name, law and clock of the salon.
	name string
	law  pb.Jurisdiction
	zone *time.Location
	// Signs for students, decides overrides and answers follow-ups.
	supervisor person
	// Comes back from leave with a licence that has expired.
	expired person
	staff   []*stylist
}

// stylist is a practitioner or student with a pace and a till.
type stylist struct {
	person
	salon *chairs
	// Minutes a section. The server learns it from the visits.
	pace float64
	// How far the till's clock is ahead; the same all month.
	offset time.Duration
	// The till is an old one, and returns no echo of the server's time.
	noEcho bool
	// Taps once for a stage, for the whole head, and for the lathers.
	fewTaps bool
}

// student reports whether the stylist needs a signature. The role is the
// directory's and not the caller's claim.
func (s *stylist) student() bool { return s.role == pb.Role_ROLE_STUDENT }

// openChain creates the chain, its catalogue, and its salons with their people, as
// the operator and a manager do. Everything after that is done by the people of the
// salons.
func (m *month) openChain() {
	d := m.run
	call(d, d.people.operator, d.directory.CreateChain, &pb.CreateChainRequest{
		ChainId: "ebb-and-flow", Chain: &pb.Chain{DisplayName: "Ebb and Flow Hair"}, RequestId: newID(),
	})
	for _, p := range monthProducts(m.opens) {
		call(d, d.people.manager, d.catalog.CreateProduct, &pb.CreateProductRequest{
			Parent: ebb, ProductId: p.id, Product: p.product, RequestId: newID(),
		})
	}
	random := newRandom(m.Seed, 1)
	for i := range m.Salons {
		m.salons = append(m.salons, m.openSalon(i, random))
	}
}

// openSalon creates one salon and its people. Laws and time zones take turns, so
// that a month of any size has several.
func (m *month) openSalon(i int, random *rand.Rand) *chairs {
	law := salonLaws[i%len(salonLaws)]
	id := fmt.Sprintf("salon-%02d", i+1)
	zone, err := time.LoadLocation(law.zone)
	if err != nil {
		m.fail(err)
		zone = time.UTC
	}
	s := &chairs{name: ebb + "/salons/" + id, law: law.law, zone: zone}
	call(m.run, m.people.manager, m.directory.CreateSalon, &pb.CreateSalonRequest{
		Parent: ebb, SalonId: id, RequestId: newID(),
		Salon: &pb.Salon{DisplayName: "Salon " + id[6:], Jurisdiction: law.law, TimeZone: law.zone, MinutesToBowl: proto.Int32(minutesToBowl)},
	})
	s.supervisor = m.hire(s, "supervisor", pb.Role_ROLE_SUPERVISOR, m.opens.AddDate(1, 0, 0))
	s.expired = m.hire(s, "returning", pb.Role_ROLE_PRACTITIONER, m.opens.AddDate(0, 0, -3))
	for chair := range monthStaff {
		role := pb.Role_ROLE_PRACTITIONER
		if chair == monthStaff-1 && i%studentSalons == 0 {
			role = pb.Role_ROLE_STUDENT
		}
		s.staff = append(s.staff, newStylist(s, m.hire(s, fmt.Sprintf("chair-%d", chair+1), role, m.opens.AddDate(1, 0, 0)), random))
	}
	return s
}

// hire creates a practitioner of a salon. Students have no licence. Everybody works
// in one salon only; a supervisor of another one could sign nothing.
func (m *month) hire(s *chairs, called string, role pb.Role, licensed time.Time) person {
	id := lastSegment(s.name) + "-" + called
	p := &pb.Practitioner{DisplayName: id, Role: role, Salons: []string{s.name}}
	if role != pb.Role_ROLE_STUDENT {
		p.LicenceNumber, p.LicenceExpireTime = "INV-"+id, timestamppb.New(licensed)
	}
	call(m.run, m.people.manager, m.directory.CreatePractitioner, &pb.CreatePractitionerRequest{
		Parent: ebb, PractitionerId: id, Practitioner: p, RequestId: newID(),
	})
	return person{ebb + "/practitioners/" + id, id, role}
}

// newStylist draws a pace and a till. A wrong clock is wrong by minutes and not by
// days, which a person would notice.
func newStylist(s *chairs, p person, random *rand.Rand) *stylist {
	own := &stylist{person: p, salon: s, pace: truePace * math.Exp(truePaceSpread*random.NormFloat64())}
	own.offset = time.Duration(clockErrorSeconds * random.NormFloat64() * float64(time.Second))
	if random.Float64() < wrongClockShare {
		own.offset = time.Duration((2*random.Float64() - 1) * wrongClockMinutes * float64(time.Minute))
	}
	own.noEcho = random.Float64() < noEchoShare
	own.fewTaps = random.Float64() < fewTapsShare && !own.student()
	return own
}

// monthProducts are the story's products and more: a third strength and a thio
// lotion with its neutralizer. Each relaxer has a sound lot, one that will be
// recalled and one that has expired, so that only the code on the jar tells them
// apart. Other products have one lot, which is never looked at.
func monthProducts(opens time.Time) []entry {
	lots := func() []*pb.Lot {
		return []*pb.Lot{
			{LotCode: soundLot, ExpireTime: timestamppb.New(opens.AddDate(1, 0, 0))},
			{LotCode: recalledLot, ExpireTime: timestamppb.New(opens.AddDate(1, 0, 0))},
			{LotCode: expiredLot, ExpireTime: timestamppb.New(opens.AddDate(0, -3, 0))},
		}
	}
	all := append(products(opens),
		entry{id: "ebb-super", product: relaxer("Ebb relaxer, super", pb.Strength_STRENGTH_SUPER, 2.3, nil)},
		entry{id: "ebb-wave-neutralizer", product: &pb.Product{DisplayName: "Ebb wave neutralizer", Kind: pb.ProductKind_PRODUCT_KIND_OXIDISING_NEUTRALIZER,
			Ingredients: []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_HYDROGEN_PEROXIDE, MassPercent: proto.Float64(2.5)}}}},
		entry{id: "ebb-wave", product: waveLotion()},
	)
	for _, p := range all {
		switch p.product.GetKind() {
		case pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER, pb.ProductKind_PRODUCT_KIND_THIO_RELAXER:
			p.product.Lots = lots()
		}
	}
	return all
}

// waveLotion is a thio lotion with complete directions. It may not go onto
// lightened hair, as most makers say.
func waveLotion() *pb.Product {
	return &pb.Product{
		DisplayName: "Ebb wave lotion", Kind: pb.ProductKind_PRODUCT_KIND_THIO_RELAXER,
		Ingredients: []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_THIOGLYCOLIC_ACID, MassPercent: proto.Float64(8)}},
		UseTier:     pb.UseTier_USE_TIER_PROFESSIONAL,
		DeclaredPh:  proto.Float64(9.1), PhMethod: pb.PhMethod_PH_METHOD_MEASURED,
		Directions: &pb.Directions{
			MaximumMinutes: proto.Int32(20), UsualMinutes: proto.Int32(13), StrandTestMinutes: proto.Int32(5),
			MinimumAgeYears: proto.Int32(16), BaseNeeded: no, StrandTestRequired: no,
			AllowedOnColoured: yes, AllowedOnLightened: no,
			Neutralizer: oxidiser, NeutralizerMinutes: proto.Int32(5), Edition: "invented edition 2",
		},
		SafetyDataSheet: "invented sheet for Ebb wave lotion",
	}
}
