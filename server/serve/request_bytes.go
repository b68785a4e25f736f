package serve

import (
	"cmp"
	"fmt"
	"strings"
	"sync"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"alkalog/service/actor"
	"alkalog/service/fault"
)

// Requests are checked as bytes first, because decoding is where a small request
// becomes a large one: 1 MiB of empty messages, two bytes each, takes 150 MiB.
// All limits are our own choices.
const (
	// deepest is how deeply messages in a request may be nested; the contract
	// needs less than ten.
	maxDepth = 64
	// mostItems is how many items a list may have where the contract sets no
	// max_items, as in lists that only the server fills in.
	defaultMaxItems = 1000
	// mostMessages and mostFields bound a whole request. The largest honest one,
	// 200 events with everything in them, has about 2,000 and 6,000.
	maxMessages = 10_000
	maxFields   = 50_000
	// leastBytes is the least that a method accepts: a request a little beyond
	// the contract's limits is told which field is too long.
	minRequestBytes = 64 << 10
	// openBytes is the longest request of a method that is open to everybody.
	publicRequestBytes = 4 << 10
)

// shape is what is known of a message before it is decoded.
type messageLimits struct {
	name          protoreflect.FullName
	fields        map[protowire.Number]*fieldLimits
	declaredBytes int // the most that the contract lets it have, encoded
}

type fieldLimits struct {
	name             string
	index            int // among the fields of its message
	kind             protoreflect.Kind
	list             bool
	maxItems         int            // items of a list
	checkedByService bool           // a list whose items are checked one by one
	message          *messageLimits // nil: not a message
}

// shapes are made once for each message.
type limitsCache struct {
	mu    sync.Mutex
	known map[protoreflect.FullName]*messageLimits
}

func newLimitsCache() *limitsCache {
	return &limitsCache{known: map[protoreflect.FullName]*messageLimits{}}
}

// of returns the shape of a message.
func (s *limitsCache) of(d protoreflect.MessageDescriptor) *messageLimits {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.make(d)
}

func (s *limitsCache) make(d protoreflect.MessageDescriptor) *messageLimits {
	if known, ok := s.known[d.FullName()]; ok {
		return known
	}
	made := &messageLimits{name: d.FullName(), fields: map[protowire.Number]*fieldLimits{}, declaredBytes: unlimited}
	s.known[d.FullName()] = made // before its fields: a message may hold itself
	total := 0
	for i := range d.Fields().Len() {
		field := d.Fields().Get(i)
		rules := proto.GetExtension(field.Options(), validate.E_Field).(*validate.FieldRules)
		f := &fieldLimits{name: string(field.Name()), index: i, kind: field.Kind(), list: field.IsList(), checkedByService: checkedByService(field)}
		f.maxItems = int(cmp.Or(rules.GetRepeated().GetMaxItems(), defaultMaxItems))
		if field.Message() != nil {
			f.message = s.make(field.Message())
		}
		made.fields[field.Number()] = f
		total = min(total+f.maxBytes(rules), unlimited)
	}
	made.declaredBytes = total
	return made
}

// unlimited stands for any number of bytes that is more than a request can have.
const unlimited = 1 << 30

// size is the most that the contract lets a field have, encoded.
func (f *fieldLimits) maxBytes(rules *validate.FieldRules) int {
	count := 1
	if f.list {
		count, rules = f.maxItems, rules.GetRepeated().GetItems()
	}
	one := 10 // bytes of a number
	switch text, data := rules.GetString(), rules.GetBytes(); {
	case f.message != nil:
		one = f.message.declaredBytes
	case f.kind == protoreflect.StringKind:
		one = int(cmp.Or(text.GetMaxBytes(), 4*text.GetMaxLen(), 1<<10)) // a name, by its pattern, is shorter than 1 KiB
	case f.kind == protoreflect.BytesKind:
		one = int(cmp.Or(data.GetMaxLen(), 1<<10))
	}
	const tag = 6 // bytes of field number and length
	return min(count*(min(one, unlimited)+tag), unlimited)
}

