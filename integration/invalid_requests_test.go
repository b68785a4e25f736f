package integration

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// invalidCase is a message with one thing wrong in it.
type invalidCase struct {
	field string // what is wrong, by its path
	how   string
	req   proto.Message
}

// invalidCases breaks every field of a message, and of the messages within it, in
// every way that the contract's rules for it know. A field that the message has
// not set is broken too. Text must always be free of control characters, and an
// enum's value must be known, whether the contract has a rule for it or not.
func invalidCases(m proto.Message) []invalidCase {
	return walk(&caseBuilder{whole: m, scalars: invalidValues, shapes: true, times: map[string]*timestamppb.Timestamp{
		"beyond the year 9999": {Seconds: 1 << 40}, "before the year 1": {Seconds: -1 << 40},
		"with a negative fraction": {Nanos: -1}, "with a fraction of a second or more": {Nanos: 1e9},
	}})
}

// extremeCases sets every field of a message, and of the messages within it, to the
// largest and the least that the contract allows.
func extremeCases(m proto.Message) []invalidCase {
	return walk(&caseBuilder{whole: m, scalars: extremeValues, times: map[string]*timestamppb.Timestamp{
		"the end of the year 9999": {Seconds: 253402300799, Nanos: 999999999}, "the beginning of the year 1": {Seconds: -62135596800},
		"the year 1970": {}, "far ahead": {Seconds: 4102444800},
	}})
}

// walk breaks the whole message.
func walk(b *caseBuilder) []invalidCase {
	b.message(spot{reach: func(root protoreflect.Message) protoreflect.Message { return root }}, b.whole.ProtoReflect().Descriptor())
	return b.found
}

// caseBuilder collects breakages of a message.
type caseBuilder struct {
	whole   proto.Message
	found   []invalidCase
	scalars func(protoreflect.FieldDescriptor, *validate.FieldRules) []invalidValue // values to set
	times   map[string]*timestamppb.Timestamp
	shapes  bool // also leave out what is needed, and make lists too long
}

// spot is a message within the whole.
type spot struct {
	prefix string
	reach  func(root protoreflect.Message) protoreflect.Message // makes what is not there
}

// add appends one invalid case: do is applied to the part at its place in a copy of the
// whole message.
func (b *caseBuilder) add(at spot, field, how string, do func(protoreflect.Message)) {
	broken := proto.Clone(b.whole)
	do(at.reach(broken.ProtoReflect()))
	b.found = append(b.found, invalidCase{at.prefix + field, how, broken})
}

// message breaks every field that a caller may set.
func (b *caseBuilder) message(at spot, d protoreflect.MessageDescriptor) {
	for i := range d.Oneofs().Len() {
		oneof := d.Oneofs().Get(i)
		rules := proto.GetExtension(oneof.Options(), validate.E_Oneof).(*validate.OneofRules)
		if rules.GetRequired() && b.shapes {
			b.add(at, string(oneof.Name()), "left out", func(m protoreflect.Message) {
				for j := range oneof.Fields().Len() {
					m.Clear(oneof.Fields().Get(j))
				}
			})
		}
	}
	for i := range d.Fields().Len() {
		if f := d.Fields().Get(i); !serverSet(f) && !b.unnamed(f) {
			b.field(at, f)
		}
	}
}

// unnamed reports whether a field of an update never changes and is not named by its mask:
// what is in it does not count then, and naming it is refused (TestMasksChangeWhatTheyName).
func (b *caseBuilder) unnamed(f protoreflect.FieldDescriptor) bool {
	update, ok := b.whole.(interface{ GetUpdateMask() *fieldmaskpb.FieldMask })
	return ok && immutable(f) && !slices.Contains(update.GetUpdateMask().GetPaths(), string(f.Name()))
}

// serverSet reports whether only the server may set a field.
func serverSet(f protoreflect.FieldDescriptor) bool {
	behaviour, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(behaviour, annotations.FieldBehavior_OUTPUT_ONLY)
}

// immutable reports whether a field stays as it was when the record was created.
func immutable(f protoreflect.FieldDescriptor) bool {
	behaviour, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(behaviour, annotations.FieldBehavior_IMMUTABLE)
}

