package proto_test

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// TestEveryUnaryRPCHasAPath requires one path of HTTP on every unary RPC (AIP-127)
// and none on a stream. A GET keeps everything that it asks for in its address,
// which proxies and browsers log, so nothing personal may be in it.
func TestEveryUnaryRPCHasAPath(t *testing.T) {
	paths := map[string]protoreflect.FullName{}
	for _, file := range contractFiles() {
		for _, service := range all(file.Services()) {
			for _, method := range all(service.Methods()) {
				for _, breach := range httpBreaches(method, paths) {
					t.Error(breach)
				}
			}
		}
	}
	if len(paths) == 0 {
		t.Error("no path was looked at")
	}
}

// pathVariable is a variable of a path, such as {name=chains/*}.
var pathVariable = regexp.MustCompile(`\{([a-z_.]+)=([^}]*)\}`)

// httpBreaches lists what is wrong with the path of one RPC. It adds the path to
// those seen, with the RPC that has it.
func httpBreaches(method protoreflect.MethodDescriptor, paths map[string]protoreflect.FullName) complaints {
	var c complaints
	rule := proto.GetExtension(method.Options(), annotations.E_Http).(*annotations.HttpRule)
	if method.IsStreamingServer() || method.IsStreamingClient() {
		if rule != nil {
			c.add(method, "is a stream, which has no form as a path")
		}
		return c
	}
	verb, path := verbAndPath(rule)
	if path == "" {
		c.add(method, "has no google.api.http")
		return c
	}
	if len(rule.GetAdditionalBindings()) > 0 || rule.GetResponseBody() != "" {
		c.add(method, "has more than one path, or only a part of its answer")
	}
	shape := verb + " " + pathVariable.ReplaceAllString(path, "$2")
	if other, taken := paths[shape]; taken {
		c.add(method, "has the path %s of %s", shape, other)
	}
	paths[shape] = method.FullName()
	c.checkHTTPVerb(method, verb, rule.GetBody())
	c.checkVariables(method, verb, path)
	return c
}

// verbAndPath returns the verb of HTTP and the path template of a rule.
func verbAndPath(rule *annotations.HttpRule) (verb, path string) {
	switch p := rule.GetPattern().(type) {
	case *annotations.HttpRule_Get:
		return "GET", p.Get
	case *annotations.HttpRule_Post:
		return "POST", p.Post
	case *annotations.HttpRule_Patch:
		return "PATCH", p.Patch
	}
	return "", ""
}

// checkHTTPVerb requires GET of reads alone, PATCH of updates, and everything that
// the path does not hold in the body of the others.
func (c *complaints) checkHTTPVerb(method protoreflect.MethodDescriptor, verb, body string) {
	access := proto.GetExtension(method.Options(), pb.E_Access).(*pb.Access)
	switch {
	case verb == "GET" && access.GetMutates():
		c.add(method, "changes data, so it is no GET")
	case startsWith(method, "Update") != (verb == "PATCH"):
		c.add(method, "an update is a PATCH, and nothing else is")
	case verb == "GET" && body != "", verb != "GET" && body != "*":
		c.add(method, `a GET has no body, the others have body: "*"`)
	}
}

// checkVariables requires that the variables of a path are fields that hold names of
// resources, and that the rest of a GET, which stands in its query, is not personal
// and nothing that anybody typed.
func (c *complaints) checkVariables(method protoreflect.MethodDescriptor, verb, path string) {
	if !strings.HasPrefix(path, "/v1/") && !strings.HasPrefix(path, "/v1:") {
		c.add(method, "its path %s does not begin with the version", path)
	}
	var inPath []protoreflect.Name
	for _, variable := range pathVariable.FindAllStringSubmatch(path, -1) {
		message, first := method.Input(), variable[1]
		outer, inner, nested := strings.Cut(first, ".")
		if nested && message.Fields().ByName(protoreflect.Name(outer)) != nil {
			message, first = message.Fields().ByName(protoreflect.Name(outer)).Message(), inner
		}
		field := message.Fields().ByName(protoreflect.Name(first))
		if field == nil || field.Kind() != protoreflect.StringKind || contract.DataClass(field) != pb.DataClass_DATA_CLASS_IDENTIFIER {
			c.add(method, "%s of its path is not the name of a resource", variable[1])
		}
		inPath = append(inPath, protoreflect.Name(outer))
	}
	if verb != "GET" {
		return
	}
	for _, field := range all(method.Input().Fields()) {
		if slices.Contains(inPath, field.Name()) {
			continue
		}
		typed := field.Kind() == protoreflect.StringKind && field.Name() == "filter"
		if class := contract.DataClass(field); typed || class != pb.DataClass_DATA_CLASS_UNSPECIFIED && !contract.Loggable(class) {
			c.add(field, "would stand in the address of %s; make it a POST", method.Name())
		}
		if field.Message() != nil && field.Message().FullName() != "google.protobuf.Timestamp" {
			c.add(field, "is a message, which does not belong into an address; make %s a POST", method.Name())
		}
	}
}

// TestRequiredInputIsMarked requires REQUIRED (AIP-203) on exactly the fields of
// requests, and of what they hold, whose absence the server refuses by the rule of
// that field.
func TestRequiredInputIsMarked(t *testing.T) {
	seen := map[protoreflect.FullName]bool{}
	for _, file := range contractFiles() {
		for _, service := range all(file.Services()) {
			for _, method := range all(service.Methods()) {
				breaches, err := unmarked(method.Input(), seen)
				if err != nil {
					t.Fatal(err)
				}
				for _, breach := range breaches {
					t.Error(breach)
				}
			}
		}
	}
	if len(seen) == 0 {
		t.Error("no message was looked at")
	}
}

// unmarked compares the marks of a message's fields, and of those it holds, with
// what validation refuses when they are absent.
func unmarked(message protoreflect.MessageDescriptor, seen map[protoreflect.FullName]bool) (complaints, error) {
	var c complaints
	if seen[message.FullName()] || message.ParentFile().Package() != "alkalog.v1" {
		return c, nil
	}
	seen[message.FullName()] = true
	missing, err := refusedWhenEmpty(message)
	if err != nil {
		return nil, err
	}
	for _, field := range all(message.Fields()) {
		if behaves(field, annotations.FieldBehavior_OUTPUT_ONLY) {
			continue
		}
		if marked := behaves(field, annotations.FieldBehavior_REQUIRED); marked != missing[field.Name()] {
			c.add(field, "marked REQUIRED: %t, refused when absent: %t", marked, missing[field.Name()])
		}
		if field.Message() != nil {
			inner, err := unmarked(field.Message(), seen)
			if err != nil {
				return nil, err
			}
			c = append(c, inner...)
		}
	}
	return c, nil
}

// refusedWhenEmpty returns the fields that the server's validation misses in an
// empty message. The name of a oneof, of which one field must be set, is among them
// and marks none of its fields.
func refusedWhenEmpty(message protoreflect.MessageDescriptor) (map[protoreflect.Name]bool, error) {
	missing := map[protoreflect.Name]bool{}
	err := protovalidate.Validate(dynamicpb.NewMessage(message))
	if err == nil {
		return missing, nil
	}
	invalid, ok := err.(*protovalidate.ValidationError)
	if !ok {
		return nil, fmt.Errorf("%s: %w", message.FullName(), err)
	}
	for _, violation := range invalid.Violations {
		if path := violation.Proto.GetField().GetElements(); len(path) == 1 {
			missing[protoreflect.Name(path[0].GetFieldName())] = true
		}
	}
	return missing, nil
}
