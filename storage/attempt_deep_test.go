package storage

import (
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"

	pb "alkalog/proto/alkalogv1"
)

// TestAttemptFieldsAtAnyDepth uses a message that holds itself, since the contract
// has such fields at the top only.
func TestAttemptFieldsAtAnyDepth(t *testing.T) {
	once := &descriptorpb.FieldOptions{}
	proto.SetExtension(once, pb.E_PerAttempt, true)
	field := func(name string, number int32, f *descriptorpb.FieldDescriptorProto) *descriptorpb.FieldDescriptorProto {
		f.Name, f.Number = &name, &number
		return f
	}
	file, err := protodesc.NewFile(&descriptorpb.FileDescriptorProto{
		Name: proto.String("deep.proto"), Package: proto.String("deep"), Syntax: proto.String("proto3"),
		MessageType: []*descriptorpb.DescriptorProto{{Name: proto.String("Node"), Field: []*descriptorpb.FieldDescriptorProto{
			field("kept", 1, &descriptorpb.FieldDescriptorProto{Type: descriptorpb.FieldDescriptorProto_TYPE_INT64.Enum(), Label: descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL.Enum()}),
			field("once", 2, &descriptorpb.FieldDescriptorProto{Type: descriptorpb.FieldDescriptorProto_TYPE_INT64.Enum(), Label: descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL.Enum(), Options: once}),
			field("one", 3, &descriptorpb.FieldDescriptorProto{Type: descriptorpb.FieldDescriptorProto_TYPE_MESSAGE.Enum(), TypeName: proto.String(".deep.Node"), Label: descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL.Enum()}),
			field("many", 4, &descriptorpb.FieldDescriptorProto{Type: descriptorpb.FieldDescriptorProto_TYPE_MESSAGE.Enum(), TypeName: proto.String(".deep.Node"), Label: descriptorpb.FieldDescriptorProto_LABEL_REPEATED.Enum()}),
		}}},
	}, protoregistry.GlobalFiles)
	if err != nil {
		t.Fatal(err)
	}
	node := file.Messages().Get(0)
	get := func(n protoreflect.Name) protoreflect.FieldDescriptor { return node.Fields().ByName(n) }
	var tree func(once bool, depth int) *dynamicpb.Message
	tree = func(once bool, depth int) *dynamicpb.Message {
		m := dynamicpb.NewMessage(node)
		m.Set(get("kept"), protoreflect.ValueOfInt64(7))
		if once {
			m.Set(get("once"), protoreflect.ValueOfInt64(8))
		}
		if depth > 0 {
			m.Set(get("one"), protoreflect.ValueOfMessage(tree(once, depth-1)))
			m.Mutable(get("many")).List().Append(protoreflect.ValueOfMessage(tree(once, depth-1)))
		}
		return m
	}
	sent, want := tree(true, 3), tree(false, 3)
	if got := withoutAttempt(sent); !proto.Equal(got, want) {
		t.Errorf("left is %v", got)
	}
	if !proto.Equal(sent, tree(true, 3)) {
		t.Error("the message itself was changed")
	}
}
