package serve

import (
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "alkalog/proto/alkalogv1"
)

// contractMethods returns every method of the contract.
func contractMethods() []protoreflect.MethodDescriptor {
	var methods []protoreflect.MethodDescriptor
	protoregistry.GlobalFiles.RangeFilesByPackage("alkalog.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for j := range service.Methods().Len() {
				methods = append(methods, service.Methods().Get(j))
			}
		}
		return true
	})
	return methods
}

// accessByMethod reads from the contract who may call what. A method that
// declares nothing is open to nobody.
func accessByMethod() map[string]*pb.Access {
	access := map[string]*pb.Access{}
	for name, m := range methodsByName() {
		access[name] = accessOf(m)
	}
	return access
}

// methodsByName returns every method of the contract by its full name.
func methodsByName() map[string]protoreflect.MethodDescriptor {
	methods := map[string]protoreflect.MethodDescriptor{}
	for _, m := range contractMethods() {
		methods[fmt.Sprintf("/%s/%s", m.Parent().FullName(), m.Name())] = m
	}
	return methods
}

// accessOf is what the contract says of who may call a method.
func accessOf(m protoreflect.MethodDescriptor) *pb.Access {
	return proto.GetExtension(m.Options(), pb.E_Access).(*pb.Access)
}

// writersOf is who may write a field; none: everybody who may write the record.
func writersOf(field protoreflect.FieldDescriptor) []pb.Role {
	return proto.GetExtension(field.Options(), pb.E_WritableBy).(*pb.Writers).GetRoles()
}
