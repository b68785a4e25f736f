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

// word is one value of an enum of the contract, as rules see it. A rule writes
// it Answer.YES or, as the contract does, Answer.ANSWER_YES. Each enum is a type
// of its own, so that a texture cannot be compared with a porosity.
type word struct {
	kind   *types.Type
	number int32
	short  string // YES
	long   string // ANSWER_YES
}

// plain is the value in plain words, "not done" for NOT_DONE.
func (w *word) plain() string { return strings.ReplaceAll(strings.ToLower(w.short), "_", " ") }

// ConvertToNative implements ref.Val; nothing native stands for a word.
func (w *word) ConvertToNative(t reflect.Type) (any, error) {
	return nil, fmt.Errorf("%s has no native form %v", w.kind.TypeName(), t)
}

// ConvertToType implements ref.Val.
func (w *word) ConvertToType(t ref.Type) ref.Val {
	if t.TypeName() == w.kind.TypeName() {
		return w
	}
	return types.NewErr("%s does not become %s", w.kind.TypeName(), t.TypeName())
}

// Equal implements ref.Val. There is one word per value, so words are the same
// when they are the same pointer.
func (w *word) Equal(other ref.Val) ref.Val {
	o, ok := other.(*word)
	return types.Bool(ok && o == w)
}

// Type implements ref.Val.
func (w *word) Type() ref.Type { return w.kind }

// Value implements ref.Val.
func (w *word) Value() any { return w.number }

// vocabulary holds the words of every enum that rules may speak of, by the
// enum's full name and then by number.
type vocabulary map[protoreflect.FullName][]*word

func newVocabulary() vocabulary {
	v := vocabulary{}
	for _, e := range []protoreflect.Enum{
		pb.Answer(0), pb.Texture(0), pb.CurlType(0), pb.Density(0), pb.Porosity(0), pb.HairCondition(0), pb.Strength(0),
		pb.HydroxideKind(0), pb.Zone(0), pb.ServiceKind(0), pb.Jurisdiction(0), pb.ElasticityReading(0),
		pb.IncompatibilityReading(0), pb.StrandReading(0), pb.ProductKind(0), pb.UseTier(0), pb.PhMethod(0),
		pb.Substance(0), pb.Role(0), pb.DeviationKind(0), pb.IncidentKind(0),
	} {
		v.learn(e.Descriptor())
	}
	return v
}

func (v vocabulary) learn(e protoreflect.EnumDescriptor) {
	kind := types.NewOpaqueType(string(e.FullName()))
	prefix := strings.TrimSuffix(string(e.Values().Get(0).Name()), "UNSPECIFIED")
	var words []*word
	for i := range e.Values().Len() {
		value := e.Values().Get(i)
		long := string(value.Name())
		for len(words) <= int(value.Number()) {
			words = append(words, nil)
		}
		words[value.Number()] = &word{kind, int32(value.Number()), strings.TrimPrefix(long, prefix), long}
	}
	for i, w := range words {
		if w == nil { // a number that the contract has given up
			words[i] = words[0]
		}
	}
	v[e.FullName()] = words
}

// constants declares every word under its short and its long name. The word
// "unspecified" is only ever equal to what the catalogue or the directory leaves
// unstated: an answer that was not given is unknown and equals nothing.
func (v vocabulary) constants() []cel.EnvOption {
	var options []cel.EnvOption
	for name, words := range v {
		for _, w := range words {
			options = append(options, cel.Constant(string(name)+"."+w.short, w.kind, w), cel.Constant(string(name)+"."+w.long, w.kind, w))
		}
	}
	return options
}

// sorted lists the enums by name.
func (v vocabulary) sorted() [][]*word {
	var enums [][]*word
	for _, name := range slices.Sorted(maps.Keys(v)) {
		enums = append(enums, v[name])
	}
	return enums
}

// of is the word for a value of the contract; a number that this version does
// not know counts as unspecified.
func of[E protoreflect.Enum](words []*word, e E) *word {
	if n := int(e.Number()); n >= 0 && n < len(words) {
		return words[n]
	}
	return words[0]
}

// answerKind is the type of a yes-or-no answer.
func answerKind(v vocabulary) *cel.Type { return v[pb.Answer(0).Descriptor().FullName()][0].kind }

// answer is the word for an answer.
func (b *book) answer(a pb.Answer) *word { return of(b.words[a.Descriptor().FullName()], a) }
