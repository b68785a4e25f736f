package proto_test

import (
	"bytes"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	_ "google.golang.org/genproto/googleapis/rpc/code"
	_ "google.golang.org/genproto/googleapis/rpc/errdetails"
	_ "google.golang.org/genproto/googleapis/rpc/status"
	_ "google.golang.org/genproto/googleapis/type/date"
)

// TestGeneratedCodeIsCurrent generates afresh and compares byte for byte with
// what is committed.
func TestGeneratedCodeIsCurrent(t *testing.T) {
	fresh := t.TempDir()
	buf(t, "generate", "-o", fresh)
	want, got := filesBelow(t, filepath.Join(fresh, "alkalogv1")), filesBelow(t, "alkalogv1")
	for name := range got {
		if _, ok := want[name]; !ok {
			t.Errorf("alkalogv1/%s is not generated; only generated code belongs there", name)
		}
	}
	for name, content := range want {
		if !bytes.Equal(content, got[name]) {
			t.Errorf("alkalogv1/%s is not what the contract generates; run go generate ./proto", name)
		}
	}
}

// TestThirdPartyIsWhatIsLinked compares the vendored protos, which clients
// generate from, with the descriptors of the Go packages, which the server runs.
func TestThirdPartyIsWhatIsLinked(t *testing.T) {
	files := built(t, "third_party", "--exclude-imports").File
	if len(files) < len(filesBelow(t, "third_party"))-2 { // beside the protos: a README and a licence
		t.Errorf("only %d files were built", len(files))
	}
	for _, vendored := range files {
		linked, err := protoregistry.GlobalFiles.FindFileByPath(vendored.GetName())
		if err != nil {
			t.Errorf("%s is vendored but not linked: %v", vendored.GetName(), err)
			continue
		}
		if !proto.Equal(bare(vendored), bare(protodesc.ToFileDescriptorProto(linked))) {
			t.Errorf("%s is not the version that is linked", vendored.GetName())
		}
	}
}

// bare leaves out what cannot be told apart on the wire: comments, and whether
// an extension is packed, since every parser must accept both forms
// (protobuf.dev, Encoding, "Packed Repeated Fields"). field_behavior was once
// declared unpacked and no longer is.
func bare(file *descriptorpb.FileDescriptorProto) *descriptorpb.FileDescriptorProto {
	file = proto.CloneOf(file)
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

// built returns what buf makes of a folder, comments included.
func built(t *testing.T, folder string, flags ...string) *descriptorpb.FileDescriptorSet {
	t.Helper()
	set := new(descriptorpb.FileDescriptorSet)
	args := append([]string{"build", folder, "--as-file-descriptor-set", "-o", "-"}, flags...)
	if err := proto.Unmarshal(buf(t, args...), set); err != nil {
		t.Fatal(err)
	}
	return set
}

// buf runs the contract's tool, from its own module, and returns what it prints.
// It reads the protos first, so that go test knows that its result depends on
// them.
func buf(t *testing.T, args ...string) []byte {
	t.Helper()
	for _, input := range []string{"alkalog", "third_party", "tools", "buf.yaml", "buf.gen.yaml"} {
		filesBelow(t, input)
	}
	cmd := exec.Command("go", append([]string{"tool", "-modfile=tools/go.mod", "buf"}, args...)...)
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("buf %s: %v\n%s", strings.Join(args, " "), err, &complaint)
	}
	return out
}

// filesBelow reads a folder, or a file, and returns content by relative name.
func filesBelow(t *testing.T, root string) map[string][]byte {
	t.Helper()
	files := map[string][]byte{}
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		content, err := os.ReadFile(name)
		relative, _ := filepath.Rel(root, name)
		files[relative] = content
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}
