package demo

import (
	"time"

	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// All names and data here are invented. The products do not exist; their
// directions are made up.
const (
	ebb       = "chains/ebb-and-flow"
	northQuay = ebb + "/salons/north-quay"
	millLane  = ebb + "/salons/mill-lane"

	mild       = ebb + "/products/ebb-mild"
	regular    = ebb + "/products/ebb-regular"
	base       = ebb + "/products/ebb-base"
	normalizer = ebb + "/products/ebb-normalizer"
	shampoo    = ebb + "/products/ebb-indicator-shampoo"

	regularLot = "R-2611"
	mildLot    = "M-2608"
	shampooLot = "S-2610"
	baseLot    = "B-2609"
)

// Short names for the answers of a consultation.
const (
	no  = pb.Answer_ANSWER_NO
	yes = pb.Answer_ANSWER_YES
)

// person is a caller.
type person struct {
	// Resource name, by which the audit log names the person.
	name string
	// Name in the story.
	displayName string
	// In which role the person calls. The server compares it with the directory.
	role pb.Role
}

// people are all callers.
type people struct {
	// Runs the installation, and creates chains.
	operator person
	// Odile manages the chain: people, products and policies.
	manager person
	// Imara decides overrides and signs for students.
	supervisor person
	// Amara and Joss serve, in a salon each. Teo is a student.
	amara, teo, joss person
	// Vesna reads the audit log, and Pim belongs to another chain.
	auditor, stranger person
}

// newPeople returns the callers with their roles. Teo has no licence and needs a
// countersignature. Each has the role that the contract needs for what the story
// makes them do.
func newPeople() people {
	return people{
		operator:   person{"operators/house", "the operator", pb.Role_ROLE_OPERATOR},
		manager:    person{ebb + "/practitioners/odile", "Odile", pb.Role_ROLE_MANAGER},
		supervisor: person{ebb + "/practitioners/imara", "Imara", pb.Role_ROLE_SUPERVISOR},
		amara:      person{ebb + "/practitioners/amara", "Amara", pb.Role_ROLE_PRACTITIONER},
		teo:        person{ebb + "/practitioners/teo", "Teo", pb.Role_ROLE_STUDENT},
		joss:       person{ebb + "/practitioners/joss", "Joss", pb.Role_ROLE_PRACTITIONER},
		auditor:    person{ebb + "/auditors/vesna", "Vesna", pb.Role_ROLE_AUDITOR},
		stranger:   person{"chains/low-tide/practitioners/pim", "Pim", pb.Role_ROLE_MANAGER},
	}
}

// entry is an ID and the resource to create.
type entry struct {
	// The last segment of the resource name.
	id string
	// One of these.
	salon        *pb.Salon
	practitioner *pb.Practitioner
	product      *pb.Product
}

// salons are in two jurisdictions. The same consultation can therefore lead to
// different verdicts.
func salons() []entry {
	return []entry{
		{id: "north-quay", salon: &pb.Salon{DisplayName: "North Quay", Jurisdiction: pb.Jurisdiction_JURISDICTION_UK, TimeZone: "Europe/London", MinutesToBowl: proto.Int32(1)}},
		{id: "mill-lane", salon: &pb.Salon{DisplayName: "Mill Lane", Jurisdiction: pb.Jurisdiction_JURISDICTION_EU, TimeZone: "Europe/Dublin", MinutesToBowl: proto.Int32(1)}},
	}
}

// practitioners work in the chain; licences expire in a year. The manager has no
// licence and serves nobody.
func practitioners(today time.Time) []entry {
	licensed := timestamppb.New(today.AddDate(1, 0, 0))
	both := []string{northQuay, millLane}
	return []entry{
		{id: "odile", practitioner: &pb.Practitioner{DisplayName: "Odile", Role: pb.Role_ROLE_MANAGER, Salons: both}},
		{id: "imara", practitioner: &pb.Practitioner{DisplayName: "Imara", Role: pb.Role_ROLE_SUPERVISOR, LicenceNumber: "INV-0117", LicenceExpireTime: licensed, Salons: both}},
		{id: "amara", practitioner: &pb.Practitioner{DisplayName: "Amara", Role: pb.Role_ROLE_PRACTITIONER, LicenceNumber: "INV-0204", LicenceExpireTime: licensed, Salons: both[:1]}},
		{id: "teo", practitioner: &pb.Practitioner{DisplayName: "Teo", Role: pb.Role_ROLE_STUDENT, Salons: both[:1]}},
		{id: "joss", practitioner: &pb.Practitioner{DisplayName: "Joss", Role: pb.Role_ROLE_PRACTITIONER, LicenceNumber: "INV-0322", LicenceExpireTime: licensed, Salons: both[1:]}},
	}
}

// products are two strengths of a lye relaxer and what is used with them, in the
// order of creation: a product comes before the directions that name it. Lots have
// codes and dates of expiry, as on a jar.
func products(today time.Time) []entry {
	nextYear := timestamppb.New(today.AddDate(1, 0, 0))
	lot := func(code string) []*pb.Lot { return []*pb.Lot{{LotCode: code, ExpireTime: nextYear}} }
	return []entry{
		{id: "ebb-base", product: &pb.Product{DisplayName: "Ebb protective base", Kind: pb.ProductKind_PRODUCT_KIND_PROTECTIVE_BASE, Lots: lot(baseLot)}},
		{id: "ebb-normalizer", product: &pb.Product{DisplayName: "Ebb normalizer", Kind: pb.ProductKind_PRODUCT_KIND_NORMALIZER}},
		{id: "ebb-indicator-shampoo", product: &pb.Product{
			DisplayName: "Ebb indicator shampoo", Kind: pb.ProductKind_PRODUCT_KIND_NEUTRALIZING_SHAMPOO,
			Indicator: &pb.Indicator{Present: yes, AlkaliColour: "pink", ClearBelowPh: proto.Float64(8.2)}, Lots: lot(shampooLot),
		}},
		{id: "ebb-mild", product: relaxer("Ebb relaxer, mild", pb.Strength_STRENGTH_MILD, 1.7, lot(mildLot))},
		{id: "ebb-regular", product: relaxer("Ebb relaxer, regular", pb.Strength_STRENGTH_REGULAR, 2.0, lot(regularLot))},
	}
}

// relaxer is a lye relaxer with complete directions; the server asks about
// incomplete ones. Percentage, pH and strength fit one another; the server checks
// that. The directions are complete, down to the youngest age.
func relaxer(called string, strength pb.Strength, percent float64, lots []*pb.Lot) *pb.Product {
	return &pb.Product{
		DisplayName: called, Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER,
		HydroxideKind: pb.HydroxideKind_HYDROXIDE_KIND_SODIUM, Strength: strength,
		Ingredients: []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_SODIUM_HYDROXIDE, MassPercent: new(percent)}},
		UseTier:     pb.UseTier_USE_TIER_PROFESSIONAL,
		DeclaredPh:  proto.Float64(12.6), PhMethod: pb.PhMethod_PH_METHOD_MEASURED,
		Directions: &pb.Directions{
			MaximumMinutes: proto.Int32(18), UsualMinutes: proto.Int32(13), StrandTestMinutes: proto.Int32(3),
			MinimumAgeYears: proto.Int32(16), BaseNeeded: yes, StrandTestRequired: yes,
			AllowedOnColoured: yes, AllowedOnLightened: yes,
			Normalizer: normalizer, NeutralizingShampoo: shampoo, Edition: "invented edition 3",
		},
		Lots: lots, SafetyDataSheet: "invented sheet for " + called,
	}
}
