package client

import (
	"encoding/json"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "alkalog/proto/alkalogv1"
)

// retryConfig is the gRPC service configuration (gRPC A6): a call that changes
// nothing is retried on UNAVAILABLE and RESOURCE_EXHAUSTED, up to five attempts in
// a few seconds. The caller itself repeats a call that changes something, with the
// same request ID.
func retryConfig() string {
	type name struct {
		Service string `json:"service"`
		Method  string `json:"method"`
	}
	var names []name
	for _, m := range readMethods() {
		names = append(names, name{string(m.Parent().FullName()), string(m.Name())})
	}
	config, _ := json.Marshal(map[string]any{"methodConfig": []any{map[string]any{ // cannot fail: strings and numbers only
		"name": names,
		"retryPolicy": map[string]any{
			"maxAttempts": 5, "initialBackoff": "0.2s", "maxBackoff": "3s", "backoffMultiplier": 2,
			"retryableStatusCodes": []string{"UNAVAILABLE", "RESOURCE_EXHAUSTED"},
		},
	}}})
	return string(config)
}

// readMethods returns the methods that change nothing, according to the contract's
// access option.
func readMethods() []protoreflect.MethodDescriptor {
	var methods []protoreflect.MethodDescriptor
	protoregistry.GlobalFiles.RangeFilesByPackage("alkalog.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			all := file.Services().Get(i).Methods()
			for j := range all.Len() {
				access, _ := proto.GetExtension(all.Get(j).Options(), pb.E_Access).(*pb.Access)
				if access != nil && !access.Mutates {
					methods = append(methods, all.Get(j))
				}
			}
		}
		return true
	})
	return methods
}
