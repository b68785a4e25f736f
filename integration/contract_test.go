package integration

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "alkalog/proto/alkalogv1"
)

// rpc is an RPC of the contract.
type rpc struct{ protoreflect.MethodDescriptor }

// contract is every RPC of the contract, sorted by service. Walks call those of a school
// in the school of a whole fixture; see fixture.of.
func contract() []rpc {
	var all []rpc
	protoregistry.GlobalFiles.RangeFilesByPackage("alkalog.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			for j := range file.Services().Get(i).Methods().Len() {
				all = append(all, rpc{file.Services().Get(i).Methods().Get(j)})
			}
		}
		return true
	})
	slices.SortStableFunc(all, func(a, b rpc) int { return cmp.Compare(a.Parent().FullName(), b.Parent().FullName()) })
	return all
}

// rpcNamed is the RPC of that name.
func rpcNamed(name string) rpc {
	for _, r := range contract() {
		if string(r.Name()) == name {
			return r
		}
	}
	panic("no RPC is called " + name)
}

// inSchool reports whether the RPC works in a school chain only.
func (r rpc) inSchool() bool { return r.Parent().Name() == "TrainingService" }

// path is the RPC as gRPC names it.
func (r rpc) path() string { return fmt.Sprintf("/%s/%s", r.Parent().FullName(), r.Name()) }

// access is what the contract says of who may call and what the call does.
func (r rpc) access() *pb.Access { return proto.GetExtension(r.Options(), pb.E_Access).(*pb.Access) }

// answer is an empty answer.
func (r rpc) answer() proto.Message { return blank(r.Output()) }

// blank is an empty message of a type.
func blank(d protoreflect.MessageDescriptor) proto.Message {
	found, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
	if err != nil {
		panic(err) // the type is part of this program
	}
	return found.New().Interface()
}

// pages reports whether the RPC answers page by page.
func (r rpc) pages() bool { return r.Input().Fields().ByName("page_size") != nil }

// TestEveryRPCHasARequest keeps the tests that walk the contract honest: an RPC
// without an example of a request would be left out of all of them.
func TestEveryRPCHasARequest(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	stage := s.newWholeFixture(t, "ebb-and-flow")
	examples := stage.examples()
	maps.Copy(examples, stage.school.examples())
	for _, r := range contract() {
		example, ok := examples[string(r.Name())]
		if !ok {
			t.Errorf("%s has no example", r.Name())
			continue
		}
		delete(examples, string(r.Name()))
		if _, err := s.ask(t, example.who, r, example.make(t)); err != nil && reasonOf(err) != "NOTHING_TO_ACCEPT" {
			t.Errorf("the example of %s is not answered: %v", r.Name(), err)
		}
	}
	for name := range examples {
		t.Errorf("%s is no RPC", name)
	}
}
