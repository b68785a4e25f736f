package rules

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// today is the instant of every decision in the tests; invented.
var today = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)

func ago(d time.Duration) *timestamppb.Timestamp { return timestamppb.New(today.Add(-d)) }

// dateAgo is the calendar day, in UTC, on which an instant before today fell.
func dateAgo(d time.Duration) *date.Date {
	y, m, n := today.Add(-d).Date()
	return &date.Date{Year: int32(y), Month: int32(m), Day: int32(n)}
}

const day = 24 * time.Hour

func never() *pb.PastEvent { return &pb.PastEvent{Happened: pb.Answer_ANSWER_NO} }

// soundHead is a case that nothing speaks against: every question is answered,
// every test is done, the product is within every limit. Invented.
func soundHead() *pb.DecisionInputs {
	in := &pb.DecisionInputs{
		DecideTime:   timestamppb.New(today),
		ServiceKind:  pb.ServiceKind_SERVICE_KIND_VIRGIN,
		LotCode:      "L1",
		Product:      regularLye(),
		Practitioner: licensed("ada", pb.Role_ROLE_PRACTITIONER),
		Salon:        &pb.Salon{Name: "chains/ebb-and-flow/salons/quay", Jurisdiction: pb.Jurisdiction_JURISDICTION_EU},
		Consultation: &pb.Consultation{
			Wishes: &pb.Wishes{ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN, StraighteningPercent: proto.Float64(70)},
			Scalp:  &pb.ScalpAnalysis{SeenTime: ago(time.Hour)},
			Hair: &pb.HairAnalysis{
				Texture: pb.Texture_TEXTURE_MEDIUM, Density: pb.Density_DENSITY_MEDIUM, CurlType: pb.CurlType_CURL_TYPE_VI,
				CurlIndex: proto.Float64(4), LengthMm: proto.Float64(200), NewGrowthMm: proto.Float64(200),
			},
			Tests: &pb.PreliminaryTests{
				Elasticity: pb.ElasticityReading_ELASTICITY_READING_NORMAL, WetStretchPercent: proto.Float64(45),
				Incompatibility: pb.IncompatibilityReading_INCOMPATIBILITY_READING_CLEAR,
				Strand:          pb.StrandReading_STRAND_READING_SOUND, StrandProduct: regularLye().GetName(),
				StrandMinutes: proto.Float64(14), TestTime: ago(day),
			},
			History: &pb.ClientHistory{},
			Consent: &pb.Consent{Agreed: pb.Answer_ANSWER_YES, Explained: pb.Answer_ANSWER_YES, AgreeTime: ago(time.Hour), AgeYears: proto.Int32(34), GuardianAgreed: pb.Answer_ANSWER_NO},
		},
	}
	c := in.GetConsultation()
	for zone := pb.Zone_ZONE_NEW_GROWTH; zone <= pb.Zone_ZONE_ENDS; zone++ {
		c.Hair.Zones = append(c.Hair.Zones, &pb.HairZone{
			Zone: zone, Condition: pb.HairCondition_HAIR_CONDITION_SOUND, Porosity: pb.Porosity_POROSITY_NORMAL,
		})
	}
	c.Hair.Sections = []*pb.HeadSection{{SectionId: "back"}, {SectionId: "front"}}
	answerNo(c.ProtoReflect())
	return in
}

// answerNo answers every yes-or-no question below m that is still open with no.
func answerNo(m protoreflect.Message) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		switch {
		case f.IsList() && f.Message() != nil:
			for j := range m.Get(f).List().Len() {
				answerNo(m.Get(f).List().Get(j).Message())
			}
		case f.Message() != nil && f.Message().FullName() == "alkalog.v1.PastEvent" && !m.Has(f):
			m.Set(f, protoreflect.ValueOfMessage(never().ProtoReflect()))
		case f.Message() != nil && m.Has(f):
			answerNo(m.Get(f).Message())
		case f.Enum() != nil && f.Enum().FullName() == "alkalog.v1.Answer" && !m.Has(f):
			m.Set(f, protoreflect.ValueOfEnum(protoreflect.EnumNumber(pb.Answer_ANSWER_NO)))
		}
	}
}

