// Package source compiles the contract's .proto files, for tests and generated
// pages that need the comments: generated code does not keep them.
package source

import (
	"context"
	"path/filepath"
	"strings"

	"github.com/bufbuild/protocompile"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// Compile compiles .proto files with their comments. Root is the path of the
// folder proto; names are relative to its folder alkalog/v1 or, with a slash, to
// third_party. No name means all files of alkalog/v1.
func Compile(root string, names ...string) ([]protoreflect.FileDescriptor, error) {
	if len(names) == 0 {
		found, err := filepath.Glob(filepath.Join(root, "alkalog/v1/*.proto"))
		if err != nil {
			return nil, err
		}
		for _, path := range found {
			names = append(names, filepath.Base(path))
		}
	}
	for i, name := range names {
		if !strings.Contains(name, "/") {
			names[i] = "alkalog/v1/" + name
		}
	}
	compiler := protocompile.Compiler{
		Resolver: protocompile.WithStandardImports(&protocompile.SourceResolver{
			ImportPaths: []string{root, filepath.Join(root, "third_party")},
		}),
		SourceInfoMode: protocompile.SourceInfoStandard,
	}
	compiled, err := compiler.Compile(context.Background(), names...)
	if err != nil {
		return nil, err
	}
	var files []protoreflect.FileDescriptor
	for _, file := range compiled {
		files = append(files, file)
	}
	return files, nil
}

// Comment is the comment before an element of a compiled file, without the
// slashes; its paragraphs are separated by empty lines.
func Comment(d protoreflect.Descriptor) string {
	lines := strings.Split(d.ParentFile().SourceLocations().ByDescriptor(d).LeadingComments, "\n")
	for i := range lines {
		lines[i] = strings.TrimSpace(lines[i])
	}
	return strings.TrimSpace(strings.Join(lines, "\n"))
}
