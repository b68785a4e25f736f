package serve

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// contractMethods returns all methods of the contract. Services that are not of
// the contract, such as health, are not among them.
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

// accessByMethod returns the access option of each method. A method without one
// is closed to everybody.
func accessByMethod() map[string]*pb.Access {
	access := map[string]*pb.Access{}
	for name, m := range methodsByName() {
		access[name] = accessOf(m)
	}
	return access
}

// methodsByName returns all methods of the contract by full name.
func methodsByName() map[string]protoreflect.MethodDescriptor {
	methods := map[string]protoreflect.MethodDescriptor{}
	for _, m := range contractMethods() {
		methods[fmt.Sprintf("/%s/%s", m.Parent().FullName(), m.Name())] = m
	}
	return methods
}

// webMethod returns a method that the web door serves too: all of the contract, and
// health. Reflection is a stream of requests, which no browser can send; the door has
// documents in its place.
func webMethod(full string) protoreflect.MethodDescriptor {
	if strings.HasPrefix(full, "/grpc.reflection.") {
		return nil
	}
	name := protoreflect.FullName(strings.ReplaceAll(strings.TrimPrefix(full, "/"), "/", "."))
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(name)
	if err != nil {
		return nil
	}
	method, _ := found.(protoreflect.MethodDescriptor)
	return method
}

// accessOf returns the access option of a method.
func accessOf(m protoreflect.MethodDescriptor) *pb.Access {
	return proto.GetExtension(m.Options(), pb.E_Access).(*pb.Access)
}

// checkAccess refuses a caller whose role may not call the method, and a caller
// confined to salons where the method concerns the whole chain. A method without
// the option has no roles and is refused to everybody.
func checkAccess(who actor.Actor, method string, access *pb.Access) error {
	method = strings.TrimPrefix(method, "/")
	switch {
	case !slices.Contains(access.GetRoles(), who.Role):
		return fault.Denied(method, identity.RoleName(who.Role))
	case access.GetWholeChain() && len(who.Salons) > 0:
		return fault.WholeChain(method)
	}
	return nil
}

// methodsFor returns the full names of the methods that a caller may call,
// sorted. A till asks for it with DescribeCaller.
func methodsFor(who actor.Actor) []string {
	var allowed []string
	for method, access := range accessByMethod() {
		if checkAccess(who, method, access) == nil {
			allowed = append(allowed, method)
		}
	}
	slices.Sort(allowed)
	return allowed
}

// writersOf returns the roles that may write a field; none: all roles that may
// write the record.
func writersOf(field protoreflect.FieldDescriptor) []pb.Role {
	return proto.GetExtension(field.Options(), pb.E_WritableBy).(*pb.Writers).GetRoles()
}
