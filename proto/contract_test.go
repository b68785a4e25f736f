package proto_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"unicode"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/proto/source"
)

// TestContractKeepsItsRules checks every file of the contract against the rules
// below. They are those of the AIPs (https://google.aip.dev) that the contract
// adopts, and a few of its own; buf lint checks the rest.
func TestContractKeepsItsRules(t *testing.T) {
	methods := 0
	for _, file := range contractFiles() {
		for _, breach := range breaches(file) {
			t.Error(breach)
		}
		for _, service := range all(file.Services()) {
			methods += service.Methods().Len()
		}
	}
	if methods == 0 {
		t.Error("no method was looked at")
	}
}

// TestContractIsExplained requires a comment on every element of the contract.
func TestContractIsExplained(t *testing.T) {
	files, err := source.Compile(".")
	if err != nil {
		t.Fatal(err)
	}
	if linked := contractFiles(); len(files) != len(linked) {
		t.Errorf("%d files in alkalog/v1, %d linked", len(files), len(linked))
	}
	for _, file := range files {
		for _, breach := range unexplained(file) {
			t.Error(breach)
		}
	}
}

// contractFiles returns what the server links of our own contract.
func contractFiles() []protoreflect.FileDescriptor {
	var files []protoreflect.FileDescriptor
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		if strings.HasPrefix(file.Path(), "alkalog/") {
			files = append(files, file)
		}
		return true
	})
	return files
}

// breaches returns a line for every rule that a file breaks.
func breaches(file protoreflect.FileDescriptor) []string {
	var b complaints
	for _, service := range all(file.Services()) {
		for _, method := range all(service.Methods()) {
			b.checkAccess(method)
			b.checkVerb(method)
		}
	}
	for _, enum := range all(file.Enums()) {
		b.checkEnum(enum)
	}
	for _, message := range all(file.Messages()) {
		b.checkMessage(message)
	}
	return b
}

// complaints collects what is wrong, each beginning with the element's name.
type complaints []string

func (c *complaints) add(d protoreflect.Descriptor, format string, args ...any) {
	*c = append(*c, fmt.Sprintf("%s: ", d.FullName())+fmt.Sprintf(format, args...))
}

// checkAccess requires every RPC to say who may call it, and every mutation, and
// nothing else, to carry a request id (AIP-155).
func (c *complaints) checkAccess(method protoreflect.MethodDescriptor) {
	access := proto.GetExtension(method.Options(), pb.E_Access).(*pb.Access)
	if len(access.GetRoles()) == 0 || slices.Contains(access.GetRoles(), pb.Role_ROLE_UNSPECIFIED) {
		c.add(method, "declares no roles in its access option")
	}
	reads := startsWith(method, "Get", "List", "Watch", "Export", "Summarize", "Replay", "Preview", "Describe", "Scan")
	if access.GetMutates() == reads {
		c.add(method, "mutates: %t does not go with its verb", access.GetMutates())
	}
	id := method.Input().Fields().ByName("request_id")
	if access.GetMutates() && (id == nil || !rules(id).GetString().GetUuid()) {
		c.add(method, "mutates, so its request needs a request_id that must be a UUID")
	}
	if !access.GetMutates() && id != nil {
		c.add(method, "reads, so a request_id means nothing")
	}
}

// checkVerb requires the shapes of the standard methods (AIP-131 to 134, 158).
// The deliberate difference: an answer is a message of its own that holds the
// resource, so that it can grow.
func (c *complaints) checkVerb(method protoreflect.MethodDescriptor) {
	in, out := method.Input().Fields(), method.Output().Fields()
	verb, noun := splitVerb(method)
	switch verb {
	case "Get":
		c.want(method, in, "name", protoreflect.StringKind)
		if in.ByName("name") != nil && !proto.HasExtension(in.ByName("name").Options(), annotations.E_ResourceReference) {
			c.add(method, "does not say of what resource name is the name")
		}
	case "List":
		c.want(method, in, "page_size", protoreflect.Int32Kind)
		c.want(method, in, "page_token", protoreflect.StringKind)
		c.want(method, out, "next_page_token", protoreflect.StringKind)
		if page := out.ByName(noun); page == nil || !page.IsList() || page.Message() == nil {
			c.add(method, "its answer has no repeated %s", noun)
		}
	case "Create":
		c.want(method, in, noun, protoreflect.MessageKind)
		c.want(method, out, noun, protoreflect.MessageKind)
	case "Update":
		c.want(method, in, noun, protoreflect.MessageKind)
		c.want(method, in, "update_mask", protoreflect.MessageKind)
		c.want(method, out, noun, protoreflect.MessageKind)
		if f := in.ByName(noun); f != nil && f.Message() != nil && f.Message().Fields().ByName("etag") == nil {
			c.add(method, "%s can be changed and has no etag", f.Message().Name())
		}
	case "Delete":
		c.add(method, "nothing is deleted in this contract; a later record supersedes")
	}
}

// want complains when a request or answer lacks a field of that name and kind.
func (c *complaints) want(method protoreflect.MethodDescriptor, fields protoreflect.FieldDescriptors, name protoreflect.Name, kind protoreflect.Kind) {
	if f := fields.ByName(name); f == nil || f.Kind() != kind || f.IsList() {
		c.add(method, "lacks %s, a %s", name, kind)
	}
}

