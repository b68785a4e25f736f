package main

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"io"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// sent is the parts of a file as they come.
type sent []*pb.ExportClientResponse

func (s *sent) Recv() (*pb.ExportClientResponse, error) {
	if len(*s) == 0 {
		return nil, io.EOF
	}
	part := (*s)[0]
	*s = (*s)[1:]
	return part, nil
}

// TestFilesThatWereCutOff: a stream that ends without an error is no whole file
// unless its last part holds the digest of all.
func TestFilesThatWereCutOff(t *testing.T) {
	t.Parallel()
	part := func(text string) *pb.ExportClientResponse { return &pb.ExportClientResponse{Part: []byte(text)} }
	sum := sha256.Sum256([]byte("onetwo"))
	end := &pb.ExportClientResponse{Sha256: sum[:]}
	for what, c := range map[string]struct {
		parts sent
		want  error
	}{
		"whole":                 {sent{part("one"), part("two"), end}, nil},
		"without the end":       {sent{part("one"), part("two")}, errCutOff},
		"without a part":        {sent{part("one"), end}, errCutOff},
		"in another order":      {sent{part("two"), part("one"), end}, errCutOff},
		"with a part behind it": {sent{part("one"), part("two"), end, part("three")}, errCutOff},
		"nothing":               {sent{}, errCutOff},
	} {
		var file bytes.Buffer
		if _, err := copyParts(&file, &c.parts); !errors.Is(err, c.want) || c.want == nil && file.String() != "onetwo" {
			t.Errorf("%s: %v, %q", what, err, &file)
		}
	}
}
