package serve

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// requests validates requests, and the facts in them that are checked one by
// one, against the contract.
type requests struct{ validator protovalidate.Validator }

// newRequests compiles the rules of all requests at startup; otherwise the
// first call would take a thousand times as long.
func newRequests() (requests, error) {
	inputs := []protoreflect.MessageDescriptor{(*pb.Event)(nil).ProtoReflect().Descriptor()}
	for _, m := range contractMethods() {
		inputs = append(inputs, m.Input())
	}
	validator, err := protovalidate.New(protovalidate.WithMessageDescriptors(inputs...), protovalidate.WithDisableLazy())
	if err != nil {
		return requests{}, fmt.Errorf("compiling the contract's rules: %w", err)
	}
	return requests{validator}, nil
}

// check validates a message, then checks that the caller may see what it names,
// and then that the caller may write what it contains. Values come before scope:
// a name must be well-formed to be compared.
func (r requests) check(ctx context.Context, m proto.Message) error {
	if violations := r.violations(m); len(violations) > 0 {
		return fault.InvalidFields(violations...)
	}
	if err := checkScope(actor.From(ctx), m); err != nil {
		return err
	}
	return checkWritable(actor.From(ctx), m)
}

// violations validates a message against the rules of the contract. A rule that
// cannot be evaluated counts as violated. Package processing uses it for each
// event of a list.
func (r requests) violations(m proto.Message) []fault.Violation {
	counts := maskFilter(m)
	err := r.validator.Validate(m, protovalidate.WithFilter(counts))
	invalid := new(protovalidate.ValidationError)
	if err != nil && !errors.As(err, &invalid) {
		return []fault.Violation{{Field: "request", Want: "must be a request that the contract's rules can be evaluated for"}}
	}
	var violations []fault.Violation
	for _, v := range invalid.Violations {
		violations = append(violations, fault.Violation{Field: fieldPath(v), Want: wantText(m, v)})
	}
	violations = append(violations, invisibleNames(m.ProtoReflect(), counts, "")...)
	violations = append(violations, unknownFields(m.ProtoReflect(), "")...)
	return append(violations, invalidTimes(m.ProtoReflect(), "")...)
}

// invalidTimes returns the invalid timestamps in a message. The contract has no
// rules for them, because google.protobuf.Timestamp defines its own range. A time
// outside the range could not be formatted or stored.
func invalidTimes(m protoreflect.Message, path string) []fault.Violation {
	if t, ok := m.Interface().(*timestamppb.Timestamp); ok {
		if t.CheckValid() == nil {
			return nil
		}
		return []fault.Violation{{Field: path, Want: "must be a time in the years 1 to 9999, with 0 to 999,999,999 nanoseconds"}}
	}
	return visitMessages(m, path, invalidTimes)
}

// unknownFields returns the fields in a message that this program does not know.
// A newer till may have sent something that would change a decision, so it is
// rejected instead of ignored. Only the first unknown field of each message is
// named.
func unknownFields(m protoreflect.Message, path string) []fault.Violation {
	var found []fault.Violation
	if rest := m.GetUnknown(); len(rest) > 0 {
		number, _, _ := protowire.ConsumeTag(rest)
		found = append(found, fault.Violation{Field: strings.TrimPrefix(fmt.Sprintf("%s.%d", path, number), "."),
			Want: "must not be sent: this version of the server does not know field " + fmt.Sprint(number)})
	}
	return append(found, visitMessages(m, path, unknownFields)...)
}

// visitMessages calls look for each message in a message, with its path. Lists
// whose items the service checks are left out.
func visitMessages(m protoreflect.Message, path string, look func(protoreflect.Message, string) []fault.Violation) []fault.Violation {
	var found []fault.Violation
	for i := range m.Descriptor().Fields().Len() {
		field := m.Descriptor().Fields().Get(i)
		if field.Message() == nil || !m.Has(field) || checkedByService(field) {
			continue
		}
		for j, v := range values(field, m.Get(field)) {
			at := strings.TrimPrefix(path+"."+string(field.Name()), ".")
			if field.IsList() {
				at = fmt.Sprintf("%s[%d]", at, j)
			}
			found = append(found, look(v.Message(), at)...)
		}
	}
	return found
}

// maskFilter excludes fields that an update does not change, because a caller
// that changes one field need not send the others. Name and etag are always
// checked. A request without a mask is checked completely.
func maskFilter(m proto.Message) protovalidate.Filter {
	update, ok := m.(interface{ GetUpdateMask() *fieldmaskpb.FieldMask })
	if !ok || update.GetUpdateMask() == nil {
		return nil
	}
	counts := map[string]bool{"name": true, "etag": true}
	for _, path := range update.GetUpdateMask().GetPaths() {
		counts[path] = true
	}
	request := m.ProtoReflect()
	return protovalidate.FilterFunc(func(holder protoreflect.Message, d protoreflect.Descriptor) bool {
		field, ok := d.(protoreflect.FieldDescriptor)
		if !ok || !isUpdated(request, holder) {
			return true
		}
		return counts[string(field.Name())]
	})
}

// isUpdated reports whether holder is the record in an update request. It is the
// first message of that type in the request which is not the mask.
func isUpdated(request, holder protoreflect.Message) bool {
	fields := request.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.Message() != nil && f.Message() == holder.Descriptor() && f.Name() != "update_mask" {
			return request.Get(f).Message().Interface() == holder.Interface()
		}
	}
	return false
}
