package client

import (
	"encoding/json"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "alkalog/proto/alkalogv1"
)

// retryConfig is the service configuration (gRPC A6): a call that changes nothing
// is made again when the server cannot be reached or has had too many of them,
// up to five times in some seconds. A call that changes something is its caller's to repeat, with the
// same request id.
func retryConfig() string {
	type name struct {
		Service string `json:"service"`
		Method  string `json:"method"`
	}
	var names []name
	for _, m := range readMethods() {
		names = append(names, name{string(m.Parent().FullName()), string(m.Name())})
	}
	config, _ := json.Marshal(map[string]any{"methodConfig": []any{map[string]any{ // plain strings always marshal
		"name": names,
		"retryPolicy": map[string]any{
			"maxAttempts": 5, "initialBackoff": "0.2s", "maxBackoff": "3s", "backoffMultiplier": 2,
			"retryableStatusCodes": []string{"UNAVAILABLE", "RESOURCE_EXHAUSTED"},
		},
	}}})
	return string(config)
}

// readMethods returns the methods that change nothing, as the contract says.
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
