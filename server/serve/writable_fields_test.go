package serve

import (
	"slices"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
)

// guarded is a field of the contract that only some roles may write, and a
// record in a request that could write it.
type guarded struct {
	method        protoreflect.MethodDescriptor
	record, field protoreflect.FieldDescriptor
	writers       []pb.Role
}

// guardedFields walks the contract for them.
func guardedFields() []guarded {
	var found []guarded
	for _, m := range contractMethods() {
		for i := range m.Input().Fields().Len() {
			record := m.Input().Fields().Get(i)
			if record.Message() == nil || record.IsList() {
				continue
			}
			for j := range record.Message().Fields().Len() {
				field := record.Message().Fields().Get(j)
				if writers := writersOf(field); len(writers) > 0 {
					found = append(found, guarded{m, record, field, writers})
				}
			}
		}
	}
	return found
}

// TestGuardedFields holds every role against every field of the contract that
// only some may write: set in a request, and named in an update mask.
func TestGuardedFields(t *testing.T) {
	all := guardedFields()
	if len(all) < 2 { // the legal hold of a client, when created and when updated
		t.Fatalf("the contract guards %d fields", len(all))
	}
	for _, g := range all {
		mask := g.method.Input().Fields().ByName("update_mask")
		for number := range pb.Role_name {
			who := actor.Actor{Role: pb.Role(number), Chain: "chains/ebb"}
			may := slices.Contains(g.writers, who.Role)
			for _, c := range []struct {
				set, masked bool
				allowed     bool
			}{
				{false, false, true},
				{true, false, may || mask != nil}, // what the mask leaves out is not written
				{false, true, may || mask == nil},
				{true, true, may},
			} {
				err := checkWritable(who, g.request(t, c.set, c.masked))
				if (err == nil) != c.allowed {
					t.Errorf("%s of %s as %v (set %t, masked %t): %v", g.field.FullName(), g.method.Name(), who.Role, c.set, c.masked, err)
				}
				if err != nil && status.Code(err) != codes.PermissionDenied {
					t.Errorf("%v", err)
				}
			}
		}
	}
}

// request is one that sets the field, or names it in its mask, or neither.
func (g guarded) request(t *testing.T, set, masked bool) proto.Message {
	t.Helper()
	req := newMessage(t, g.method.Input())
	record := req.Mutable(g.record).Message()
	if set {
		record.Set(g.field, protoreflect.ValueOfBool(true))
	}
	if mask := g.method.Input().Fields().ByName("update_mask"); mask != nil {
		m := &fieldmaskpb.FieldMask{Paths: []string{"display_name"}}
		if masked {
			m.Paths = append(m.Paths, string(g.field.Name()))
		}
		req.Set(mask, protoreflect.ValueOfMessage(m.ProtoReflect()))
	}
	return req.Interface()
}
