package rules

import (
	"slices"
	"strings"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"cel.dev/cel-go/common/types/traits"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// The fields of most messages are listed by their descriptors and not by hand. What is
// written by hand is what differs from that rule: the order of released decisions,
// texts that rules may read, fields that follow another, and values that are not
// simply the field's.

// group is one message of the inputs. Its fields are derived from the message's
// descriptor, so that a field that is added to the contract can be read by rules
// without a change here: answers, numbers and times of the message, and past events
// last. Texts are different: a rule reads a text only if the group lists it, so that
// a new text field never shows rules personal data. Lists, other messages and fields
// that only the server sets (OUTPUT_ONLY) are left out.
type group struct {
	path    string
	message func(*state) protoreflect.Message
	asked   bool
	// first are the fields that come before the others, in this order: texts and
	// lists that rules read, and fields that released decisions list in another
	// order than the contract. See allFields.
	first string
	// zeroIfAbsent: a number that is not stated reads as 0 instead of null.
	zeroIfAbsent bool
	// stated are fields of an asked group that are not asked for.
	stated string
}

// caseGroups are the messages about the whole case: the intake, what was wished and
// agreed, and what the chain itself supplies.
// The order of the groups, and of the fields named in first, is part of released
// decisions; see allFields.
func caseGroups() (intake, agreement, supplied []group) {
	intake = []group{
		{path: "consultation.scalp", asked: true, first: "broken_skin sores infection_signs infestation_signs burns swelling",
			message: func(s *state) protoreflect.Message { return s.in.GetConsultation().GetScalp().ProtoReflect() }},
		{path: "consultation.hair", asked: true,
			message: func(s *state) protoreflect.Message { return s.in.GetConsultation().GetHair().ProtoReflect() }},
		{path: "consultation.tests", asked: true, first: "elasticity wet_stretch_percent incompatibility strand strand_product",
			message: func(s *state) protoreflect.Message { return s.in.GetConsultation().GetTests().ProtoReflect() }},
		{path: "consultation.history", asked: true,
			message: func(s *state) protoreflect.Message { return s.in.GetConsultation().GetHistory().ProtoReflect() }},
	}
	agreement = []group{
		{path: "consultation.wishes", asked: true,
			message: func(s *state) protoreflect.Message { return s.in.GetConsultation().GetWishes().ProtoReflect() }},
		{path: "consultation.consent", asked: true, first: "explained", stated: "confirmation",
			message: func(s *state) protoreflect.Message { return s.in.GetConsultation().GetConsent().ProtoReflect() }},
	}
	supplied = []group{
		{path: "product", first: "name kind hydroxide_kind strength use_tier ph_method declared_ph ingredients lots safety_data_sheet",
			message: func(s *state) protoreflect.Message { return s.product.ProtoReflect() }},
		{path: "product.directions", first: "maximum_minutes usual_minutes strand_test_minutes minimum_age_years base_needed " +
			"use_within_minutes neutralizer_minutes neutralizer normalizer neutralizing_shampoo",
			message: func(s *state) protoreflect.Message { return s.product.GetDirections().ProtoReflect() }},
		{path: "practitioner", first: "name role licence_number licence_expire_time salons",
			message: func(s *state) protoreflect.Message { return s.in.GetPractitioner().ProtoReflect() }},
		{path: "supervisor", first: "name role licence_number licence_expire_time",
			message: func(s *state) protoreflect.Message { return s.in.GetSupervisor().ProtoReflect() }},
		{path: "salon", first: "name jurisdiction",
			message: func(s *state) protoreflect.Message { return s.in.GetSalon().ProtoReflect() }},
		{path: "parameters", zeroIfAbsent: true,
			message: func(s *state) protoreflect.Message { return s.in.GetParameters().ProtoReflect() }},
	}
	return intake, agreement, supplied
}

// zoneGroup is the zone that is being evaluated.
// Which zone it is, is known and not asked.
func zoneGroup() group {
	return group{path: "zone", asked: true, first: "zone condition porosity metallic_dye plant_henna", stated: "zone",
		message: func(s *state) protoreflect.Message { return s.zone.ProtoReflect() }}
}

// sectionGroup is the section that is being evaluated.
// Its id is known, and its porosity may be left out without being asked for.
func sectionGroup() group {
	return group{path: "section", asked: true, first: "section_id resistant fragile hairline texture curl_type porosity", stated: "section_id porosity",
		message: func(s *state) protoreflect.Message { return s.section.ProtoReflect() }}
}

// follows names the question that comes before another.
// Without the first answer the second has no meaning. A house rule that names the
// second must name the first too, see missingPrecondition.
func follows(path string) string {
	switch path {
	case "consultation.tests.wet_stretch_percent", "consultation.tests.test_time":
		return "consultation.tests.elasticity"
	case "consultation.tests.incompatibility_time":
		return "consultation.tests.incompatibility"
	case "consultation.tests.strand_product", "consultation.tests.strand_minutes", "consultation.tests.strand_time":
		return "consultation.tests.strand"
	case "consultation.history.medical_clearance_time":
		return "consultation.history.medical_clearance"
	case "consultation.consent.agree_time":
		return "consultation.consent.agreed"
	case "consultation.consent.guardian_agreed":
		return "consultation.consent.age_years"
	case "zone.hydroxide_kind":
		return "zone.hydroxide.happened"
	}
	return ""
}

// An answer can have a default that is not a guess: the scalp was seen when the
// consultation was last changed, unless it says otherwise; a section has the texture of
// the head, unless it is described by itself.

// special is how a field is read whose value is not simply the message's; nil for
// all others.
func special(path string) func(*state) ref.Val {
	orOfHead := func(own func(*state) ref.Val, head string) func(*state) ref.Val {
		return func(s *state) ref.Val {
			if v := own(s); v != nil {
				return v
			}
			return s.value(s.lang.index[head])
		}
	}
	switch path {
	case "consultation.scalp.seen_time":
		return func(s *state) ref.Val {
			return momentOr(s.in.GetConsultation().GetScalp().GetSeenTime(), s.in.GetConsultation().GetUpdateTime())
		}
	case "consultation.tests.strand_time":
		return func(s *state) ref.Val {
			tests := s.in.GetConsultation().GetTests()
			// test_time is that of all tests.
			return momentOr(tests.GetStrandTime(), tests.GetTestTime())
		}
	// The list remembers its messages, which the functions of the law add up.
	case "product.ingredients":
		return func(s *state) ref.Val {
			messages := s.product.GetIngredients()
			return &ingredients{s.lang.adapter.NativeToValue(messages).(traits.Lister), messages}
		}
	case "salon.jurisdiction":
		return func(s *state) ref.Val {
			j := Jurisdiction(s.in.GetSalon())
			return enumValueOf(s.lang.enums[j.Descriptor().FullName()], j)
		}
	case "section.texture":
		return orOfHead(func(s *state) ref.Val {
			t := s.section.GetTexture()
			return answered(enumValueOf(s.lang.enums[t.Descriptor().FullName()], t))
		}, "consultation.hair.texture")
	case "section.curl_type":
		return orOfHead(func(s *state) ref.Val {
			c := s.section.GetCurlType()
			return answered(enumValueOf(s.lang.enums[c.Descriptor().FullName()], c))
		}, "consultation.hair.curl_type")
	}
	return nil
}

// descriptor is that of the group's message, which may be nil.
// It is taken from an empty case, because a nil message has its descriptor too.
func (g group) descriptor() protoreflect.MessageDescriptor {
	return g.message(&state{in: &pb.DecisionInputs{}}).Descriptor()
}

// fields lists the fields of the group: those named in first, then the others in
// the contract's order, then past events.
func (g group) fields(v enumTable) []field {
	var simple, events []field
	add := func(f protoreflect.FieldDescriptor, listed bool) {
		path := g.path + "." + string(f.Name())
		switch {
		case f.Message() != nil && f.Message().FullName() == "alkalog.v1.PastEvent":
			events = append(events, eventFields(v, path, func(s *state) *pb.PastEvent { return messageOf[pb.PastEvent](g.message(s), f) })...)
		case listed || g.automatic(f):
			simple = append(simple, g.field(v, path, f))
		}
	}
	all, first := g.descriptor().Fields(), strings.Fields(g.first)
	for _, name := range first {
		add(all.ByName(protoreflect.Name(name)), true)
	}
	for i := range all.Len() {
		if f := all.Get(i); !slices.Contains(first, string(f.Name())) {
			add(f, false)
		}
	}
	return append(simple, events...)
}

// A field that is added to a message is a field of rules at once, unless it could hold
// what no rule may see. Texts could, so they are opted in; lists need a decision on how
// their elements are shown (provider.go); what only the server sets is no answer.

// automatic tells whether rules can read a field that the group does not list.
func (g group) automatic(f protoreflect.FieldDescriptor) bool {
	behaviour, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	switch {
	case f.IsList() || slices.Contains(behaviour, annotations.FieldBehavior_OUTPUT_ONLY):
		return false
	case f.Message() != nil:
		return f.Message().FullName() == "google.protobuf.Timestamp"
	}
	return f.Kind() != protoreflect.StringKind && f.Kind() != protoreflect.BytesKind
}

// field is one field of the message, with the CEL type of its kind.
// A supplied field that can be absent is null then, and its type says so. An asked
// one is unknown instead, and parameters are all filled in.
func (g group) field(v enumTable, path string, f protoreflect.FieldDescriptor) field {
	asked := g.asked && !slices.Contains(strings.Fields(g.stated), string(f.Name()))
	celType, read := g.reader(v, f, asked)
	if f.HasPresence() && !asked && !g.zeroIfAbsent {
		celType = cel.NullableType(celType)
	}
	get := special(path)
	if get == nil {
		get = func(s *state) ref.Val { return read(s, g.message(s)) }
	}
	return field{path: path, celType: celType, asked: asked, follows: follows(path), get: get}
}

// reader makes the difference between an answer and a supplied value: for an answer the
// zero value is nil, which becomes an unknown; for a supplied enum it is the word
// UNSPECIFIED, which rules compare with; for a supplied number it is null, but for
// parameters, which are all filled in.
//
// reader is the CEL type of a field and how it is read.
func (g group) reader(v enumTable, f protoreflect.FieldDescriptor, asked bool) (*cel.Type, func(*state, protoreflect.Message) ref.Val) {
	list := func(s *state, m protoreflect.Message) ref.Val { return s.lang.adapter.NativeToValue(m.Get(f).List()) }
	switch {
	case f.IsList() && f.Message() != nil:
		return cel.ListType(cel.ObjectType(string(f.Message().FullName()))), list
	case f.IsList():
		return cel.ListType(cel.StringType), list
	case f.Enum() != nil:
		words := v[f.Enum().FullName()]
		return words[0].celType, func(_ *state, m protoreflect.Message) ref.Val {
			if w := enumValueAt(words, m.Get(f).Enum()); !asked || w.number != 0 {
				return w
			}
			return nil
		}
	case f.Message() != nil:
		return cel.TimestampType, func(_ *state, m protoreflect.Message) ref.Val {
			return moment(messageOf[timestamppb.Timestamp](m, f))
		}
	case f.Kind() == protoreflect.StringKind:
		return cel.StringType, func(_ *state, m protoreflect.Message) ref.Val {
			if text := m.Get(f).String(); !asked || text != "" {
				return types.String(text)
			}
			return nil
		}
	}
	number := func(read func(protoreflect.Value) ref.Val) func(*state, protoreflect.Message) ref.Val {
		return func(_ *state, m protoreflect.Message) ref.Val {
			if m.Has(f) || g.zeroIfAbsent {
				return read(m.Get(f))
			}
			return nil
		}
	}
	if f.Kind() == protoreflect.Int32Kind {
		return cel.IntType, number(func(n protoreflect.Value) ref.Val { return types.Int(n.Int()) })
	}
	return cel.DoubleType, number(func(n protoreflect.Value) ref.Val { return finite(n.Float()) })
}