// regularLye is an invented product within the general limit.
func regularLye() *pb.Product {
	return &pb.Product{
		Name: "chains/ebb-and-flow/products/tide-regular", Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER,
		HydroxideKind: pb.HydroxideKind_HYDROXIDE_KIND_SODIUM, Strength: pb.Strength_STRENGTH_REGULAR,
		Ingredients: []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_SODIUM_HYDROXIDE, MassPercent: new(2.1)}},
		UseTier:     pb.UseTier_USE_TIER_PROFESSIONAL, DeclaredPh: proto.Float64(12.6), PhMethod: pb.PhMethod_PH_METHOD_MEASURED,
		Directions: &pb.Directions{
			MaximumMinutes: proto.Int32(20), UsualMinutes: proto.Int32(15), StrandTestMinutes: proto.Int32(3),
			BaseNeeded: pb.Answer_ANSWER_NO, AllowedOnColoured: pb.Answer_ANSWER_YES, AllowedOnLightened: pb.Answer_ANSWER_YES,
			StrandTestRequired: pb.Answer_ANSWER_NO,
		},
		Lots:            []*pb.Lot{{LotCode: "L1", ExpireTime: timestamppb.New(today.Add(300 * day))}},
		SafetyDataSheet: "SDS 7",
	}
}

func licensed(id string, role pb.Role) *pb.Practitioner {
	return &pb.Practitioner{
		Name: "chains/ebb-and-flow/practitioners/" + id, Role: role, LicenceNumber: "P-" + id,
		LicenceExpireTime: timestamppb.New(today.Add(400 * day)), Salons: []string{"chains/ebb-and-flow/salons/quay"},
	}
}

// given changes the case as a worked case of a rule asks: each path is set, or
// taken away when it is null. The path "zone.x" is of the zone asked about.
func given(t testing.TB, in *pb.DecisionInputs, zone pb.Zone, changes map[string]yaml.Node) {
	t.Helper()
	for path, node := range changes {
		m := in.ProtoReflect()
		if rest, ok := strings.CutPrefix(path, "zone."); ok {
			for _, z := range in.GetConsultation().GetHair().GetZones() {
				if z.GetZone() == zone {
					m, path = z.ProtoReflect(), rest
				}
			}
		}
		if rest, ok := strings.CutPrefix(path, "section."); ok {
			m, path = in.GetConsultation().GetHair().GetSections()[0].ProtoReflect(), rest
		}
		set(t, m, path, &node)
	}
}

func set(t testing.TB, m protoreflect.Message, path string, node *yaml.Node) {
	t.Helper()
	name, rest, deeper := strings.Cut(path, ".")
	f := m.Descriptor().Fields().ByName(protoreflect.Name(name))
	switch {
	case f == nil:
		t.Fatalf("there is no field %s in %s", name, m.Descriptor().Name())
	case deeper:
		set(t, m.Mutable(f).Message(), rest, node)
	case node.Tag == "!!null":
		m.Clear(f)
	case f.IsList():
		list := m.Mutable(f).List()
		list.Truncate(0)
		for _, element := range node.Content {
			list.Append(reading(t, f, list.NewElement(), element))
		}
	default:
		var empty protoreflect.Value
		if f.Message() != nil {
			empty = protoreflect.ValueOfMessage(m.NewField(f).Message())
		}
		m.Set(f, reading(t, f, empty, node))
	}
}

// reading is the value of a node for a field; empty is a new message of its kind.
func reading(t testing.TB, f protoreflect.FieldDescriptor, empty protoreflect.Value, node *yaml.Node) protoreflect.Value {
	t.Helper()
	switch f.Kind() {
	case protoreflect.EnumKind:
		prefix := strings.TrimSuffix(string(f.Enum().Values().Get(0).Name()), "UNSPECIFIED")
		value := f.Enum().Values().ByName(protoreflect.Name(prefix + node.Value))
		if value == nil {
			t.Fatalf("there is no %s%s", prefix, node.Value)
		}
		return protoreflect.ValueOfEnum(value.Number())
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(node.Value)
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(node.Value == "true")
	case protoreflect.DoubleKind:
		n, err := strconv.ParseFloat(node.Value, 64)
		check0(t, err)
		return protoreflect.ValueOfFloat64(n)
	case protoreflect.Int32Kind:
		n, err := strconv.ParseInt(node.Value, 10, 32)
		check0(t, err)
		return protoreflect.ValueOfInt32(int32(n))
	}
	if f.Message().FullName() == "google.protobuf.Timestamp" {
		return protoreflect.ValueOfMessage(timestamppb.New(today.Add(span(t, node.Value))).ProtoReflect())
	}
	if f.Message().FullName() == "google.type.Date" && node.Value != "" {
		return protoreflect.ValueOfMessage(dateAgo(-span(t, node.Value)).ProtoReflect())
	}
	for i := 0; i < len(node.Content); i += 2 {
		set(t, empty.Message(), node.Content[i].Value, node.Content[i+1])
	}
	return empty
}

// span reads "-24h" or "-7d".
func span(t testing.TB, text string) time.Duration {
	t.Helper()
	if days, ok := strings.CutSuffix(text, "d"); ok {
		n, err := strconv.Atoi(days)
		check0(t, err)
		return time.Duration(n) * day
	}
	d, err := time.ParseDuration(text)
	check0(t, err)
	return d
}

func check0(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
