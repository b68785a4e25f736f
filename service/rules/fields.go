package rules

import (
	"math"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// A field is a path that rules can name, its type, and how it is read. There are three
// kinds:
//
//   - asked: an answer of the consultation. Absent is unknown, and a rule that depends on
//     it waits and asks.
//   - supplied: what the chain itself knows, such as the product. Absent is null or
//     UNSPECIFIED, and rules say what that means: often a condition to look it up.
//   - derived: worked out from several answers and records (derived.go). Unknown as long
//     as the answers it needs are missing, and then it names those.
//
// Whether a number is asked or supplied is not a detail: an unanswered number must never
// be read as zero.

// field is one input that a rule can name.
type field struct {
	path    string
	celType *cel.Type
	// asked fields are answers: one that was not given is unknown. The others are
	// known to the chain, and null or UNSPECIFIED when not stated.
	asked bool
	// derived fields are computed from answers and records; see derived.go.
	// evidence returns the answers that a derived field was computed from.
	// replaces is the answer that rules read through the derived field instead.
	derived  bool
	replaces string
	evidence func(*state) []*pb.SeenAnswer
	// follows is the question that must be answered first, because without its
	// answer this one has no meaning.
	follows string
	// get reads the field. It returns nil for an answer that was not given.
	get func(*state) ref.Val
	// absent is the value of the field when get returns nil.
	absent ref.Val
}

// allFields lists every field: first those of the case, then those of one zone,
// then those of one section. The order is part of what a decision says, because
// findings list their answers and decisions list their questions in this order.
// Append; never reorder, or stored decisions do not replay.
func allFields(v enumTable) []field {
	var all []field
	add := func(more ...field) { all = append(all, more...) }
	addGroups := func(groups []group) {
		for _, g := range groups {
			add(g.fields(v)...)
		}
	}
	intake, agreement, supplied := caseGroups()
	addGroups(intake)
	add(clearanceFields(v)...)
	addGroups(agreement)
	add(inputFields(v)...)
	addGroups(supplied)
	add(field{path: "decide_time", celType: cel.TimestampType, get: func(s *state) ref.Val { return moment(s.in.GetDecideTime()) }})
	add(recordFields()...)
	add(incidentFields(v)...)
	add(historyFields(v)...)
	add(testFields(v)...)
	add(ageFields()...)
	add(waitFields()...)
	add(zoneGroup().fields(v)...)
	add(zoneHistoryFields(v)...)
	add(treatedField())
	add(sectionGroup().fields(v)...)
	for i := range all {
		all[i].absent = types.NullValue
		// Each asked field has one unknown of its own, by which missingFields finds
		// the field again.
		if all[i].asked {
			all[i].absent = types.NewUnknown(int64(i), types.NewAttributeTrail(all[i].path))
		}
	}
	return all
}

// inputFields are those that DecisionInputs holds beside its messages. Which service is
// planned is asked like an answer: a rule that depends on it must not guess.
func inputFields(v enumTable) []field {
	text := func(path string, get func(*state) string) field {
		return field{path: path, celType: cel.StringType, asked: true, get: func(s *state) ref.Val { return answerText(get(s)) }}
	}
	kinds := v[pb.ServiceKind(0).Descriptor().FullName()]
	return []field{
		{path: "service_kind", celType: kinds[0].celType, asked: true, get: func(s *state) ref.Val {
			return answered(enumValueOf(kinds, s.in.GetServiceKind()))
		}},
		text("what_changed", func(s *state) string { return s.in.GetWhatChanged() }),
		// Rules see how many there are; what changed is in the inputs.
		{path: "answer_changes", celType: cel.IntType, get: func(s *state) ref.Val { return types.Int(len(s.in.GetAnswerChanges())) }},
		{path: "products.mixed_kinds", celType: cel.BoolType, get: func(s *state) ref.Val {
			return types.Bool(s.productsDiffer(func(p *pb.Product) any { return p.GetKind() }))
		}},
		{path: "products.mixed_alkalis", celType: cel.BoolType, get: func(s *state) ref.Val {
			return types.Bool(s.productsDiffer(func(p *pb.Product) any { return p.GetHydroxideKind() }))
		}},
		// The lot belongs to the product in hand, so it changes with useProduct.
		text("lot_code", func(s *state) string { return s.lotCode }),
	}
}

// recordFields are those of the record card, which holds too much about the client
// to be read as a whole.
// days_to_retouch counts calendar days of the salon and is negative once the day has
// passed.
func recordFields() []field {
	card := func(s *state) *pb.RecordCard { return s.in.GetRecordCard() }
	return []field{
		{path: "record_card.visits", celType: cel.ListType(cel.ObjectType("alkalog.v1.Visit")), get: func(s *state) ref.Val {
			return s.lang.adapter.NativeToValue(card(s).GetVisits())
		}},
		{path: "record_card.next_retouch_time", celType: cel.NullableType(cel.TimestampType), get: func(s *state) ref.Val {
			return moment(card(s).GetNextRetouchTime())
		}},
		{path: "record_card.days_to_retouch", celType: cel.NullableType(cel.IntType), get: func(s *state) ref.Val {
			if t, ok := moment(card(s).GetNextRetouchTime()).(types.Timestamp); ok {
				return types.Int(-s.daysAgo(t.Time))
			}
			return nil
		}},
	}
}

// eventFields are a past event: whether it happened; when last, which is the latest
// moment that fits the answer; and how many calendar days of the salon ago.
// The latest moment counts, because waits are counted from it: a date that is not
// exact must not shorten a wait.
func eventFields(v enumTable, path string, event func(*state) *pb.PastEvent) []field {
	happened := path + ".happened"
	words := v[pb.Answer(0).Descriptor().FullName()]
	return []field{
		{path: happened, celType: words[0].celType, asked: true, get: func(s *state) ref.Val {
			return answered(enumValueOf(words, event(s).GetHappened()))
		}},
		{path: path + ".last_time", celType: cel.TimestampType, asked: true, follows: happened, get: func(s *state) ref.Val {
			if at, ok := s.when(event(s)); ok {
				return types.Timestamp{Time: at.latest}
			}
			return nil
		}},
		derive(path+".days_ago", cel.IntType, func(s *state) ref.Val {
			if at, ok := s.when(event(s)); ok {
				return types.Int(s.daysAgo(at.latest))
			}
			return s.unknownOf(path + ".last_time")
		}, func(s *state) []*pb.SeenAnswer { return s.evidenceOfEvent(path, event(s)) }).following(happened),
	}
}

// following marks a field as a question that follows another.
func (f field) following(path string) field {
	f.follows = path
	return f
}

// answered is an enum value as an answer: nil when it is unspecified.
func answered(w *enumValue) ref.Val {
	if w.number == 0 {
		return nil
	}
	return w
}

// answerText is a text as an answer: nil when it is empty.
func answerText(text string) ref.Val {
	if text == "" {
		return nil
	}
	return types.String(text)
}

// finite is a measured number as an answer: nil when it is not finite.
// Comparisons with NaN are false, which would silence a rule about the number.
func finite(n float64) ref.Val {
	if math.IsNaN(n) || math.IsInf(n, 0) {
		return nil
	}
	return types.Double(n)
}

// momentOr is t, or otherwise when t was not given.
func momentOr(t, otherwise *timestamppb.Timestamp) ref.Val {
	if t == nil {
		return moment(otherwise)
	}
	return moment(t)
}

// moment is nil for a time that is absent or cannot be an answer. Times are limited
// to 1900-2149 because CEL subtracts them as durations, which hold 292 years.
func moment(t *timestamppb.Timestamp) ref.Val {
	if t == nil || t.CheckValid() != nil {
		return nil
	}
	if at := t.AsTime(); at.Year() >= 1900 && at.Year() < 2150 {
		return types.Timestamp{Time: at}
	}
	return nil
}

// messageOf is a message field as its Go type; nil when it is absent.
func messageOf[M any](m protoreflect.Message, f protoreflect.FieldDescriptor) *M {
	return any(m.Get(f).Message().Interface()).(*M)
}
