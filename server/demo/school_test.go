package demo

import (
	"bytes"
	"strings"
	"testing"
)

// The class plays to its end, and the story shows what it is about: the refused client, the
// missed strand test as a mark, a mark that a person changed, and the attempt that could
// have hurt somebody.
func TestSchool(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	if err := RunSchool(t.Context(), Options{Out: &out, Start: start}); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	for _, want := range []string{"a client in the school: refused", "a strand test of nape was due", "not met  Test strands on time.",
		"changed: I saw her clear away", "look at teo: would have gone ahead where the answer is refuse", "try next: chains/quay-school/cases/tight-curls"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the story lacks %q", want)
		}
	}
	if t.Failed() {
		t.Log(out.String())
	}
}
