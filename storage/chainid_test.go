package storage

import (
	"regexp"
	"testing"

	"pgregory.net/rapid"
)

// TestIsChainID compares it with the form of the contract, on texts near that form.
func TestIsChainID(t *testing.T) {
	form := regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)
	text := rapid.OneOf(rapid.StringMatching(`[a-z0-9-]{0,70}`), rapid.StringMatching(`[a-zA-Z0-9';/\\ é\n-]{0,5}`), rapid.String(),
		rapid.SampledFrom([]string{"", "-", "a", "a\n", "a'", "a-"}))
	rapid.Check(t, func(t *rapid.T) {
		if id := text.Draw(t, "id"); isChainID(id) != form.MatchString(id) {
			t.Fatalf("%q: %t", id, isChainID(id))
		}
	})
}