// field breaks one field, and what is within it.
func (b *caseBuilder) field(at spot, f protoreflect.FieldDescriptor) {
	rules := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
	name := string(f.Name())
	if rules.GetRequired() && b.shapes {
		b.add(at, name, "left out", func(m protoreflect.Message) { m.Clear(f) })
	}
	if f.IsList() {
		b.list(at, f, rules)
		return
	}
	set := func(how string, v protoreflect.Value) {
		b.add(at, name, how, func(m protoreflect.Message) { m.Set(f, v) })
	}
	if f.Message() != nil {
		b.child(spot{at.prefix + name, func(root protoreflect.Message) protoreflect.Message {
			return at.reach(root).Mutable(f).Message()
		}}, f)
		return
	}
	for _, bad := range b.scalars(f, rules) {
		set(bad.how, bad.value)
	}
}

// child breaks a message within the message.
func (b *caseBuilder) child(at spot, f protoreflect.FieldDescriptor) {
	switch blank(f.Message()).(type) {
	case *timestamppb.Timestamp:
		for how, time := range b.times {
			b.add(at, "", how, func(m protoreflect.Message) {
				proto.Reset(m.Interface())
				proto.Merge(m.Interface(), time)
			})
		}
	case *fieldmaskpb.FieldMask:
		if !b.shapes {
			return
		}
		for _, path := range []string{"no_such_field", "etag", "name", "*", "display_name.x", "", "\x00"} {
			b.add(at, ".paths[0]", fmt.Sprintf("%q", path), func(m protoreflect.Message) {
				m.Interface().(*fieldmaskpb.FieldMask).Paths = []string{path}
			})
		}
		b.add(at, "", "empty", func(m protoreflect.Message) { proto.Reset(m.Interface()) })
	default:
		b.message(spot{at.prefix + ".", at.reach}, f.Message())
	}
}

// list breaks a list as a whole, and its first item.
func (b *caseBuilder) list(at spot, f protoreflect.FieldDescriptor, rules *validate.FieldRules) {
	name := string(f.Name())
	first := func(m protoreflect.Message) protoreflect.List {
		list := m.Mutable(f).List()
		if list.Len() == 0 {
			list.Append(list.NewElement())
		}
		return list
	}
	of := rules.GetRepeated()
	if of.GetMinItems() > 0 && b.shapes {
		b.add(at, name, "empty", func(m protoreflect.Message) { m.Clear(f) })
	}
	if most := of.GetMaxItems(); most > 0 && b.shapes {
		b.add(at, name, "too long", func(m protoreflect.Message) {
			for list := first(m); list.Len() <= int(most); {
				list.Append(list.Get(0))
			}
		})
	}
	if len(rules.GetCel()) > 0 && b.shapes { // the contract's own rules of lists are about doubles
		b.add(at, name, "with a double", func(m protoreflect.Message) { first(m).Append(first(m).Get(0)) })
	}
	switch {
	case of.GetItems().GetIgnore() == validate.Ignore_IGNORE_ALWAYS:
		return // each is answered for itself
	case f.Message() != nil:
		b.message(spot{at.prefix + name + "[0].", func(root protoreflect.Message) protoreflect.Message {
			return first(at.reach(root)).Get(0).Message()
		}}, f.Message())
		return
	}
	for _, bad := range b.scalars(f, of.GetItems()) {
		b.add(at, name+"[0]", bad.how, func(m protoreflect.Message) { first(m).Set(0, bad.value) })
	}
}

// invalidValue is a value that a field must not have.
type invalidValue struct {
	how   string
	value protoreflect.Value
}

// invalidValues are some for a scalar field.
func invalidValues(f protoreflect.FieldDescriptor, rules *validate.FieldRules) []invalidValue {
	switch f.Kind() {
	case protoreflect.StringKind:
		return invalidText(f, rules.GetString())
	case protoreflect.EnumKind:
		values := []invalidValue{{"an unknown value", protoreflect.ValueOfEnum(9999)}, {"a negative value", protoreflect.ValueOfEnum(-1)}}
		of := rules.GetEnum()
		if slices.Contains(of.GetNotIn(), 0) || len(of.GetIn()) > 0 && !slices.Contains(of.GetIn(), 0) {
			values = append(values, invalidValue{"not stated", protoreflect.ValueOfEnum(0)})
		}
		return values
	case protoreflect.Int32Kind:
		return invalidNumbers(rules.GetInt32(), protoreflect.ValueOfInt32)
	case protoreflect.Int64Kind:
		return invalidNumbers(rules.GetInt64(), protoreflect.ValueOfInt64)
	case protoreflect.DoubleKind:
		return append(invalidNumbers(rules.GetDouble(), protoreflect.ValueOfFloat64), invalidValue{"no number", protoreflect.ValueOfFloat64(math.NaN())},
			invalidValue{"infinite", protoreflect.ValueOfFloat64(math.Inf(1))}, invalidValue{"infinitely little", protoreflect.ValueOfFloat64(math.Inf(-1))})
	}
	return nil
}

