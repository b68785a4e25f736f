package rules

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// enumValue is one value of an enum of the contract, as rules see it. A rule writes
// it Answer.YES or, as the contract does, Answer.ANSWER_YES. Each enum is a type
// of its own, so that a texture cannot be compared with a porosity.
type enumValue struct {
	celType   *types.Type
	number    int32
	shortName string // YES
	longName  string // ANSWER_YES
}

// text is the value in plain words, "not done" for NOT_DONE.
func (w *enumValue) text() string { return strings.ReplaceAll(strings.ToLower(w.shortName), "_", " ") }

// ConvertToNative implements ref.Val; nothing native stands for a word.
func (w *enumValue) ConvertToNative(t reflect.Type) (any, error) {
	return nil, fmt.Errorf("%s has no native form %v", w.celType.TypeName(), t)
}

// ConvertToType implements ref.Val.
func (w *enumValue) ConvertToType(t ref.Type) ref.Val {
	if t.TypeName() == w.celType.TypeName() {
		return w
	}
	return types.NewErr("%s does not become %s", w.celType.TypeName(), t.TypeName())
}

// Equal implements ref.Val. There is one word per value, so words are the same
// when they are the same pointer.
func (w *enumValue) Equal(other ref.Val) ref.Val {
	o, ok := other.(*enumValue)
	return types.Bool(ok && o == w)
}

// Type implements ref.Val.
func (w *enumValue) Type() ref.Type { return w.celType }

// Value implements ref.Val.
func (w *enumValue) Value() any { return w.number }

// enumTable holds the words of every enum that rules may speak of, by the
// enum's full name and then by number.
type enumTable map[protoreflect.FullName][]*enumValue

// newEnumTable learns the enums of every group of fields and of every message that
// rules see in a list; yes and no, and the kinds of incidents, are always there.
// A field that is added to a listed message brings its enum along, without a change
// here.
func newEnumTable() enumTable {
	v := enumTable{}
	v.add(pb.Answer(0).Descriptor())
	v.add(pb.IncidentKind(0).Descriptor())
	v.add(pb.ServiceKind(0).Descriptor())
	intake, agreement, supplied := caseGroups()
	for _, g := range slices.Concat(intake, agreement, supplied, []group{zoneGroup(), sectionGroup()}) {
		v.addFields(g.descriptor())
	}
	for _, m := range listedMessages() {
		v.addFields(m.ProtoReflect().Descriptor())
	}
	return v
}

// addFields learns the enums of a message's fields.
func (v enumTable) addFields(m protoreflect.MessageDescriptor) {
	for i := range m.Fields().Len() {
		if e := m.Fields().Get(i).Enum(); e != nil {
			v.add(e)
		}
	}
}

// add learns one enum. Short names leave out what all names of the enum begin with,
// which the name of the first value, ..._UNSPECIFIED, shows.
func (v enumTable) add(e protoreflect.EnumDescriptor) {
	kind := types.NewOpaqueType(string(e.FullName()))
	prefix := strings.TrimSuffix(string(e.Values().Get(0).Name()), "UNSPECIFIED")
	var words []*enumValue
	for i := range e.Values().Len() {
		value := e.Values().Get(i)
		long := string(value.Name())
		for len(words) <= int(value.Number()) {
			words = append(words, nil)
		}
		words[value.Number()] = &enumValue{kind, int32(value.Number()), strings.TrimPrefix(long, prefix), long}
	}
	for i, w := range words {
		if w == nil { // a number that the contract has given up
			words[i] = words[0]
		}
	}
	v[e.FullName()] = words
}

// celConstants declares every word under its short and its long name. The word
// "unspecified" is only ever equal to what the catalogue or the directory leaves
// unstated: an answer that was not given is unknown and equals nothing.
func (v enumTable) celConstants() []cel.EnvOption {
	var options []cel.EnvOption
	for name, words := range v {
		for _, w := range words {
			options = append(options, cel.Constant(string(name)+"."+w.shortName, w.celType, w), cel.Constant(string(name)+"."+w.longName, w.celType, w))
		}
	}
	return options
}

// sorted lists the enums by name.
// A map has no order, and the page of the rules must come out the same each time.
func (v enumTable) sorted() [][]*enumValue {
	var enums [][]*enumValue
	for _, name := range slices.Sorted(maps.Keys(v)) {
		enums = append(enums, v[name])
	}
	return enums
}

// enumValueOf is the value of a rule for a value of the contract. A number that this
// version does not know counts as unspecified.
// An answer that only a newer program knows is therefore not given, and a rule that
// reads it waits.
func enumValueOf[E protoreflect.Enum](words []*enumValue, e E) *enumValue {
	return enumValueAt(words, e.Number())
}

// enumValueAt is enumValueOf by number.
func enumValueAt(words []*enumValue, n protoreflect.EnumNumber) *enumValue {
	if n >= 0 && int(n) < len(words) {
		return words[n]
	}
	return words[0]
}

// answerType is the type of a yes-or-no answer.
func answerType(v enumTable) *cel.Type { return v[pb.Answer(0).Descriptor().FullName()][0].celType }

// answer is the word for an answer.
func (l *language) answer(a pb.Answer) *enumValue {
	return enumValueOf(l.enums[a.Descriptor().FullName()], a)
}
