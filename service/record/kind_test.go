package record

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "alkalog/proto/alkalogv1"
)

// TestEveryAnswerHoldsItsRecord makes the answer of every Create and Update RPC of
// the contract. The request names the kind: the field that is a record with an etag.
func TestEveryAnswerHoldsItsRecord(t *testing.T) {
	made := 0
	services := pb.File_alkalog_v1_directory_service_proto.Package()
	protoregistry.GlobalFiles.RangeFilesByPackage(services, func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for j := range methods.Len() {
				method := methods.Get(j)
				kind := guardedIn(method.Input())
				if kind == nil || !strings.HasPrefix(string(method.Name()), "Create") && !strings.HasPrefix(string(method.Name()), "Update") {
					continue
				}
				made++
				answer := newMessage(t, method.Output())
				putRecord(answer, newMessage(t, kind).Interface())
				if n := method.Output().Fields().Len(); n != 1 {
					t.Errorf("%s has %d fields, want the record alone", method.Output().Name(), n)
				}
			}
		}
		return true
	})
	if made < 12 { // chains, salons, practitioners, clients, consultations, products
		t.Errorf("%d answers were made, want at least 12", made)
	}
}

// guardedIn is the kind of record that a request holds; nil if it holds none.
func guardedIn(request protoreflect.MessageDescriptor) protoreflect.MessageDescriptor {
	for i := range request.Fields().Len() {
		if m := request.Fields().Get(i).Message(); m != nil && m.Fields().ByName("etag") != nil {
			return m
		}
	}
	return nil
}

// newMessage makes an empty message of the generated type.
func newMessage(t *testing.T, d protoreflect.MessageDescriptor) protoreflect.Message {
	t.Helper()
	found, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
	if err != nil {
		t.Fatal(err)
	}
	return found.New()
}