// extremeValues are the largest and the least for a scalar field that has bounds,
// and the longest for text.
func extremeValues(f protoreflect.FieldDescriptor, rules *validate.FieldRules) (values []invalidValue) {
	switch f.Kind() {
	case protoreflect.StringKind:
		if most := int(rules.GetString().GetMaxLen()); most > 0 && f.Name() != "etag" {
			values = append(values, invalidValue{"as long as can be", protoreflect.ValueOfString(strings.Repeat("\u6f22", most))})
		}
	case protoreflect.EnumKind:
		last := f.Enum().Values().Get(f.Enum().Values().Len() - 1).Number()
		values = append(values, invalidValue{"the last", protoreflect.ValueOfEnum(last)}, invalidValue{"none", protoreflect.ValueOfEnum(0)})
	case protoreflect.Int32Kind:
		values = append(values, invalidValue{"the most", protoreflect.ValueOfInt32(rules.GetInt32().GetLte())}, invalidValue{"the least", protoreflect.ValueOfInt32(rules.GetInt32().GetGte())})
	case protoreflect.DoubleKind:
		values = append(values, invalidValue{"the most", protoreflect.ValueOfFloat64(rules.GetDouble().GetLte())}, invalidValue{"the least", protoreflect.ValueOfFloat64(rules.GetDouble().GetGte())})
	case protoreflect.BoolKind:
		values = append(values, invalidValue{"true", protoreflect.ValueOfBool(true)})
	}
	return values
}

// bounds are the rules of numbers of one type; a bound that is not set is zero.
type bounds[N int32 | int64 | float64] interface {
	GetGte() N
	GetGt() N
	GetLte() N
	HasGte() bool
	HasGt() bool
	HasLte() bool
}

// invalidNumbers are just outside the bounds.
func invalidNumbers[N int32 | int64 | float64](of bounds[N], value func(N) protoreflect.Value) []invalidValue {
	var values []invalidValue
	if of.HasGte() {
		values = append(values, invalidValue{"too small", value(of.GetGte() - 1)})
	}
	if of.HasGt() {
		values = append(values, invalidValue{"at its open bound", value(of.GetGt())})
	}
	if of.HasLte() {
		values = append(values, invalidValue{"too large", value(of.GetLte() + 1)})
	}
	return values
}

// invalidText breaks every rule that a text has.
func invalidText(f protoreflect.FieldDescriptor, of *validate.StringRules) []invalidValue {
	var values []invalidValue
	add := func(how, text string) { values = append(values, invalidValue{how, protoreflect.ValueOfString(text)}) }
	if f.Name() != "etag" { // an etag is compared and never stored
		for how, text := range map[string]string{
			"with a zero byte": "a\x00b", "with an escape": "a\x1b[31mb", "with a mark that turns text": "a\u202eb", "with a delete": "a\x7fb",
		} {
			add(how, text)
		}
	}
	if most := int(of.GetMaxLen()); most > 0 {
		add("too long", strings.Repeat("x", most+1))
		add("too long in a wide script", strings.Repeat("\u00e9", most+1))
	}
	if of.GetMinLen() > 0 {
		add("too short", strings.Repeat("x", int(of.GetMinLen())-1))
	}
	if of.GetUuid() {
		add("no UUID", "42")
		add("left out", "")
	}
	if of.HasPattern() {
		for _, text := range []string{"", "Not a name!", "chains", "chains/", "chains//salons/x", "../../x", "chains/ebb-and-flow/salons/UPPER",
			"chains/ebb-and-flow/", strings.Repeat("a", 70), "-a", "a/b", "a b", "chains/ebb-and-flow/nothings/x"} {
			if !regexp.MustCompile(of.GetPattern()).MatchString(text) {
				add(fmt.Sprintf("%q", text), text)
			}
		}
	}
	return values
}
