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

// checkScope checks that every resource name in a message is in the actor's
// chain, and not in a salon that the actor is excluded from. A name outside is
// answered NOT_FOUND, exactly as if it did not exist. A record whose name does
// not contain its salon is checked in package record. The error is a denial on
// the audit log and looks like NOT_FOUND to the caller.
func checkScope(who actor.Actor, m proto.Message) error {
	if name := firstOutOfScope(who, m.ProtoReflect()); name != "" {
		return fault.OutOfScope(name)
	}
	return nil
}

// firstOutOfScope returns a name in m, or in a message within it, that the actor
// may not see; empty if there is none. (protorange could walk the message, but
// skipping a field with it also skips the fields beside it.) Which name is found
// first does not matter: each of them refuses the request.
func firstOutOfScope(who actor.Actor, m protoreflect.Message) (found string) {
	m.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		if !checkedByService(field) && !setByServer(field) {
			found = outOfScopeInField(who, field, value)
		}
		return found == ""
	})
	return found
}

// outOfScopeInField is firstOutOfScope for one field.
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

// values returns the items of a list, or the only value. The contract has no
// names in maps (a test checks it), so maps have no values here.
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

// isName reports whether a field holds resource names. A resource reference in
// the contract's options makes a field a name; "name" and "parent" need none.
func isName(field protoreflect.FieldDescriptor) bool {
	return field.Kind() == protoreflect.StringKind &&
		(field.Name() == "name" || field.Name() == "parent" || proto.HasExtension(field.Options(), annotations.E_ResourceReference))
}

// setByServer reports whether only the server sets a field. A value from a caller
// is discarded and names nothing. Checking it would refuse a record that a till
// read and sends back.
func setByServer(field protoreflect.FieldDescriptor) bool {
	behaviours, _ := proto.GetExtension(field.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(behaviours, annotations.FieldBehavior_OUTPUT_ONLY)
}

// checkedByService reports whether the service validates the items of a list
// one by one, because one invalid fact must not reject the others.
func checkedByService(field protoreflect.FieldDescriptor) bool {
	if !field.IsList() || field.Message() == nil {
		return false
	}
	rules := proto.GetExtension(field.Options(), validate.E_Field).(*validate.FieldRules)
	return rules.GetRepeated().GetItems().GetIgnore() == validate.Ignore_IGNORE_ALWAYS
}
