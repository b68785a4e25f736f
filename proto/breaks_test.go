package proto_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"
)

// sound is a small contract that keeps every rule. The tests below break it, one
// way at a time, so that a rule that no longer detects anything is noticed.
const sound = `
name: "alkalog/v1/brush.proto" package: "alkalog.v1" syntax: "proto3"
dependency: "alkalog/v1/options.proto" dependency: "buf/validate/validate.proto"
dependency: "google/api/field_behavior.proto" dependency: "google/api/resource.proto"
dependency: "google/protobuf/field_mask.proto" dependency: "google/protobuf/timestamp.proto"
enum_type { name: "Bristle" value { name: "BRISTLE_UNSPECIFIED" number: 0 } value { name: "BRISTLE_SOFT" number: 1 } }
message_type {
  name: "Brush"
  options { [google.api.resource] { type: "alkalog/Brush" pattern: "brushes/{brush}" } }
  field { name: "name" number: 1 type: TYPE_STRING label: LABEL_OPTIONAL options { [alkalog.v1.data_class]: DATA_CLASS_NONE [google.api.field_behavior]: IDENTIFIER [buf.validate.field] { string { max_len: 9 } } } }
  field { name: "etag" number: 2 type: TYPE_STRING label: LABEL_OPTIONAL options { [alkalog.v1.data_class]: DATA_CLASS_NONE [buf.validate.field] { string { max_len: 64 } } } }
  field { name: "update_time" number: 3 type: TYPE_MESSAGE type_name: ".google.protobuf.Timestamp" label: LABEL_OPTIONAL options { [google.api.field_behavior]: OUTPUT_ONLY } }
  field { name: "bristle" number: 4 type: TYPE_ENUM type_name: ".alkalog.v1.Bristle" label: LABEL_OPTIONAL options { [buf.validate.field] { enum { defined_only: true } } } }
  field { name: "length" number: 5 type: TYPE_DOUBLE label: LABEL_OPTIONAL options { [buf.validate.field] { double { gte: 0 lte: 9 } } } }
  field { name: "salons" number: 6 type: TYPE_STRING label: LABEL_REPEATED options { [alkalog.v1.data_class]: DATA_CLASS_NONE [buf.validate.field] { repeated { max_items: 3 items { string { max_len: 9 } } } } } }
}
message_type {
  name: "GetBrushRequest"
  field { name: "name" number: 1 type: TYPE_STRING label: LABEL_OPTIONAL options { [alkalog.v1.data_class]: DATA_CLASS_NONE [google.api.resource_reference] { type: "alkalog/Brush" } [buf.validate.field] { string { max_len: 9 } } } }
}
message_type { name: "GetBrushResponse" field { name: "brush" number: 1 type: TYPE_MESSAGE type_name: ".alkalog.v1.Brush" label: LABEL_OPTIONAL } }
message_type {
  name: "ListBrushesRequest"
  field { name: "page_size" number: 1 type: TYPE_INT32 label: LABEL_OPTIONAL options { [buf.validate.field] { int32 { gte: 0 } } } }
  field { name: "page_token" number: 2 type: TYPE_STRING label: LABEL_OPTIONAL options { [alkalog.v1.data_class]: DATA_CLASS_NONE [buf.validate.field] { string { max_len: 500 } } } }
}
message_type {
  name: "ListBrushesResponse"
  field { name: "brushes" number: 1 type: TYPE_MESSAGE type_name: ".alkalog.v1.Brush" label: LABEL_REPEATED }
  field { name: "next_page_token" number: 2 type: TYPE_STRING label: LABEL_OPTIONAL options { [alkalog.v1.data_class]: DATA_CLASS_NONE } }
}
message_type {
  name: "UpdateBrushRequest"
  field { name: "brush" number: 1 type: TYPE_MESSAGE type_name: ".alkalog.v1.Brush" label: LABEL_OPTIONAL }
  field { name: "update_mask" number: 2 type: TYPE_MESSAGE type_name: ".google.protobuf.FieldMask" label: LABEL_OPTIONAL }
  field { name: "request_id" number: 3 type: TYPE_STRING label: LABEL_OPTIONAL options { [alkalog.v1.data_class]: DATA_CLASS_NONE [buf.validate.field] { string { uuid: true } } } }
}
message_type { name: "UpdateBrushResponse" field { name: "brush" number: 1 type: TYPE_MESSAGE type_name: ".alkalog.v1.Brush" label: LABEL_OPTIONAL } }
service {
  name: "BrushService"
  method { name: "GetBrush" input_type: ".alkalog.v1.GetBrushRequest" output_type: ".alkalog.v1.GetBrushResponse" options { [alkalog.v1.access] { roles: ROLE_TILL } } }
  method { name: "ListBrushes" input_type: ".alkalog.v1.ListBrushesRequest" output_type: ".alkalog.v1.ListBrushesResponse" options { [alkalog.v1.access] { roles: ROLE_TILL } } }
  method { name: "UpdateBrush" input_type: ".alkalog.v1.UpdateBrushRequest" output_type: ".alkalog.v1.UpdateBrushResponse" options { [alkalog.v1.access] { roles: ROLE_TILL mutates: true } } }
}`

