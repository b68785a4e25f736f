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
		{"R-2611", "LOT R-2611", true},
		{"R-2611", "Lot no. R2611", true},
		{"R-2611", "LOT: R-2611", true},
		{"2611", "Lot Nr. 2611", true},
		{"R-2611", "Batch R-2611", true},
		{"R-2611", "Charge: R2611", true},
		{"R-2611", "Chargennr. R2611", true},
		{"R-2611", "CH.-B. R2611", true},
		{"R-2611", "R-2611 EXP 12/27", true},
		{"R-2611", "LOT R-2611 BB 31.12.2027", true},
		{"R-2611", "R-2611, MHD 2027-12", true},
		{"R-2611", "(10)R2611", true},
		{"R-2611", "(01)09506000134352(17)271231(10)R-2611", true},
		{"R-2611", "(01)09506000134352(10)R2611(21)774", true},
		{"R-2611", "010950600013435217271231" + "10R2611", true},
		{"R-2611", "]C10109506000134352" + "10R2611", true},
		{"LOT", "lot", true},
		{"LOT", "BATCH", false},
		{"R-2611", "LOT R-2612", false},
		{"R-2611", "(10)R2612", false},
		{"R-2611", "10R2611", false}, // 10 may be part of the code
		{"R-2611", "L-R2611", false},
		{"R-2611", "R-2611 EXP 99/99", false}, // no date
		{"BB-1227", "BB-1228", false},         // nothing before the date
		{"EXP 12/27", "EXP 11/27", false},
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

// TestSameIsSameKey: what is compared by its letters is compared by its key.
func TestSameIsSameKey(t *testing.T) {
	codes := []string{"", " ", "-", "R2611", "r 2611", "Lot no. 5", "LOT", "EXP", "L", "(10)", "(10)R2611", "(01)09506000134352(10)-", "10", "BATCH", "5 EXP 12 2027", "№", "Б12"}
	for _, a := range codes {
		for _, b := range codes {
			if same := Key(a) != "" && Key(a) == Key(b); Same(a, b) != same {
				t.Errorf("%q and %q are the same: %v, want %v", a, b, !same, same)
			}
		}
	}
}
