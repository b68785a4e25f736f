package serve

import (
	"cmp"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"alkalog/server/identity"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// checkWritable checks that a request writes no field that the contract reserves
// for other roles: by a value in a new record, or by naming it in an update mask,
// even if the value would not change. In an update without a mask, every field
// that is set counts.
func checkWritable(who actor.Actor, m proto.Message) error {
	if path := firstForbidden(who, m.ProtoReflect(), maskOf(m), ""); path != "" {
		return fault.FieldDenied(path, identity.RoleName(who.Role))
	}
	return nil
}

// maskOf returns the update mask of a request; nil if it has none.
func maskOf(m proto.Message) *fieldmaskpb.FieldMask {
	update, ok := m.(interface{ GetUpdateMask() *fieldmaskpb.FieldMask })
	if !ok {
		return nil
	}
	return update.GetUpdateMask()
}

// firstForbidden returns the path of a field in m that the actor may not write;
// empty if there is none. mask is the update mask beside the record in m. Records
// inside records are checked as well.
func firstForbidden(who actor.Actor, m protoreflect.Message, mask *fieldmaskpb.FieldMask, path string) string {
	for i := range m.Descriptor().Fields().Len() {
		field := m.Descriptor().Fields().Get(i)
		at := path + string(field.Name())
		if field.Message() == nil || !m.Has(field) || checkedByService(field) {
			continue
		}
		for _, v := range values(field, m.Get(field)) {
			named := mask
			if mask != nil && !isUpdated(m, v.Message()) {
				named = nil
			}
			found := cmp.Or(forbiddenInRecord(who, v.Message(), named, at+"."), firstForbidden(who, v.Message(), nil, at+"."))
			if found != "" {
				return found
			}
		}
	}
	return ""
}

// forbiddenInRecord checks the fields of one record: those that are set, or those
// that the mask names. With a mask, a value that the mask does not name is not
// written.
func forbiddenInRecord(who actor.Actor, record protoreflect.Message, mask *fieldmaskpb.FieldMask, path string) string {
	for i := range record.Descriptor().Fields().Len() {
		field := record.Descriptor().Fields().Get(i)
		writers := writersOf(field)
		written := record.Has(field)
		if mask != nil {
			written = slices.Contains(mask.GetPaths(), string(field.Name()))
		}
		if written && len(writers) > 0 && !slices.Contains(writers, who.Role) {
			return path + string(field.Name())
		}
	}
	return ""
}
