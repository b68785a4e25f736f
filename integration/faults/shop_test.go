package faults

import (
	"path"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// Everybody and everything here is invented: the chains, the people, the products
// and their directions.

const (
	no  = pb.Answer_ANSWER_NO
	yes = pb.Answer_ANSWER_YES
)

// contended is how many products of a chain all clients change at once.
const contended = 3

// shop is an invented chain with one salon, as one worker sees it.
type shop struct {
	name, salon, relaxer, lot                       string
	operator, odile, imara, amara, teo, vesna, till string // development identities
	amaraName, imaraName, teoName                   string
}

// newShop describes a chain. The till is the worker's own, so that quotas of callers
// do not slow the load down.
func newShop(id, worker string) shop {
	name := "chains/" + id
	who := func(role, kind, id string) string { return "role=" + role + " name=" + name + "/" + kind + "/" + id }
	return shop{
		name: name, salon: name + "/salons/north-quay", relaxer: name + "/products/regular", lot: "R-2611",
		operator:  "role=operator name=operators/site",
		odile:     who("manager", "practitioners", "odile"),
		imara:     who("supervisor", "practitioners", "imara"),
		amara:     who("practitioner", "practitioners", "amara"),
		teo:       who("student", "practitioners", "teo"),
		vesna:     who("auditor", "auditors", "vesna-"+worker),
		till:      who("till", "tills", "desk-"+worker),
		amaraName: name + "/practitioners/amara", imaraName: name + "/practitioners/imara", teoName: name + "/practitioners/teo",
	}
}

// setting is a call with its caller.
type setting struct {
	caller string
	req    proto.Message
}

// opening are the calls that create the chain.
func (s shop) opening() []setting {
	id := path.Base(s.name)
	calls := []setting{
		{s.operator, &pb.CreateChainRequest{ChainId: id, Chain: &pb.Chain{DisplayName: "Invented chain " + id}, RequestId: newID()}},
		{s.odile, &pb.CreateSalonRequest{Parent: s.name, SalonId: path.Base(s.salon), RequestId: newID(),
			Salon: &pb.Salon{DisplayName: "North Quay", Jurisdiction: pb.Jurisdiction_JURISDICTION_UK, TimeZone: "Europe/London", MinutesToBowl: new(int32(1))}}},
	}
	for id, role := range map[string]pb.Role{"odile": pb.Role_ROLE_MANAGER, "imara": pb.Role_ROLE_SUPERVISOR, "amara": pb.Role_ROLE_PRACTITIONER, "teo": pb.Role_ROLE_STUDENT} {
		calls = append(calls, setting{s.odile, &pb.CreatePractitionerRequest{Parent: s.name, PractitionerId: id, RequestId: newID(),
			Practitioner: &pb.Practitioner{DisplayName: "Invented " + id, Role: role, Salons: []string{s.salon},
				LicenceNumber: "INV-" + id, LicenceExpireTime: timestamppb.New(time.Now().AddDate(1, 0, 0))}}})
	}
	for _, p := range s.products() {
		id := path.Base(p.Name)
		calls = append(calls, setting{s.odile, &pb.CreateProductRequest{Parent: s.name, ProductId: id, Product: p, RequestId: newID()}})
	}
	return calls
}

// products is the shelf: a lye relaxer with what goes with it, and the products that
// all clients change.
func (s shop) products() []*pb.Product {
	fresh := timestamppb.New(time.Now().AddDate(1, 0, 0))
	named := func(id string) string { return s.name + "/products/" + id }
	shelf := []*pb.Product{
		{Name: named("base"), DisplayName: "Base", Kind: pb.ProductKind_PRODUCT_KIND_PROTECTIVE_BASE},
		{Name: named("normalizer"), DisplayName: "Normalizer", Kind: pb.ProductKind_PRODUCT_KIND_NORMALIZER},
		{Name: named("shampoo"), DisplayName: "Indicator shampoo", Kind: pb.ProductKind_PRODUCT_KIND_NEUTRALIZING_SHAMPOO,
			Indicator: &pb.Indicator{Present: yes, AlkaliColour: "pink", ClearBelowPh: new(8.2)}},
		{Name: s.relaxer, DisplayName: "Relaxer, regular", Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER,
			HydroxideKind: pb.HydroxideKind_HYDROXIDE_KIND_SODIUM, Strength: pb.Strength_STRENGTH_REGULAR,
			Ingredients: []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_SODIUM_HYDROXIDE, MassPercent: new(2.0)}},
			UseTier:     pb.UseTier_USE_TIER_PROFESSIONAL, DeclaredPh: new(12.6), PhMethod: pb.PhMethod_PH_METHOD_MEASURED,
			Directions: &pb.Directions{MaximumMinutes: new(int32(18)), UsualMinutes: new(int32(13)), StrandTestMinutes: new(int32(3)),
				MinimumAgeYears: new(int32(16)), BaseNeeded: yes, StrandTestRequired: yes, AllowedOnColoured: yes, AllowedOnLightened: yes,
				Normalizer: named("normalizer"), NeutralizingShampoo: named("shampoo"), Edition: "invented edition 3"},
			Lots: []*pb.Lot{{LotCode: s.lot, ExpireTime: fresh}}, SafetyDataSheet: "invented sheet"},
	}
	for i := range contended {
		shelf = append(shelf, &pb.Product{Name: s.contended(i), DisplayName: "Contended", Kind: pb.ProductKind_PRODUCT_KIND_PROTECTIVE_BASE, SafetyDataSheet: "first"})
	}
	return shelf
}

