package lotcode

import (
	"testing"

	"pgregory.net/rapid"
)

func TestSame(t *testing.T) {
	tests := []struct {
		a, b string
		want bool
	}{
		{"BK-2107", "bk2107", true},
		{"BK-2107", " BK 2107 ", true},
		{"BK-2107", "BK–2107", true}, // en dash
		{"BK-2107", "ＢＫ－２１０７", true}, // full-width, from a scanner
		{"BK-2107", "ВК-2107", true}, // Cyrillic letters
		{"LO-10", "1O.lO", true},     // look-alikes in both places
		{"BK-2107", "BK/2l07", true}, // a small L for a one
		{"BK-2107", "BK-2108", false},
		{"BK-2107", "BK-21070", false},
		{"A8", "AB", false}, // 8 and B are not taken for one another
		{"", "", false},
		{"--", "..", false},
		{"", "BK-2107", false},
	}
	for _, tt := range tests {
		if got := Same(tt.a, tt.b); got != tt.want {
			t.Errorf("Same(%q, %q) = %t, want %t; keys %q and %q", tt.a, tt.b, got, tt.want, Key(tt.a), Key(tt.b))
		}
	}
}

// TestKeyIsStable: the key of a key is the key, so that it can be stored and
// compared again.
func TestKeyIsStable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		code := rapid.String().Draw(t, "code")
		if key := Key(code); Key(key) != key {
			t.Errorf("Key(%q) = %q, whose key is %q", code, key, Key(key))
		}
	})
}
