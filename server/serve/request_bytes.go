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

// A request is checked as bytes first, because decoding multiplies its size: 1
// MiB of empty messages, two bytes each, needs 150 MiB when decoded. All limits
// are our own choices.
const (
	// maxDepth is how deeply messages may be nested; the contract needs less
	// than ten levels.
	maxDepth = 64
	// defaultMaxItems is how many items a list may have if the contract sets no
	// max_items, as for lists that only the server fills in.
	defaultMaxItems = 1000
	// maxMessages and maxFields bound a whole request. The largest legitimate
	// one, 200 events with all fields, has about 2,000 and 6,000.
	maxMessages = 10_000
	maxFields   = 50_000
	// minRequestBytes is accepted by every method, so that a request slightly
	// above the contract's limits receives an error that names the field.
	minRequestBytes = 64 << 10
	// publicRequestBytes is the longest request of a method that needs no
	// identity.
	publicRequestBytes = 4 << 10
)

// messageLimits are the limits of a message type that apply before decoding. They
// come from the contract's validation rules, so a field that is added has its
// limits without a change here.
type messageLimits struct {
	name          protoreflect.FullName
	fields        map[protowire.Number]*fieldLimits
	declaredBytes int // longest encoding that the contract allows
}

// fieldLimits are the limits of a field. One is made for each field when its
// message is first received.
type fieldLimits struct {
	name  string // for the path in an error
	index int    // of the field in its message
	kind  protoreflect.Kind
	list  bool
	// maxItems is how many items a list may have.
	maxItems int
	// checkedByService marks a list whose items the service checks one by one, so
	// that one bad item does not refuse the others.
	checkedByService bool
	message          *messageLimits // nil: not a message
}

// limitsCache derives the limits of each message type once. The number of message
// types is fixed by the contract.
type limitsCache struct {
	mu    sync.Mutex
	known map[protoreflect.FullName]*messageLimits
}

// newLimitsCache returns an empty cache.
func newLimitsCache() *limitsCache {
	return &limitsCache{known: map[protoreflect.FullName]*messageLimits{}}
}

// of returns the limits of a message type.
func (s *limitsCache) of(d protoreflect.MessageDescriptor) *messageLimits {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.make(d)
}

// make derives the limits of a message type. The caller holds the lock.
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

// unlimited is a number of bytes that no request can have.
const unlimited = 1 << 30

// maxBytes returns the longest encoding that the contract allows for a field. It
// is an upper bound and only meant to be compared with a length. UTF-8 has at
// most four bytes a character.
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

// maxBytes returns how many bytes a request may have. Twice of what the contract
// allows passes, so that its own rules report the field.
func (s *messageLimits) maxBytes(most int) int {
	return min(most, max(minRequestBytes, 2*s.declaredBytes))
}

// byteCheck is one pass over the bytes of a request.
type byteCheck struct {
	// fields and messages are counted over the whole request.
	fields, messages int
	path             []byteStep // from the request to the message that is checked
}

// byteStep leads from a message into one that it holds; item is the index in a
// list.
type byteStep struct {
	field *fieldLimits
	item  int
}

// checkBytes checks a request before it is decoded, and returns how many messages
// it holds. It allocates nothing for what is in the request.
func checkBytes(s *messageLimits, body []byte, most int) (messages int, wrong *fault.Violation) {
	if limit := s.maxBytes(most); len(body) > limit {
		return 0, &fault.Violation{Field: "request", Want: fmt.Sprintf("must be no longer than %d bytes; it has %d", limit, len(body))}
	}
	w := &byteCheck{}
	wrong = w.message(s, body, false)
	return w.messages, wrong
}

// message checks the bytes of one message. alone is set within a list whose items
// the service checks. Every message counts towards maxMessages, also an empty one
// of two bytes.
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

// field checks one value of a field. Items are counted before they are looked
// into.
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
		// Decoders merge repeated values, so lists within the limit could exceed it together.
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

// value returns the length of a value; negative if it is malformed. Groups,
// which the contract does not use, are walked here, because they can be nested
// too.
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

// items returns how many items a value adds to its field; numbers may be packed.
// It counts without decoding: a packed list of a million numbers is one value.
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

// tooMany returns the violation of a list limit.
func (w *byteCheck) tooMany(f *fieldLimits, most int) *fault.Violation {
	return &fault.Violation{Field: w.pathOf(f), Want: fmt.Sprintf("must contain no more than %d item(s)", most)}
}

// pathOf returns the path of a field. It has the form of the contract's own
// violations, such as "events[3].note".
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

// malformed returns the violation for bytes that cannot be parsed. It says which
// message is malformed and not where, since the position of a byte helps nobody.
func malformed(name protoreflect.FullName) *fault.Violation {
	return &fault.Violation{Field: "request", Want: fmt.Sprintf("must be a well-formed %s, with all text in UTF-8", name)}
}

// decode decodes a request whose bytes were checked. A text that is not UTF-8 is
// found here, not in the check of the bytes.
func decode(body []byte, m proto.Message) error {
	if err := (proto.UnmarshalOptions{RecursionLimit: maxDepth}).Unmarshal(body, m); err != nil {
		proto.Reset(m)
		wrong := malformed(m.ProtoReflect().Descriptor().FullName())
		return fault.InvalidFields(*wrong)
	}
	return nil
}

// maxSearchedFields is how many fields of a request are searched for the name
// of a chain.
const maxSearchedFields = 64

// chainInBytes returns the chain of the first resource name in a request that is
// not decoded. It is for the denial of a caller that has no chain of its own, and
// looks at few fields.
func chainInBytes(d protoreflect.MessageDescriptor, body []byte) string {
	left := maxSearchedFields
	return searchChain(d, body, &left)
}

// searchChain searches one message, and the messages in it, with the remaining
// number of fields.
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
