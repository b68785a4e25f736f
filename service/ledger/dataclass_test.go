package ledger

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// canary marks what must not reach the audit log.
const canary = "CANARY"

// filled is a message with a value in every field, down to a depth: a canary in
// text that may not stand on the audit log, a resource name in all other text.
func filled[M proto.Message](m M) M {
	fill(m.ProtoReflect(), 6)
	return m
}

func fill(m protoreflect.Message, depth int) {
	for i := range m.Descriptor().Fields().Len() {
		field := m.Descriptor().Fields().Get(i)
		if field.Message() != nil && (depth == 0 || field.Message().ParentFile().Package() != "alkalog.v1") {
			continue
		}
		value := m.NewField(field)
		switch {
		case field.IsList():
			item := value.List().NewElement()
			if field.Message() != nil {
				fill(item.Message(), depth-1)
			} else {
				item = scalar(field)
			}
			value.List().Append(item)
		case field.Message() != nil:
			fill(value.Message(), depth-1)
		default:
			value = scalar(field)
		}
		m.Set(field, value)
	}
}

// scalar is a value for a field that holds no message.
func scalar(field protoreflect.FieldDescriptor) protoreflect.Value {
	text := "chains/ebb/clients/c/sessions/s"
	if !contract.Auditable(contract.DataClass(field)) {
		text = canary + " " + string(field.FullName())
	}
	switch field.Kind() {
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(text)
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes([]byte(text))
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(field.Enum().Values().Get(field.Enum().Values().Len() - 1).Number())
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(true)
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(3)
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(3)
	}
	return protoreflect.ValueOfFloat64(3)
}

// TestEntriesAreFilledFromAuditableFieldsOnly makes every kind of entry from
// records that are full of canaries.
func TestEntriesAreFilledFromAuditableFieldsOnly(t *testing.T) {
	decision, override, session := filled(&pb.Decision{}), filled(&pb.Override{}), filled(&pb.Session{})
	if !strings.Contains(fmt.Sprint(decision), canary+" alkalog.v1.Consultation.remarks") {
		t.Fatal("the decision holds no canary")
	}
	decision.Verdict, decision.Replaces = pb.Verdict_VERDICT_REFUSE, "" // one that replaces another has no entry of its own of changed answers
	accepted := proto.CloneOf(override)
	accepted.Denial = 0
	incident, product, policy := filled(&pb.Incident{}), filled(&pb.Product{}), filled(&pb.HousePolicy{})
	s := entryContext()
	entries := map[string]*pb.AuditEntry{
		"a refusal": s.Decided(decision)[0], "changed answers": s.AnswersChanged(decision)[0],
		"an override": s.Overridden(decision, accepted), "a denied override": s.Overridden(decision, override),
		"a countersignature": s.Countersigned(decision, filled(&pb.Countersignature{})),
		"a withdrawal":       s.Withdrawn(session, filled(&pb.Deviation{}), session), "an alarm": s.Alarmed(session, filled(&pb.Alarm{})),
		"a moved visit": s.VisitMoved(session, "m"), "a recall": s.Recalled(product, product, "L-7"), "a policy": s.Activated(policy, policy),
		"an incident": s.Incident(incident), "a changed incident": s.IncidentChanged(incident), "a follow-up": s.FollowedUp(incident, 3),
		"an overdue follow-up": s.FollowUpOverdue(incident, filled(&pb.FollowUp{})),
	}
	for number, name := range pb.DeviationKind_name {
		d := filled(&pb.Deviation{})
		d.Kind = pb.DeviationKind(number)
		entries[name] = s.Deviated(session, d, session)
	}
	for _, changed := range []proto.Message{product, filled(&pb.Practitioner{}), filled(&pb.Salon{}), policy, filled(&pb.Chain{})} {
		entries[fmt.Sprintf("a new %T", changed)] = s.Changed(nil, changed)
		entries[fmt.Sprintf("a changed %T", changed)] = s.Changed(changed.ProtoReflect().New().Interface(), changed)
	}
	for what, e := range entries {
		if text := fmt.Sprint(e); strings.Contains(text, canary) {
			t.Errorf("%s: %s", what, text)
		}
	}
}
