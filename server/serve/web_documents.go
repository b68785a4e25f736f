package serve

import (
	"fmt"

	gproto "google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	"alkalog/proto"
	"alkalog/server/web"
)

// documents returns what the web door says of itself: its paths as OpenAPI, and the
// contract as a FileDescriptorSet, from which programs can call it without generated
// code. Both hold what the contract's source holds and nothing of any caller, so that
// no identity is needed.
func documents() (map[string]web.Document, error) {
	descriptors, err := descriptorSet()
	if err != nil {
		return nil, err
	}
	return map[string]web.Document{
		"/openapi.yaml":      {Type: "application/yaml", Body: proto.OpenAPI},
		"/descriptors.binpb": {Type: "application/octet-stream", Body: descriptors},
	}, nil
}

// descriptorSet returns the descriptors that this program runs with, each file behind
// those that it imports. It is made from them, so it cannot differ from them.
func descriptorSet() ([]byte, error) {
	set := &descriptorpb.FileDescriptorSet{}
	seen := map[string]bool{}
	var add func(protoreflect.FileDescriptor)
	add = func(file protoreflect.FileDescriptor) {
		if seen[file.Path()] || file.IsPlaceholder() {
			return
		}
		seen[file.Path()] = true
		for i := range file.Imports().Len() {
			add(file.Imports().Get(i).FileDescriptor)
		}
		set.File = append(set.File, protodesc.ToFileDescriptorProto(file))
	}
	protoregistry.GlobalFiles.RangeFilesByPackage("alkalog.v1", func(file protoreflect.FileDescriptor) bool {
		add(file)
		return true
	})
	text, err := gproto.MarshalOptions{Deterministic: true}.Marshal(set)
	if err != nil {
		return nil, fmt.Errorf("encoding the descriptors of the contract: %w", err)
	}
	return text, nil
}
