package serve

import (
	"slices"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"alkalog/service/actor"
	"alkalog/service/fault"
)

// inScope checks that every resource name in a message lies in the actor's
// chain, and below none of its salons that the actor has no part in. What lies
// elsewhere is not found, exactly as if it did not exist; what stands in another
// salon without its name saying so is found out in package record.
func checkScope(who actor.Actor, m proto.Message) error {
	if name := firstOutOfScope(who, m.ProtoReflect()); name != "" {
		return fault.OutOfScope(name)
	}
	return nil
}

// outside returns a name in m, or in a message within it, that the actor may
// not see; empty when there is none. (protorange would do the walking, but its
// way of skipping a field skips the fields beside it too.)
func firstOutOfScope(who actor.Actor, m protoreflect.Message) (found string) {
	m.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		if !checkedByService(field) && !setByServer(field) {
			found = outOfScopeInField(who, field, value)
		}
		return found == ""
	})
	return found
}

// outsideIn is outside for one field.
func outOfScopeInField(who actor.Actor, field protoreflect.FieldDescriptor, value protoreflect.Value) string {
	for _, v := range values(field, value) {
		switch {
		case isName(field) && v.String() != "" && !who.May(v.String()):
			return v.String()
		case field.Message() != nil:
			if found := firstOutOfScope(who, v.Message()); found != "" {
				return found
			}
		}
	}
	return ""
}

// each returns a field's values: its items, or the only one. Maps hold no names
// in the contract (a test watches it), and have none here.
func values(field protoreflect.FieldDescriptor, value protoreflect.Value) []protoreflect.Value {
	switch {
	case field.IsMap():
		return nil
	case !field.IsList():
		return []protoreflect.Value{value}
	}
	var all []protoreflect.Value
	for i := range value.List().Len() {
		all = append(all, value.List().Get(i))
	}
	return all
}

// isName reports whether a field holds resource names.
func isName(field protoreflect.FieldDescriptor) bool {
	return field.Kind() == protoreflect.StringKind &&
		(field.Name() == "name" || field.Name() == "parent" || proto.HasExtension(field.Options(), annotations.E_ResourceReference))
}

// setByServer reports whether only the server sets a field: what a caller puts
// there is dropped, and names nothing.
func setByServer(field protoreflect.FieldDescriptor) bool {
	behaviours, _ := proto.GetExtension(field.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(behaviours, annotations.FieldBehavior_OUTPUT_ONLY)
}

// checkedAlone reports whether the contract leaves a field's items to the
// service, which checks them one by one: one bad fact must not cost the others.
func checkedByService(field protoreflect.FieldDescriptor) bool {
	if !field.IsList() || field.Message() == nil {
		return false
	}
	rules := proto.GetExtension(field.Options(), validate.E_Field).(*validate.FieldRules)
	return rules.GetRepeated().GetItems().GetIgnore() == validate.Ignore_IGNORE_ALWAYS
}
