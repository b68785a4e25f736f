package proto_test

import (
	"io/fs"
	"os"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	"alkalog/proto/source"

	_ "google.golang.org/genproto/googleapis/rpc/code"
	_ "google.golang.org/genproto/googleapis/rpc/errdetails"
	_ "google.golang.org/genproto/googleapis/rpc/status"
	_ "google.golang.org/genproto/googleapis/type/date"
)

// TestThirdPartyIsWhatIsLinked compares the vendored protos, which clients
// generate from, with the descriptors of the Go packages, which the server runs.
func TestThirdPartyIsWhatIsLinked(t *testing.T) {
	var names []string
	err := fs.WalkDir(os.DirFS("third_party"), ".", func(name string, d fs.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(name, ".proto") {
			names = append(names, name)
		}
		return err
	})
	if err != nil || len(names) == 0 {
		t.Fatalf("%d files: %v", len(names), err)
	}
	files, err := source.Compile(".", names...)
	if err != nil {
		t.Fatal(err)
	}
	for _, vendored := range files {
		linked, err := protoregistry.GlobalFiles.FindFileByPath(vendored.Path())
		if err != nil {
			t.Errorf("%s is vendored but not linked: %v", vendored.Path(), err)
			continue
		}
		if !proto.Equal(bare(protodesc.ToFileDescriptorProto(vendored)), bare(protodesc.ToFileDescriptorProto(linked))) {
			t.Errorf("%s is not the version that is linked", vendored.Path())
		}
	}
}

// bare leaves out differences that do not show on the wire: comments, and whether
// an extension is packed, since every parser must accept both forms
// (protobuf.dev, Encoding, "Packed Repeated Fields"). field_behavior was once
// declared unpacked and no longer is.
func bare(file *descriptorpb.FileDescriptorProto) *descriptorpb.FileDescriptorProto {
	encoded, _ := proto.MarshalOptions{Deterministic: true}.Marshal(file)
	file = new(descriptorpb.FileDescriptorProto)
	_ = proto.Unmarshal(encoded, file) // so that options have the linked types
	file.SourceCodeInfo = nil
	for _, extension := range file.Extension {
		if extension.Options != nil {
			extension.Options.Packed = nil
		}
		if proto.Size(extension.Options) == 0 {
			extension.Options = nil
		}
	}
	return file
}
