package rules

import (
	"slices"
	"strings"

	"cel.dev/cel-go/common/types"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Lists, such as the visits on the record card, are seen by rules as CEL sees messages.
// CEL reads an absent field as its zero value, which for an answer looks like "not
// asked" at best and like "no" at worst. So only fields are shown whose zero value says
// what it means.

// provider shows rules the messages that stand in lists, with their enums as
// words. It hides the answers given at earlier visits: an answer that nobody
// gave is zero there, and zero would look like "no".
type provider struct {
	*types.Registry
	words    enumTable
	messages map[string]protoreflect.MessageDescriptor
}

// listedMessages are the messages that rules see as elements of lists.
// What rules may read of each is in readable.
func listedMessages() []proto.Message {
	return []proto.Message{&pb.Ingredient{}, &pb.Lot{}, &pb.Visit{}, &pb.Deviation{}, &pb.SectionOutcome{}}
}

// newProvider makes the provider for the words of a language.
// An error is a fault of the program, because the messages are fixed.
func newProvider(v enumTable) (*provider, error) {
	registry, err := types.NewRegistry()
	if err != nil {
		return nil, err
	}
	p := &provider{registry, v, map[string]protoreflect.MessageDescriptor{}}
	for _, m := range listedMessages() {
		if err := registry.RegisterMessage(m); err != nil {
			return nil, err
		}
		d := m.ProtoReflect().Descriptor()
		p.messages[string(d.FullName())] = d
	}
	return p, nil
}

// What rules may read of a visit is what was done and what came of it. What was answered
// then is the consultation's of that day and says nothing about today.

// readable names the fields that rules may read of a message in a list.
func readable(message string) []string {
	switch message {
	case "alkalog.v1.Ingredient":
		return strings.Fields("substance mass_percent")
	case "alkalog.v1.Lot":
		return strings.Fields("lot_code expire_time recall_time")
	case "alkalog.v1.Visit":
		return strings.Fields("start_time service_kind strength completed deviations sections")
	case "alkalog.v1.Deviation":
		return strings.Fields("kind section_id")
	case "alkalog.v1.SectionOutcome":
		return strings.Fields("section_id straightening_percent condition breakage exposure_minutes")
	}
	return nil
}

// FindStructFieldNames implements types.Provider.
func (p *provider) FindStructFieldNames(message string) ([]string, bool) {
	names := readable(message)
	return names, names != nil
}

// FindStructFieldType implements types.Provider. Enums are shown as the words that
// expressions compare with, and a value that this program does not know as unspecified.
// The type check asks here, so an expression that names any other field does not
// compile.
func (p *provider) FindStructFieldType(message, name string) (*types.FieldType, bool) {
	if !slices.Contains(readable(message), name) {
		return nil, false
	}
	f, ok := p.Registry.FindStructFieldType(message, name)
	enum := p.messages[message].Fields().ByName(protoreflect.Name(name)).Enum()
	if !ok || enum == nil {
		return f, ok
	}
	words := p.words[enum.FullName()]
	number := f.GetFrom
	return &types.FieldType{Type: words[0].celType, IsSet: f.IsSet, GetFrom: func(message any) (any, error) {
		n, err := number(message)
		if err != nil {
			return nil, err
		}
		if i, ok := n.(int64); ok && i >= 0 && i < int64(len(words)) {
			return words[i], nil
		}
		return words[0], nil
	}}, true
}
