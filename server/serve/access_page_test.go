package serve

import (
	"bytes"
	"flag"
	"os"
	"testing"
)

var update = flag.Bool("update", false, "write golden files")

// TestAccessPage: the page in the source says what the contract says.
func TestAccessPage(t *testing.T) {
	page := AccessPage()
	if *update {
		if err := os.WriteFile("ACCESS.md", page, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	kept, err := os.ReadFile("ACCESS.md")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(kept, page) {
		t.Error("ACCESS.md is not what the contract says; run go test ./server/serve -run TestAccessPage -update")
	}
}
