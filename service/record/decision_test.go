package record_test

import (
	"testing"

	"alkalog/service/record"
)

func TestParentIsTheNameAbove(t *testing.T) {
	for name, want := range map[string]string{
		"chains/ebb/clients/c/decisions/d": "chains/ebb/clients/c",
		"chains/ebb/salons/north":          "chains/ebb",
		"chains/ebb":                       "",
		"":                                 "",
	} {
		if got := record.Parent(name); got != want {
			t.Errorf("Parent(%q) = %q, want %q", name, got, want)
		}
	}
}