// limit is how many bytes a request may have.
func (s *messageLimits) maxBytes(most int) int {
	return min(most, max(minRequestBytes, 2*s.declaredBytes))
}

// wireCheck is one walk over the bytes of a request.
type byteCheck struct {
	fields, messages int
	path             []byteStep
}

// wireStep leads from a message into one that it holds.
type byteStep struct {
	field *fieldLimits
	item  int
}

// checkWire checks a request before it is decoded, and says how many messages it
// holds. Nothing is allocated for what is in it.
func checkBytes(s *messageLimits, body []byte, most int) (messages int, wrong *fault.Violation) {
	if limit := s.maxBytes(most); len(body) > limit {
		return 0, &fault.Violation{Field: "request", Want: fmt.Sprintf("must be no longer than %d bytes; it has %d", limit, len(body))}
	}
	w := &byteCheck{}
	wrong = w.message(s, body, false)
	return w.messages, wrong
}

// message walks over one message. Within an item that is checked alone, lists
// may be as long as any: one bad item must not cost the others.
func (w *byteCheck) message(s *messageLimits, body []byte, alone bool) *fault.Violation {
	if w.messages++; w.messages > maxMessages {
		return &fault.Violation{Field: "request", Want: fmt.Sprintf("must hold no more than %d messages", maxMessages)}
	}
	if len(w.path) >= maxDepth {
		return malformed(s.name)
	}
	var counts []int
	for len(body) > 0 {
		number, kind, n := protowire.ConsumeTag(body)
		if n < 0 {
			return malformed(s.name)
		}
		if w.fields++; w.fields > maxFields {
			return &fault.Violation{Field: "request", Want: fmt.Sprintf("must hold no more than %d fields", maxFields)}
		}
		size := w.value(number, kind, body[n:])
		if size < 0 {
			return malformed(s.name)
		}
		value := body[n : n+size]
		body = body[n+size:]
		field := s.fields[number]
		if field == nil {
			continue // decoding tells of fields that are not known
		}
		if counts == nil {
			counts = make([]int, len(s.fields))
		}
		if wrong := w.field(field, counts, kind, value, alone); wrong != nil {
			return wrong
		}
	}
	return nil
}

// field counts a field and walks into it.
func (w *byteCheck) field(f *fieldLimits, counts []int, kind protowire.Type, value []byte, alone bool) *fault.Violation {
	item := counts[f.index]
	counts[f.index] += f.items(kind, value)
	switch most := f.maxItems; {
	case f.list && alone:
		if counts[f.index] > max(most, defaultMaxItems) {
			return w.tooMany(f, max(most, defaultMaxItems))
		}
	case f.list && counts[f.index] > most:
		return w.tooMany(f, most)
	case !f.list && f.message != nil && counts[f.index] > 1:
		// Decoders merge them, and with them lists that are each short enough.
		return &fault.Violation{Field: w.pathOf(f), Want: "must be sent once"}
	}
	if f.message == nil || kind != protowire.BytesType {
		return nil
	}
	text, n := protowire.ConsumeBytes(value)
	if n < 0 {
		return malformed(f.message.name)
	}
	w.path = append(w.path, byteStep{f, item})
	wrong := w.message(f.message, text, alone || f.checkedByService)
	w.path = w.path[:len(w.path)-1]
	return wrong
}

