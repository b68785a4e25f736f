package proto_test

import (
	"regexp"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
	"google.golang.org/genproto/googleapis/api/annotations"
	gproto "google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"alkalog/proto"
)

// openAPI is what the tests read of openapi.yaml.
type openAPI struct {
	Paths map[string]map[string]struct {
		OperationID string `yaml:"operationId"`
	}
	Components struct {
		Schemas map[string]struct{ Properties map[string]any }
	}
}

// TestOpenAPIIsTheContract compares openapi.yaml with the contract: every path with its
// method, and the fields of every message. A contract that was changed without
// generating the file again fails here.
func TestOpenAPIIsTheContract(t *testing.T) {
	var file openAPI
	if err := yaml.Unmarshal(proto.OpenAPI, &file); err != nil {
		t.Fatal(err)
	}
	wanted := 0
	seen := map[protoreflect.FullName]bool{}
	for _, f := range contractFiles() {
		for _, service := range all(f.Services()) {
			for _, method := range all(service.Methods()) {
				verb, path := verbAndPath(gproto.GetExtension(method.Options(), annotations.E_Http).(*annotations.HttpRule))
				if path == "" {
					continue
				}
				wanted++
				id := string(service.Name()) + "_" + string(method.Name())
				if got := file.Paths[openAPIPath(path)][strings.ToLower(verb)].OperationID; got != id {
					t.Errorf("openapi.yaml has %q at %s %s, want %s; run go generate ./proto", got, verb, openAPIPath(path), id)
				}
				file.compare(t, method.Input(), seen)
				file.compare(t, method.Output(), seen)
			}
		}
	}
	found := 0
	for _, verbs := range file.Paths {
		found += len(verbs)
	}
	if wanted == 0 || found != wanted {
		t.Errorf("openapi.yaml has %d methods, the contract %d with a path", found, wanted)
	}
}

// openAPIPath writes a path template as OpenAPI does: a variable for each id, in
// place of one for the whole name.
func openAPIPath(path string) string {
	return pathVariable.ReplaceAllStringFunc(path, func(variable string) string {
		name := pathVariable.FindStringSubmatch(variable)[2]
		return regexp.MustCompile(`([a-z-]+)/\*`).ReplaceAllStringFunc(name, func(part string) string {
			collection := strings.TrimSuffix(part, "/*")
			return collection + "/{" + singular(collection) + "}"
		})
	})
}

// singular is the name of one item of a collection.
func singular(collection string) string {
	if base, ok := strings.CutSuffix(collection, "ies"); ok {
		return base + "y"
	}
	return strings.TrimSuffix(collection, "s")
}

// compare compares the properties of a schema with the fields of a message, and those
// of the messages in it. A message without fields, or one that no answer or request
// refers to by name, has no schema.
func (f openAPI) compare(t *testing.T, message protoreflect.MessageDescriptor, seen map[protoreflect.FullName]bool) {
	t.Helper()
	if seen[message.FullName()] || message.ParentFile().Package() != "alkalog.v1" {
		return
	}
	seen[message.FullName()] = true
	schema, known := f.Components.Schemas[string(message.FullName())]
	for _, field := range all(message.Fields()) {
		if known && schema.Properties[field.JSONName()] == nil {
			t.Errorf("openapi.yaml lacks %s; run go generate ./proto", field.FullName())
		}
		if field.Message() != nil {
			f.compare(t, field.Message(), seen)
		}
	}
	if known && len(schema.Properties) != message.Fields().Len() {
		t.Errorf("openapi.yaml has %d fields of %s, the contract %d; run go generate ./proto", len(schema.Properties), message.FullName(), message.Fields().Len())
	}
}
