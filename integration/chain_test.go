package integration

import (
	"path"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// Everybody and everything here is invented: the chains, the people, the
// products and their directions.

const (
	no  = pb.Answer_ANSWER_NO
	yes = pb.Answer_ANSWER_YES
)

// chain is an invented chain of salons: its people, its products, and the server that
// serves it.
type chain struct {
	*testServer
	name                                            string
	kind                                            pb.ChainKind
	salon                                           string
	operator, odile, imara, amara, teo, vesna, till person
	relaxer, base, normalizer, shampoo              string
	relaxerLot                                      string
}

// describeChain names a chain and everybody in it; nothing is stored yet.
func (s *testServer) describeChain(id string) *chain {
	name := "chains/" + id
	worker := func(id string, role pb.Role) person { return person{name + "/practitioners/" + id, role} }
	return &chain{
		testServer: s, name: name, salon: name + "/salons/north-quay",
		operator: person{"operators/site", pb.Role_ROLE_OPERATOR},
		odile:    worker("odile", pb.Role_ROLE_MANAGER),
		imara:    worker("imara", pb.Role_ROLE_SUPERVISOR),
		amara:    worker("amara", pb.Role_ROLE_PRACTITIONER),
		teo:      worker("teo", pb.Role_ROLE_STUDENT),
		vesna:    person{name + "/auditors/vesna", pb.Role_ROLE_AUDITOR},
		till:     person{name + "/tills/front-desk", pb.Role_ROLE_TILL},
		relaxer:  name + "/products/regular", relaxerLot: "R-2611",
		base: name + "/products/base", normalizer: name + "/products/normalizer", shampoo: name + "/products/shampoo",
	}
}

// newChain stores a chain with a salon, its people and its products.
func (s *testServer) newChain(t testing.TB, id string) *chain {
	t.Helper()
	c := s.describeChain(id)
	c.create(t)
	return c
}

// create stores the chain.
func (c *chain) create(t testing.TB) {
	t.Helper()
	id := last(c.name)
	must(t, c.operator, c.directory.CreateChain, &pb.CreateChainRequest{
		ChainId: id, Chain: &pb.Chain{DisplayName: "Invented chain " + id, Kind: c.kind}, RequestId: newID()})
	must(t, c.odile, c.directory.CreateSalon, &pb.CreateSalonRequest{
		Parent: c.name, SalonId: last(c.salon), RequestId: newID(),
		Salon: &pb.Salon{DisplayName: "North Quay", Jurisdiction: pb.Jurisdiction_JURISDICTION_UK, TimeZone: "Europe/London", MinutesToBowl: new(int32(1))}})
	for _, p := range []person{c.odile, c.imara, c.amara, c.teo} {
		must(t, c.odile, c.directory.CreatePractitioner, &pb.CreatePractitionerRequest{
			Parent: c.name, PractitionerId: last(p.name), Practitioner: c.licensed(p), RequestId: newID()})
	}
	for _, product := range c.products() {
		must(t, c.odile, c.catalog.CreateProduct, &pb.CreateProductRequest{Parent: c.name, ProductId: last(product.Name), Product: product, RequestId: newID()})
	}
}

// licensed is what the directory says of a person; students hold no licence.
func (c *chain) licensed(p person) *pb.Practitioner {
	entry := &pb.Practitioner{DisplayName: "Invented " + last(p.name), Role: p.role, Salons: []string{c.salon}}
	entry.Instructor = c.kind == pb.ChainKind_CHAIN_KIND_SCHOOL && p.role == pb.Role_ROLE_SUPERVISOR
	if p.role != pb.Role_ROLE_STUDENT {
		entry.LicenceNumber = "INV-" + last(p.name)
		entry.LicenceExpireTime = timestamppb.New(c.clock.Now().AddDate(1, 0, 0))
	}
	return entry
}

// products is the catalogue: a lye relaxer and what goes with it. Products that its
// directions name come before it.
func (c *chain) products() []*pb.Product {
	fresh := timestamppb.New(c.clock.Now().AddDate(1, 0, 0))
	return []*pb.Product{
		{Name: c.base, DisplayName: "Base", Kind: pb.ProductKind_PRODUCT_KIND_PROTECTIVE_BASE},
		{Name: c.normalizer, DisplayName: "Normalizer", Kind: pb.ProductKind_PRODUCT_KIND_NORMALIZER},
		{Name: c.shampoo, DisplayName: "Indicator shampoo", Kind: pb.ProductKind_PRODUCT_KIND_NEUTRALIZING_SHAMPOO,
			Indicator: &pb.Indicator{Present: yes, AlkaliColour: "pink", ClearBelowPh: new(8.2)}},
		{
			Name: c.relaxer, DisplayName: "Relaxer, regular", Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER,
			HydroxideKind: pb.HydroxideKind_HYDROXIDE_KIND_SODIUM, Strength: pb.Strength_STRENGTH_REGULAR,
			Ingredients: []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_SODIUM_HYDROXIDE, MassPercent: new(float64(2))}},
			UseTier:     pb.UseTier_USE_TIER_PROFESSIONAL, DeclaredPh: new(12.6), PhMethod: pb.PhMethod_PH_METHOD_MEASURED,
			Directions: &pb.Directions{
				MaximumMinutes: new(int32(18)), UsualMinutes: new(int32(13)), StrandTestMinutes: new(int32(3)),
				MinimumAgeYears: new(int32(16)), BaseNeeded: yes, StrandTestRequired: yes, AllowedOnColoured: yes, AllowedOnLightened: yes,
				Normalizer: c.normalizer, NeutralizingShampoo: c.shampoo, Edition: "invented edition 3",
			},
			Lots:            []*pb.Lot{{LotCode: c.relaxerLot, ExpireTime: fresh}, {LotCode: "R-2612", ExpireTime: fresh}},
			SafetyDataSheet: "invented sheet",
		},
	}
}

