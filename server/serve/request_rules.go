package serve

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// requests validates requests, and the facts in them that are checked one by
// one, against the contract.
type requests struct{ validator protovalidate.Validator }

// newRequests compiles the rules of all requests at startup; otherwise the
// first call would take a thousand times as long.
func newRequests() (requests, error) {
	inputs := []protoreflect.MessageDescriptor{(*pb.Event)(nil).ProtoReflect().Descriptor(), (*pb.ImportItem)(nil).ProtoReflect().Descriptor()}
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
// cannot be evaluated counts as violated. Packages processing and imports use it
// for each item of a list.
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
	violations = append(violations, unknownFields(m, "")...)
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

// unknownFields returns the fields in a message that this program does not know and that
// could matter (contract.FirstThatMatters). A newer till may have sent something that would
// change a decision, so it is rejected instead of ignored. What an update sends without
// naming it in its mask changes nothing: a newer till sends a whole record to change one
// field. Only the first unknown field of each message is named.
//
// Fields that are passed over stay in the message: they are part of what the caller said,
// so a retry that says something else is not the same request, and a server that knows them
// may be asked next.
func unknownFields(m proto.Message, path string) []fault.Violation {
	request := m.ProtoReflect()
	named := maskedRecord(m)
	var look func(protoreflect.Message, string) []fault.Violation
	look = func(m protoreflect.Message, path string) (found []fault.Violation) {
		visit := visitMessages
		if named != nil && isUpdated(request, m) {
			visit = func(m protoreflect.Message, path string, look func(protoreflect.Message, string) []fault.Violation) []fault.Violation {
				return visitNamed(m, path, named, look)
			}
		} else if number, matters := contract.FirstThatMatters(m.GetUnknown()); matters {
			found = append(found, fault.Violation{Field: strings.TrimPrefix(fmt.Sprintf("%s.%d", path, number), "."),
				Want: "must not be sent: this version of the server does not know field " + fmt.Sprint(number)})
		}
		return append(found, visit(m, path, look)...)
	}
	return look(request, path)
}

// maskedRecord returns the names of the fields that an update changes; nil: the request
// is no update, or has no mask.
func maskedRecord(m proto.Message) map[string]bool {
	update, ok := m.(interface{ GetUpdateMask() *fieldmaskpb.FieldMask })
	if !ok || len(update.GetUpdateMask().GetPaths()) == 0 {
		return nil
	}
	named := map[string]bool{}
	for _, path := range update.GetUpdateMask().GetPaths() {
		named[path] = true
	}
	return named
}

// visitMessages calls look for each message in a message, with its path. Lists
// whose items the service checks are left out.
func visitMessages(m protoreflect.Message, path string, look func(protoreflect.Message, string) []fault.Violation) []fault.Violation {
	return visitNamed(m, path, nil, look)
}

// visitNamed is visitMessages for the named fields only; nil: all fields.
func visitNamed(m protoreflect.Message, path string, named map[string]bool, look func(protoreflect.Message, string) []fault.Violation) []fault.Violation {
	var found []fault.Violation
	for i := range m.Descriptor().Fields().Len() {
		field := m.Descriptor().Fields().Get(i)
		if field.Message() == nil || !m.Has(field) || checkedByService(field) || named != nil && !named[string(field.Name())] {
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