// value is the length of a value; negative when it is malformed. Groups, which
// the contract does not use, are walked here: they can be nested too.
func (w *byteCheck) value(number protowire.Number, kind protowire.Type, rest []byte) int {
	if kind != protowire.StartGroupType {
		return protowire.ConsumeFieldValue(number, kind, rest)
	}
	whole := len(rest)
	open := []protowire.Number{number}
	for len(open) > 0 {
		inner, kind, n := protowire.ConsumeTag(rest)
		if w.fields++; n < 0 || w.fields > maxFields {
			return -1
		}
		rest = rest[n:]
		switch kind {
		case protowire.StartGroupType:
			if open = append(open, inner); len(open)+len(w.path) > maxDepth {
				return -1
			}
		case protowire.EndGroupType:
			if open[len(open)-1] != inner {
				return -1
			}
			open = open[:len(open)-1]
		default:
			if n = protowire.ConsumeFieldValue(inner, kind, rest); n < 0 {
				return -1
			}
			rest = rest[n:]
		}
	}
	return whole - len(rest)
}

// items is how many items a value adds to its field: numbers may be packed.
func (f *fieldLimits) items(kind protowire.Type, value []byte) int {
	if !f.list || kind != protowire.BytesType {
		return 1
	}
	packed, n := protowire.ConsumeBytes(value)
	if n < 0 {
		return 1
	}
	switch f.kind {
	case protoreflect.StringKind, protoreflect.BytesKind, protoreflect.MessageKind, protoreflect.GroupKind:
		return 1
	case protoreflect.Fixed32Kind, protoreflect.Sfixed32Kind, protoreflect.FloatKind:
		return len(packed) / 4
	case protoreflect.Fixed64Kind, protoreflect.Sfixed64Kind, protoreflect.DoubleKind:
		return len(packed) / 8
	}
	count := 0
	for _, b := range packed {
		if b < 0x80 { // the last byte of a varint
			count++
		}
	}
	return count
}

func (w *byteCheck) tooMany(f *fieldLimits, most int) *fault.Violation {
	return &fault.Violation{Field: w.pathOf(f), Want: fmt.Sprintf("must contain no more than %d item(s)", most)}
}

// at is the path of a field.
func (w *byteCheck) pathOf(f *fieldLimits) string {
	var path strings.Builder
	for _, step := range w.path {
		path.WriteString(step.field.name)
		if step.field.list {
			fmt.Fprintf(&path, "[%d]", step.item)
		}
		path.WriteByte('.')
	}
	return path.String() + f.name
}

// malformed is what is said of bytes that cannot be read as a message.
func malformed(name protoreflect.FullName) *fault.Violation {
	return &fault.Violation{Field: "request", Want: fmt.Sprintf("must be a well-formed %s, with all text in UTF-8", name)}
}

// decode reads a request that was checked.
func decode(body []byte, m proto.Message) error {
	if err := (proto.UnmarshalOptions{RecursionLimit: maxDepth}).Unmarshal(body, m); err != nil {
		proto.Reset(m)
		wrong := malformed(m.ProtoReflect().Descriptor().FullName())
		return fault.InvalidFields(*wrong)
	}
	return nil
}

// mostSearched is how many fields of a request are looked at for a chain's name.
const maxSearchedFields = 64

// chainOnWire is the chain of the first name in a request that is not decoded.
func chainInBytes(d protoreflect.MessageDescriptor, body []byte) string {
	left := maxSearchedFields
	return searchChain(d, body, &left)
}

func searchChain(d protoreflect.MessageDescriptor, body []byte, left *int) string {
	for len(body) > 0 && *left > 0 {
		*left--
		number, kind, n := protowire.ConsumeTag(body)
		if n < 0 {
			return ""
		}
		body = body[n:]
		if n = protowire.ConsumeFieldValue(number, kind, body); n < 0 {
			return ""
		}
		value, _ := protowire.ConsumeBytes(body)
		field := d.Fields().ByNumber(number)
		body = body[n:]
		if field == nil || kind != protowire.BytesType {
			continue
		}
		chain := ""
		switch {
		case isName(field):
			chain = actor.ChainOf(string(value))
		case field.Message() != nil:
			chain = searchChain(field.Message(), value, left)
		}
		if chain != "" {
			return chain
		}
	}
	return ""
}