// contended is the name of a product that all clients change.
func (s shop) contended(i int) string { return s.name + "/products/contended-" + string(rune('a'+i)) }

// answers is the consultation of somebody with a sound scalp and untreated hair, every
// question answered; change alters it.
func (s shop) answers(change ...func(*pb.Consultation)) *pb.Consultation {
	now := time.Now()
	k := &pb.Consultation{
		Salon: s.salon, Practitioner: s.amaraName, Scalp: &pb.ScalpAnalysis{}, History: &pb.ClientHistory{},
		Wishes: &pb.Wishes{ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN, StraighteningPercent: new(70.0), Words: "softer"},
		Hair: &pb.HairAnalysis{
			Texture: pb.Texture_TEXTURE_MEDIUM, Density: pb.Density_DENSITY_HIGH, CurlType: pb.CurlType_CURL_TYPE_VI,
			CurlIndex: new(3.4), LengthMm: new(240.0), NewGrowthMm: new(0.0),
			Sections: []*pb.HeadSection{{SectionId: "back-left"}, {SectionId: "back-right"}, {SectionId: "front"}, {SectionId: "hairline"}},
		},
		Tests: &pb.PreliminaryTests{
			Elasticity: pb.ElasticityReading_ELASTICITY_READING_NORMAL, WetStretchPercent: new(45.0),
			Incompatibility: pb.IncompatibilityReading_INCOMPATIBILITY_READING_CLEAR,
			Strand:          pb.StrandReading_STRAND_READING_SOUND, StrandProduct: s.relaxer, StrandMinutes: new(13.0),
			TestTime: timestamppb.New(now.Add(-20 * time.Hour)), Tester: s.amaraName,
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
	k.History.Shampoo = &pb.PastEvent{Happened: yes, LastTime: timestamppb.New(now.AddDate(0, 0, -4))}
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

// What may be on a consultation: the first is refused, the second is referred to a
// supervisor.
func brokenSkin(k *pb.Consultation) { k.Scalp.BrokenSkin = yes }
func medication(k *pb.Consultation) { k.History.Medication = yes }

// question asks whether the relaxer may be put on a client of a consultation.
func (s shop) question(consultation string) *pb.CheckEligibilityRequest {
	return &pb.CheckEligibilityRequest{
		Parent: parent(consultation), Subject: &pb.CheckEligibilityRequest_Consultation{Consultation: consultation},
		ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN, Product: s.relaxer, LotCode: s.lot, WhatChanged: "Looked again under the lamp.",
		Practitioner: s.amaraName, Supervisor: s.imaraName, Salon: s.salon, RequestId: newID(),
	}
}

// policy is a house policy for a tender scalp, which no client of the load has.
func (s shop) policy() *pb.CreateHousePolicyRequest {
	id := "house-" + newID()[:8]
	return &pb.CreateHousePolicyRequest{Parent: s.name, HousePolicyId: id, RequestId: newID(), HousePolicy: &pb.HousePolicy{
		DisplayName: "Invented " + id,
		Rules: []*pb.Rule{{
			RuleId: "house.tender-scalp", Version: 1, Scope: pb.RuleScope_RULE_SCOPE_CASE, Severity: pb.Severity_SEVERITY_CONDITION,
			Expression: "consultation.scalp.tender == Answer.YES", Message: "Base it all.",
			Basis: &pb.Basis{Kind: pb.BasisKind_BASIS_KIND_HOUSE, Source: "invented"},
		}},
	}}
}

// override is the request by which the supervisor tries to set a finding aside.
func (s shop) override(d *pb.Decision, f *pb.Finding) *pb.OverrideDecisionRequest {
	reason := "CLIENT_INSISTS"
	if len(f.GetOverrideTerms().GetReasons()) > 0 {
		reason = f.OverrideTerms.Reasons[0].Code
	}
	return &pb.OverrideDecisionRequest{Name: d.Name, RuleId: f.RuleId, Subject: f.Subject, Practitioner: s.imaraName,
		ReasonCode: reason, Comment: "Strand tested yesterday: sound and even.", RequestId: newID()}
}

// incident is an invented incident as a person writes it down.
func (s shop) incident() *pb.Incident {
	return &pb.Incident{
		Kind: pb.IncidentKind_INCIDENT_KIND_SKIN, Place: pb.Place_PLACE_SKIN, Seen: "A red line under the left ear.",
		FirstAction: "Rinsed at the basin.", FlushMinutes: new(16.0), Advice: "A doctor, if it is still there tomorrow.", Referred: no,
		Salon: s.salon, Practitioner: s.amaraName, Product: s.relaxer, LotCode: s.lot,
		OccurTime: timestamppb.New(time.Now().Add(-24 * time.Hour)),
	}
}

// fact is an event of a session, with an ID of its own.
func fact(at time.Time, e *pb.Event) *pb.Event {
	e.EventId, e.OccurTime = newID(), timestamppb.New(at)
	return e
}

// newID returns a request or event ID that was never used.
func newID() string { return uuid.NewString() }

// parent is the resource name above a name.
func parent(name string) string { return path.Dir(path.Dir(name)) }

// mask is an update mask.
func mask(paths ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: paths} }