// checkEnum requires "not answered" to be the zero of every enum (AIP-126).
func (c *complaints) checkEnum(enum protoreflect.EnumDescriptor) {
	zero := enum.Values().ByNumber(0)
	if zero == nil || !strings.HasSuffix(string(zero.Name()), "_UNSPECIFIED") {
		c.add(enum, "its zero value does not end in _UNSPECIFIED")
	}
}

// checkMessage requires resources to have a name, an etag when they can change
// (AIP-154), and instants that the server sets to be marked so (AIP-203, 142).
func (c *complaints) checkMessage(message protoreflect.MessageDescriptor) {
	for _, enum := range all(message.Enums()) {
		c.checkEnum(enum)
	}
	for _, nested := range all(message.Messages()) {
		if !nested.IsMapEntry() {
			c.checkMessage(nested)
		}
	}
	fields := message.Fields()
	if proto.HasExtension(message.Options(), annotations.E_Resource) {
		c.checkResource(message)
	}
	for _, field := range all(fields) {
		if contract.IsText(field) && contract.OwnDataClass(field) == pb.DataClass_DATA_CLASS_UNSPECIFIED {
			c.add(field, "text needs a data_class")
		}
		isTime := field.Message() != nil && field.Message().FullName() == "google.protobuf.Timestamp"
		if isTime && strings.HasSuffix(string(field.Name()), "_at") {
			c.add(field, "an instant is named ..._time")
		}
		if field.ContainingOneof() != nil && field.ContainingOneof().IsSynthetic() && field.Enum() != nil {
			c.add(field, "an enum has its own not answered; it is not optional")
		}
	}
}

// checkResource requires the fields that every stored record has.
func (c *complaints) checkResource(message protoreflect.MessageDescriptor) {
	fields := message.Fields()
	resource := proto.GetExtension(message.Options(), annotations.E_Resource).(*annotations.ResourceDescriptor)
	if !strings.HasSuffix(resource.GetType(), "/"+string(message.Name())) || len(resource.GetPattern()) == 0 {
		c.add(message, "its resource option needs a type that ends in /%s, and a pattern", message.Name())
	}
	if name := fields.ByName("name"); name == nil || !behaves(name, annotations.FieldBehavior_IDENTIFIER) {
		c.add(message, "a resource needs a name marked IDENTIFIER")
	}
	if fields.ByName("update_time") != nil && fields.ByName("etag") == nil {
		c.add(message, "a resource that can change needs an etag")
	}
	for _, name := range []protoreflect.Name{"create_time", "update_time", "record_time", "submit_time", "activate_time"} {
		if f := fields.ByName(name); f != nil && !behaves(f, annotations.FieldBehavior_OUTPUT_ONLY) {
			c.add(f, "the server sets it, so it is OUTPUT_ONLY")
		}
	}
}

// unexplained lists the elements of a file that have no comment before them.
func unexplained(file protoreflect.FileDescriptor) complaints {
	var c complaints
	need := func(d protoreflect.Descriptor) {
		if strings.TrimSpace(file.SourceLocations().ByDescriptor(d).LeadingComments) == "" {
			c.add(d, "has no comment")
		}
	}
	for _, service := range all(file.Services()) {
		need(service)
		for _, method := range all(service.Methods()) {
			need(method)
		}
	}
	enums := func(list protoreflect.EnumDescriptors) {
		for _, enum := range all(list) {
			need(enum)
			for _, value := range all(enum.Values()) {
				need(value)
			}
		}
	}
	var messages func(protoreflect.MessageDescriptors)
	messages = func(list protoreflect.MessageDescriptors) {
		for _, message := range all(list) {
			if message.IsMapEntry() {
				continue
			}
			need(message)
			for _, field := range all(message.Fields()) {
				need(field)
			}
			enums(message.Enums())
			messages(message.Messages())
		}
	}
	enums(file.Enums())
	messages(file.Messages())
	return c
}

// splitVerb splits GetRecordCard into "Get" and "record_card", the name that
// a field holding it has.
func splitVerb(method protoreflect.MethodDescriptor) (string, protoreflect.Name) {
	name := string(method.Name())
	end := strings.IndexFunc(name[1:], unicode.IsUpper) + 1
	var noun strings.Builder
	for i, r := range name[end:] {
		if unicode.IsUpper(r) && i > 0 {
			noun.WriteByte('_')
		}
		noun.WriteRune(unicode.ToLower(r))
	}
	return name[:end], protoreflect.Name(noun.String())
}

func startsWith(d protoreflect.Descriptor, verbs ...string) bool {
	return slices.ContainsFunc(verbs, func(verb string) bool { return strings.HasPrefix(string(d.Name()), verb) })
}

func behaves(field protoreflect.FieldDescriptor, want annotations.FieldBehavior) bool {
	marks := proto.GetExtension(field.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(marks, want)
}

func rules(field protoreflect.FieldDescriptor) *validate.FieldRules {
	return proto.GetExtension(field.Options(), validate.E_Field).(*validate.FieldRules)
}

// list is the collection type of descriptors.
type list[T any] interface {
	Len() int
	Get(int) T
}

func all[T any](from list[T]) []T {
	slice := make([]T, from.Len())
	for i := range slice {
		slice[i] = from.Get(i)
	}
	return slice
}
