package rules

import (
	"bytes"
	"os"
	"testing"
)

// RULES.md is what the policy says today; -update writes it again.
func TestPage(t *testing.T) {
	page := newEngine(t).Page()
	if *update {
		check0(t, os.WriteFile("RULES.md", page, 0o644))
	}
	committed, err := os.ReadFile("RULES.md")
	check0(t, err)
	if !bytes.Equal(committed, page) {
		t.Error("RULES.md is not what the policy says: go test ./service/rules -update")
	}
}