func TestRulesBite(t *testing.T) {
	if got := judged(t, sound); len(got) != 0 {
		t.Errorf("a sound contract is refused: %q", got)
	}
	for name, c := range map[string]struct{ old, new, want string }{
		"an RPC without roles":            {`[alkalog.v1.access] { roles: ROLE_TILL }`, ``, "GetBrush: declares no roles"},
		"a role that is none":             {`roles: ROLE_TILL }`, `roles: ROLE_UNSPECIFIED }`, "GetBrush: declares no roles"},
		"a read that changes":             {`roles: ROLE_TILL }`, `roles: ROLE_TILL mutates: true }`, "does not go with its verb"},
		"a change that says it reads":     {`mutates: true`, ``, "does not go with its verb"},
		"a change without a request id":   {`"request_id"`, `"request"`, "needs a request_id"},
		"a request id of any shape":       {`uuid: true`, `max_len: 9`, "needs a request_id"},
		"a read with a request id":        {`"page_token"`, `"request_id"`, "a request_id means nothing"},
		"a get without a name":            {`field { name: "name" number: 1 type: TYPE_STRING label: LABEL_OPTIONAL options { [alkalog.v1.data_class]: DATA_CLASS_NONE [google.api.resource_reference]`, `field { name: "brush" number: 1 type: TYPE_STRING label: LABEL_OPTIONAL options { [alkalog.v1.data_class]: DATA_CLASS_NONE [google.api.resource_reference]`, "lacks name"},
		"a name of nothing in particular": {`[google.api.resource_reference] { type: "alkalog/Brush" }`, ``, "of what resource"},
		"a list without a page size":      {`"page_size"`, `"size"`, "lacks page_size"},
		"a list without a page token":     {`"page_token"`, `"token"`, "lacks page_token"},
		"a list without a next page":      {`"next_page_token"`, `"token"`, "lacks next_page_token"},
		"a list of something else":        {`name: "brushes"`, `name: "items"`, "no repeated brushes"},
		"an update without a mask":        {`"update_mask"`, `"mask"`, "lacks update_mask"},
		"an update of nothing":            {`field { name: "brush" number: 1 type: TYPE_MESSAGE type_name: ".alkalog.v1.Brush" label: LABEL_OPTIONAL }` + "\n  field", "field", "UpdateBrush: lacks brush"},
		"a delete":                        {`name: "UpdateBrush" `, `name: "DeleteBrush" `, "nothing is deleted"},
		"a changing record without etag":  {`"etag"`, `"mark"`, "Brush: a resource that can change needs an etag"},
		"an update of what has no etag":   {`"etag"`, `"mark"`, "UpdateBrush: Brush can be changed and has no etag"},
		"a record without its name":       {`[google.api.field_behavior]: IDENTIFIER`, ``, "name marked IDENTIFIER"},
		"a resource of another type":      {`{ type: "alkalog/Brush" pattern`, `{ type: "alkalog/Comb" pattern`, "a type that ends in /Brush"},
		"a server time open to callers":   {`[google.api.field_behavior]: OUTPUT_ONLY`, ``, "so it is OUTPUT_ONLY"},
		"an instant by another name":      {`"update_time"`, `"updated_at"`, "named ..._time"},
		"an enum that begins with a no":   {`BRISTLE_UNSPECIFIED`, `BRISTLE_NONE`, "does not end in _UNSPECIFIED"},
		"text without end":                {`{ string { max_len: 64 } }`, `{ string { min_len: 1 } }`, "Brush.etag: a string needs max_len"},
		"a list without end":              {`max_items: 3 `, ``, "Brush.salons: a list needs max_items"},
		"long text in a list":             {`items { string { max_len: 9 } }`, ``, "Brush.salons: a string needs max_len"},
		"an unknown enum value":           {`enum { defined_only: true }`, ``, "Brush.bristle: an enum needs defined_only"},
		"a number with one limit":         {`gte: 0 lte: 9`, `gte: 0`, "Brush.length: a double needs"},
		"text without a class of data":    {`label: LABEL_OPTIONAL options { [alkalog.v1.data_class]: DATA_CLASS_NONE [buf.validate.field] { string { max_len: 64 } } }`, `label: LABEL_OPTIONAL options { [buf.validate.field] { string { max_len: 64 } } }`, "Brush.etag: text needs a data_class"},
		"a class that is none":            {`DATA_CLASS_NONE [buf.validate.field] { string { max_len: 64 } }`, `DATA_CLASS_UNSPECIFIED [buf.validate.field] { string { max_len: 64 } }`, "Brush.etag: text needs a data_class"},
		"a whole number without limit":    {`int32 { gte: 0 }`, ``, "page_size: a whole number needs"},
	} {
		t.Run(name, func(t *testing.T) {
			if !strings.Contains(sound, c.old) {
				t.Fatalf("the sound contract has no %q to break", c.old)
			}
			got := judged(t, strings.Replace(sound, c.old, c.new, 1))
			if !strings.Contains(strings.Join(got, "\n"), c.want) {
				t.Errorf("got %q, want a line with %q", got, c.want)
			}
		})
	}
}

