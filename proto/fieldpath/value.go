package fieldpath

import (
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Get returns the value at the path; ok is false when it is not answered. A field
// without presence that holds its zero value is not answered, as everywhere in the
// contract.
func (p Path) Get(in *pb.DecisionInputs) (value protoreflect.Value, ok bool) {
	m := in.ProtoReflect()
	for i, s := range p.steps {
		if !m.Has(s.field) {
			return protoreflect.Value{}, false
		}
		value = m.Get(s.field)
		if s.key != "" {
			at := find(value.List(), s)
			if at < 0 {
				return protoreflect.Value{}, false
			}
			value = value.List().Get(at)
		}
		if i < len(p.steps)-1 {
			m = value.Message()
		}
	}
	return value, true
}

// Set puts a value at the path. It makes the messages and elements on the way and
// leaves everything beside them as it is. For a path that names an element the value is
// ignored: the element is there afterwards. The value must be of the field's kind.
func (p Path) Set(in *pb.DecisionInputs, value protoreflect.Value) {
	m := in.ProtoReflect()
	for i, s := range p.steps {
		switch last := i == len(p.steps)-1; {
		case s.key != "":
			m = element(m.Mutable(s.field).List(), s)
		case last:
			m.Set(s.field, value)
		default:
			m = m.Mutable(s.field).Message()
		}
	}
}

// Clear takes the answer at the path away, and the element if the path names one.
// Messages that hold nothing afterwards are taken away too, so that what was answered and
// taken back equals what was never answered; elements of lists stay.
func (p Path) Clear(in *pb.DecisionInputs) { clearStep(in.ProtoReflect(), p.steps) }

// clearStep clears what the steps name inside a message. It looks before it enters, because
// a message that is asked for as mutable is there afterwards.
func clearStep(m protoreflect.Message, steps []step) {
	s := steps[0]
	if !m.Has(s.field) {
		return
	}
	switch last := len(steps) == 1; {
	case s.key != "":
		list := m.Mutable(s.field).List()
		at := find(list, s)
		if at >= 0 && !last {
			clearStep(list.Get(at).Message(), steps[1:])
		}
		if at >= 0 && last {
			remove(list, at)
		}
	case last:
		m.Clear(s.field)
	default:
		inner := m.Mutable(s.field).Message()
		clearStep(inner, steps[1:])
		if isEmpty(inner) {
			m.Clear(s.field)
		}
	}
}

// Answered lists the paths of all answers, each leaf by itself, in the contract's order, so
// that lists made from it are the same each time.
// The sections of a head are answers too: that there is one, apart from what is said of
// it.
func Answered(in *pb.DecisionInputs) []Path {
	var paths []Path
	collect(in.ProtoReflect(), nil, "", &paths)
	return paths
}

// collect visits the answers in a message. steps and text are the path of that message.
// Elements whose key cannot be written are left out, since nothing could name them: a zone
// that was added to the contract later, or a section id from before its pattern.
func collect(m protoreflect.Message, steps []step, text string, paths *[]Path) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if !m.Has(f) || !nameable(f, len(steps)) {
			continue
		}
		at := join(text, string(f.Name()))
		k := keyOf(f)
		switch {
		case k != nil:
			for j := range m.Get(f).List().Len() {
				e := m.Get(f).List().Get(j).Message()
				s := step{f, keyText(e, k)}
				if s.key == "" {
					continue // a zone that this version does not know, or none
				}
				path := Path{text: at + "[" + s.key + "]", steps: extend(steps, s)}
				if k.Enum() == nil && path.isAnswer() {
					*paths = append(*paths, path)
				}
				collect(e, path.steps, path.text, paths)
			}
		case f.Message() != nil && !f.IsList() && !isLeafMessage(f.Message()):
			collect(m.Get(f).Message(), extend(steps, step{field: f}), at, paths)
		default:
			*paths = append(*paths, Path{text: at, steps: extend(steps, step{field: f})})
		}
	}
}

// join adds a name to the text of a path.
func join(text, name string) string {
	if text == "" {
		return name
	}
	return text + "." + name
}

// extend copies: paths must not share the room behind their steps. Two paths that are made
// from one beginning would otherwise overwrite each other's last step.
func extend(steps []step, s step) []step { return append(steps[:len(steps):len(steps)], s) }

// find is the place of an element in a list; -1 when it is not there. Of two elements with
// one key, which the contract does not allow, the first counts, as it does for rules.
func find(list protoreflect.List, s step) int {
	k := keyOf(s.field)
	for i := range list.Len() {
		if keyText(list.Get(i).Message(), k) == s.key {
			return i
		}
	}
	return -1
}

// element finds an element of a list or adds it at the end, with its key.
func element(list protoreflect.List, s step) protoreflect.Message {
	if at := find(list, s); at >= 0 {
		return list.Get(at).Message()
	}
	m := list.AppendMutable().Message()
	k := keyOf(s.field)
	if k.Enum() == nil {
		m.Set(k, protoreflect.ValueOfString(s.key))
		return m
	}
	for i := range k.Enum().Values().Len() {
		if v := k.Enum().Values().Get(i); v.Number() != 0 && enumKey(v) == s.key {
			m.Set(k, protoreflect.ValueOfEnum(v.Number()))
		}
	}
	return m
}

// keyText is the key of an element; empty when it has none that can be written.
func keyText(m protoreflect.Message, k protoreflect.FieldDescriptor) string {
	if k.Enum() == nil {
		if id := m.Get(k).String(); sectionID.MatchString(id) {
			return id
		}
		return ""
	}
	if v := k.Enum().Values().ByNumber(m.Get(k).Enum()); v != nil && v.Number() != 0 {
		return enumKey(v)
	}
	return ""
}

// remove takes an element out of a list and keeps the order of the others: sections are
// shown and planned in the order in which the salon listed them.
func remove(list protoreflect.List, at int) {
	for i := at; i < list.Len()-1; i++ {
		list.Set(i, list.Get(i+1))
	}
	list.Truncate(list.Len() - 1)
}

// isEmpty tells whether a message holds nothing, not even what this version does not know.
func isEmpty(m protoreflect.Message) bool {
	empty := len(m.GetUnknown()) == 0
	m.Range(func(protoreflect.FieldDescriptor, protoreflect.Value) bool {
		empty = false
		return false
	})
	return empty
}
