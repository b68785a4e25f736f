package record

import (
	"fmt"
	"sort"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"alkalog/service/fault"
)

// Apply is the update mask of AIP-134 and AIP-161, with the fields that a caller
// may change read from the contract and not repeated in each service. It returns
// a copy of stored in which the fields named by the mask have the values of
// wanted. Both are of one type. Only top-level fields can be named, because a
// list or a message inside has no identity of its own that an entry could name:
// it is replaced whole. A field that is named and not set in wanted is cleared.
// An empty mask, an unknown field or one that the server sets is
// INVALID_ARGUMENT. The error lists the fields that can be named.
func Apply[M proto.Message](stored, wanted M, mask *fieldmaskpb.FieldMask) (M, error) {
	amended := proto.Clone(stored).(M)
	allowed := Fields(stored.ProtoReflect().Descriptor())
	if len(mask.GetPaths()) == 0 {
		return amended, fault.Invalid("update_mask", "must name at least one of "+strings.Join(allowed, ", "))
	}
	from, to := wanted.ProtoReflect(), amended.ProtoReflect()
	for i, path := range mask.GetPaths() {
		field := from.Descriptor().Fields().ByName(protoreflect.Name(path))
		if field == nil || serverSet(field) {
			return amended, fault.Invalid(fmt.Sprintf("update_mask.paths[%d]", i), "must be one of "+strings.Join(allowed, ", "))
		}
		if from.Has(field) {
			to.Set(field, from.Get(field))
		} else {
			to.Clear(field)
		}
	}
	return amended, nil
}

// Fields returns the names of the fields that a caller may change, sorted. A
// field that is added to the contract is in the list without a change here.
func Fields(record protoreflect.MessageDescriptor) []string {
	var names []string
	for i := range record.Fields().Len() {
		if f := record.Fields().Get(i); !serverSet(f) {
			names = append(names, string(f.Name()))
		}
	}
	sort.Strings(names)
	return names
}

// Clear removes what only the server sets, so that a caller cannot slip it in on
// creation. It clears the top level only; a message inside, such as a lot of a
// product, is cleared by its service.
func Clear(record proto.Message) {
	m := record.ProtoReflect()
	for i := range m.Descriptor().Fields().Len() {
		if f := m.Descriptor().Fields().Get(i); serverSet(f) {
			m.Clear(f)
		}
	}
}

// serverSet reports whether the contract marks a field as the server's: the
// name, the etag and everything OUTPUT_ONLY.
func serverSet(field protoreflect.FieldDescriptor) bool {
	behaviours, _ := proto.GetExtension(field.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	for _, b := range behaviours {
		if b == annotations.FieldBehavior_OUTPUT_ONLY || b == annotations.FieldBehavior_IDENTIFIER {
			return true
		}
	}
	return field.Name() == "etag"
}