// consultationAnswers is the consultation of somebody with a sound scalp and untreated hair,
// every question answered; change alters it.
func (c *chain) consultationAnswers(change ...func(*pb.Consultation)) *pb.Consultation {
	now := c.clock.Now()
	k := &pb.Consultation{
		Salon: c.salon, Practitioner: c.amara.name, Scalp: &pb.ScalpAnalysis{}, History: &pb.ClientHistory{},
		Wishes: &pb.Wishes{ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN, StraighteningPercent: new(70.0), Words: "softer"},
		Hair: &pb.HairAnalysis{
			Texture: pb.Texture_TEXTURE_MEDIUM, Density: pb.Density_DENSITY_HIGH, CurlType: pb.CurlType_CURL_TYPE_VI,
			CurlIndex: new(3.4), LengthMm: new(240.0), NewGrowthMm: new(0.0),
			Sections: []*pb.HeadSection{{SectionId: "back-left"}, {SectionId: "back-right"}, {SectionId: "front"}, {SectionId: "hairline"}},
		},
		Tests: &pb.PreliminaryTests{
			Elasticity: pb.ElasticityReading_ELASTICITY_READING_NORMAL, WetStretchPercent: new(45.0),
			Incompatibility: pb.IncompatibilityReading_INCOMPATIBILITY_READING_CLEAR,
			Strand:          pb.StrandReading_STRAND_READING_SOUND, StrandProduct: c.relaxer, StrandMinutes: new(13.0),
			TestTime: timestamppb.New(now.Add(-20 * time.Hour)), Tester: c.amara.name,
		},
		Consent: &pb.Consent{AgreeTime: timestamppb.New(now), AgeYears: new(int32(34))},
		Remarks: "nothing remarkable",
	}
	for _, zone := range []pb.Zone{pb.Zone_ZONE_NEW_GROWTH, pb.Zone_ZONE_MID_STRAND, pb.Zone_ZONE_ENDS} {
		k.Hair.Zones = append(k.Hair.Zones, &pb.HairZone{
			Zone: zone, Condition: pb.HairCondition_HAIR_CONDITION_SOUND, Porosity: pb.Porosity_POROSITY_NORMAL})
	}
	sayNo(k.ProtoReflect())
	k.Hair.Sections[3].Hairline = yes
	k.Consent.Agreed, k.Consent.Explained, k.Consent.GuardianAgreed = yes, yes, pb.Answer_ANSWER_UNSPECIFIED
	k.History.Shampoo = c.ago(4)
	for _, change := range change {
		change(k)
	}
	return k
}

// sayNo answers every question of a message, and of the messages in it, with no.
func sayNo(m protoreflect.Message) {
	for i := range m.Descriptor().Fields().Len() {
		f := m.Descriptor().Fields().Get(i)
		switch {
		case f.Enum() != nil && f.Enum() == no.Descriptor():
			m.Set(f, protoreflect.ValueOfEnum(no.Number()))
		case f.Message() == nil:
		case f.IsList():
			for j := range m.Get(f).List().Len() {
				sayNo(m.Get(f).List().Get(j).Message())
			}
		case m.Has(f) || f.Message() == (*pb.PastEvent)(nil).ProtoReflect().Descriptor():
			sayNo(m.Mutable(f).Message())
		}
	}
}

// ago is something that happened some days ago.
func (c *chain) ago(days int) *pb.PastEvent {
	return &pb.PastEvent{Happened: yes, LastTime: timestamppb.New(c.clock.Now().AddDate(0, 0, -days))}
}

// What may stand on a card.
func brokenSkin(k *pb.Consultation) { k.Scalp.BrokenSkin = yes }
func medication(k *pb.Consultation) { k.History.Medication = yes }

func (c *chain) shampooed(k *pb.Consultation) { k.History.Shampoo = c.ago(1) }

// newID is a new request or event id.
func newID() string { return uuid.NewString() }

// last is the last segment of a resource name.
func last(name string) string { return path.Base(name) }

// parent is the resource name above a name.
func parent(name string) string { return path.Dir(path.Dir(name)) }

// again is the same request with a new request id.
func again[M proto.Message](req M) M {
	fresh := proto.CloneOf(req)
	field := fresh.ProtoReflect().Descriptor().Fields().ByName("request_id")
	fresh.ProtoReflect().Set(field, protoreflect.ValueOfString(newID()))
	return fresh
}

// moveVisitTo puts the chain's salon into another jurisdiction.
func (c *chain) moveVisitTo(t testing.TB, place pb.Jurisdiction) {
	t.Helper()
	must(t, c.odile, c.directory.UpdateSalon, &pb.UpdateSalonRequest{
		Salon: &pb.Salon{Name: c.salon, Jurisdiction: place}, UpdateMask: updateMask("jurisdiction"), RequestId: newID()})
}
