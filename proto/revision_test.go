package proto_test

import (
	"fmt"
	"os"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// releasedRevision is the revision of the contract in released.binpb.
const releasedRevision = 2

// TestRevisionsAreStated: no element states a revision that there is none of, and a value
// that stands for another is of the same enum, at least as severe, and known earlier.
func TestRevisionsAreStated(t *testing.T) {
	t.Parallel()
	for _, field := range allFields() {
		since := contract.Since(field)
		if since < 0 || since > contract.Revision {
			t.Errorf("%s states revision %d; the newest is %d", field.FullName(), since, contract.Revision)
		}
		if contract.Ignorable(field.Number()) && (since <= releasedRevision || field.IsList()) {
			t.Errorf("%s may be passed over by its number: it states no revision, or is a list", field.FullName())
		}
	}
	for _, value := range allValues() {
		since, name := contract.ValueSince(value), proto.GetExtension(value.Options(), pb.E_ValueFallback).(string)
		stand := contract.Fallback(value)
		switch {
		case since < 0 || since > contract.Revision:
			t.Errorf("%s states revision %d; the newest is %d", value.FullName(), since, contract.Revision)
		case name == "":
		case stand == nil || since == 0:
			t.Errorf("%s names %q to stand for it; is that a value of its enum, and is its own revision stated?", value.FullName(), name)
		case contract.ValueSince(stand) >= since:
			t.Errorf("%s is stood for by %s, which came no earlier", value.FullName(), name)
		case rankOf(stand) < rankOf(value):
			t.Errorf("%s is stood for by %s, which is milder", value.FullName(), name)
		}
	}
}

// rankOf is the rank that a value states.
func rankOf(v protoreflect.EnumValueDescriptor) int32 {
	return proto.GetExtension(v.Options(), pb.E_Rank).(int32)
}

// TestAddedElementsStateTheirRevision: once the revision is raised for a release, every
// field and value that the released contract does not have states it. Before that,
// elements may be added without; raising contract.Revision lists them.
func TestAddedElementsStateTheirRevision(t *testing.T) {
	t.Parallel()
	released := releasedNames(t)
	if contract.Revision > releasedRevision {
		for _, name := range unstated(released, contract.Revision) {
			t.Errorf("%s is not in released.binpb and does not state revision %d", name, contract.Revision)
		}
	}
	const lost = "alkalog.v1.Client.display_name"
	if !released[lost] {
		t.Fatalf("%s is not in released.binpb", lost)
	}
	delete(released, lost)
	if !slices.Contains(unstated(released, releasedRevision+1), lost) {
		t.Errorf("%s would not be found", lost)
	}
}

// unstated returns the fields and values that are not among the released ones and do not
// state the revision.
func unstated(released map[string]bool, revision int32) (names []string) {
	for _, field := range allFields() {
		if name := string(field.FullName()); !released[name] && contract.Since(field) != revision {
			names = append(names, name)
		}
	}
	for _, value := range allValues() {
		if name := string(value.FullName()); !released[name] && contract.ValueSince(value) != revision {
			names = append(names, name)
		}
	}
	return names
}

// releasedNames are the fields and values in released.binpb.
func releasedNames(t *testing.T) map[string]bool {
	t.Helper()
	text, err := os.ReadFile("released.binpb")
	if err != nil {
		t.Fatal(err)
	}
	set := &descriptorpb.FileDescriptorSet{}
	if err := proto.Unmarshal(text, set); err != nil {
		t.Fatal(err)
	}
	files, err := protodesc.NewFiles(set)
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]bool{}
	files.RangeFilesByPackage("alkalog.v1", func(file protoreflect.FileDescriptor) bool {
		for _, m := range all(file.Messages()) {
			for _, field := range all(m.Fields()) {
				names[string(field.FullName())] = true
			}
		}
		for _, e := range all(file.Enums()) {
			for _, value := range all(e.Values()) {
				names[string(value.FullName())] = true
			}
		}
		return true
	})
	return names
}

// allFields are the fields of all messages of the contract.
func allFields() (fields []protoreflect.FieldDescriptor) {
	eachFile(func(file protoreflect.FileDescriptor) {
		for _, m := range all(file.Messages()) {
			fields = append(fields, all(m.Fields())...)
		}
	})
	return fields
}

// allValues are the values of all enums of the contract.
func allValues() (values []protoreflect.EnumValueDescriptor) {
	eachFile(func(file protoreflect.FileDescriptor) {
		for _, e := range all(file.Enums()) {
			values = append(values, all(e.Values())...)
		}
	})
	return values
}

// eachFile visits the files of the contract.
func eachFile(visit func(protoreflect.FileDescriptor)) {
	protoregistry.GlobalFiles.RangeFilesByPackage("alkalog.v1", func(file protoreflect.FileDescriptor) bool {
		visit(file)
		return true
	})
}

// stateRevisions adds what the options of an element say about revisions.
func stateRevisions(to map[string]string, key string, since int32, fallback string) {
	if since != 0 {
		to[key+" since"] = fmt.Sprint(since)
	}
	if fallback != "" {
		to[key+" fallback"] = fallback
	}
}
