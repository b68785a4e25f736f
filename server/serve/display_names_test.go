package serve

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"alkalog/service/actor"
)

// foreign is a name in the chain "flow".
const foreign = "chains/flow/products/x"

func actorOf(chain string) actor.Actor { return actor.Actor{Chain: chain} }

// plantNames calls try with a fresh request of the type root for every field in
// it, however deep, that can hold a resource name: with foreign in that field
// and nothing else set.
func plantNames(t *testing.T, root protoreflect.MessageDescriptor, path []protoreflect.FieldDescriptor, try func(protoreflect.Message, string)) {
	t.Helper()
	here := root
	if len(path) > 0 {
		here = path[len(path)-1].Message()
	}
	for i := range here.Fields().Len() {
		field := here.Fields().Get(i)
		switch {
		case field.IsMap():
			t.Errorf("%s: a map, which the search for names passes over", field.FullName())
		case checkedByService(field), setByServer(field), slices.Contains(path, field):
		case isName(field):
			request := newMessage(t, root)
			text := ""
			at := request
			for _, step := range path {
				at, text = enter(at, step), text+string(step.Name())+"."
			}
			plantName(at, field)
			try(request, text+string(field.Name()))
		case field.Message() != nil:
			plantNames(t, root, append(slices.Clone(path), field), try)
		}
	}
}

// newMessage makes an empty message of a linked type.
func newMessage(t *testing.T, d protoreflect.MessageDescriptor) protoreflect.Message {
	t.Helper()
	kind, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
	if err != nil {
		t.Fatal(err)
	}
	return kind.New()
}

// enter returns the message in a field, made for the purpose.
func enter(m protoreflect.Message, field protoreflect.FieldDescriptor) protoreflect.Message {
	if field.IsList() {
		return m.Mutable(field).List().AppendMutable().Message()
	}
	return m.Mutable(field).Message()
}

// plant puts the foreign name into a field.
func plantName(m protoreflect.Message, field protoreflect.FieldDescriptor) {
	name := protoreflect.ValueOfString(foreign)
	if field.IsList() {
		m.Mutable(field).List().Append(name)
		return
	}
	m.Set(field, name)
}