// TestCommentsAreMissed looks at a contract without one comment.
func TestCommentsAreMissed(t *testing.T) {
	got := unexplained(described(t, sound))
	for _, element := range []string{"BrushService", "BrushService.GetBrush", "Brush", "Brush.etag", "Bristle", "BRISTLE_SOFT"} {
		if !strings.Contains(strings.Join(got, "\n"), "alkalog.v1."+element+": has no comment") {
			t.Errorf("%s has no comment and nobody complains", element)
		}
	}
}

// judged returns what the rules and the limits say about a contract.
func judged(t *testing.T, text string) []string {
	t.Helper()
	file := described(t, text)
	complaints, seen := breaches(file), map[protoreflect.FullName]bool{}
	for _, method := range all(file.Services().Get(0).Methods()) {
		complaints = append(complaints, unbounded(method.Input(), seen)...)
	}
	return complaints
}

// described makes descriptors of a file's text form.
func described(t *testing.T, text string) protoreflect.FileDescriptor {
	t.Helper()
	set := new(descriptorpb.FileDescriptorProto)
	if err := prototext.Unmarshal([]byte(text), set); err != nil {
		t.Fatal(err)
	}
	file, err := protodesc.NewFile(set, protoregistry.GlobalFiles)
	if err != nil {
		t.Fatal(err)
	}
	return file
}
