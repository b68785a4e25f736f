package ledger

import (
	"bytes"
	"testing"
)

// What a parser takes is written again as it was read.
func FuzzParseTilePath(f *testing.F) {
	f.Add("tile/0/x001/x234/067.p/1")
	f.Add("tile/entries/000")
	f.Fuzz(func(t *testing.T, path string) {
		if id, err := parseTilePath(path); err == nil && id.Path() != path {
			t.Errorf("%q is read as %v, which is %q", path, id, id.Path())
		}
	})
}

func FuzzParseBundle(f *testing.F) {
	f.Add([]byte{0, 1, 'a', 0, 0})
	f.Fuzz(func(t *testing.T, bundle []byte) {
		entries, err := ParseBundle(bundle)
		if err != nil {
			return
		}
		again, err := Bundle(entries)
		if err != nil || !bytes.Equal(again, bundle) {
			t.Errorf("%x is written again as %x, %v", bundle, again, err)
		}
	})
}

func FuzzParseCheckpoint(f *testing.F) {
	f.Add(Checkpoint{"log.example", Empty()}.text())
	f.Add("o\n1\nAAAA\n")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := parseCheckpoint(text)
		if err == nil && !bytes.HasPrefix([]byte(text+"\n"), []byte(c.text())) {
			t.Errorf("%q is read as %+v", text, c)
		}
	})
}

func FuzzOpenCheckpoint(f *testing.F) {
	key := aKey(f, "log.example", 1)
	c := Checkpoint{"log.example", Empty()}
	signed, err := c.Sign([]PrivateKey{key})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(signed)
	f.Fuzz(func(t *testing.T, text []byte) {
		got, signers, err := OpenCheckpoint(text, []PublicKey{key.Public()})
		if err == nil && (got != c || len(signers) != 1) {
			t.Errorf("never signed, and yet opened: %+v", got)
		}
	})
}

func FuzzParseKeys(f *testing.F) {
	f.Add(aKey(f, "log.example", 1).Secret())
	f.Add(aKey(f, "log.example", 1).Public().String())
	f.Fuzz(func(t *testing.T, text string) {
		if k, err := ParsePrivateKey(text); err == nil {
			if again, err := ParsePrivateKey(k.Secret()); err != nil || again.Public().String() != k.Public().String() {
				t.Errorf("%q is not read again: %v", text, err)
			}
		}
		if k, err := ParsePublicKey(text); err == nil && k.String() != text {
			t.Errorf("%q is written as %q", text, k)
		}
	})
}

// No proof of anything holds for anything else, and none ends the program.
func FuzzProofs(f *testing.F) {
	m := newMemory(f, someEntries(100))
	f.Add(int64(3), int64(50), []byte("xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx"))
	f.Fuzz(func(t *testing.T, index, size int64, hashes []byte) {
		var proof []Hash
		for ; len(hashes) >= 32; hashes = hashes[32:] {
			proof = append(proof, Hash(hashes))
		}
		h := Head{Size: size, Root: m.head.Root}
		if h.CheckInclusion(index, LeafHash([]byte("never appended")), proof) == nil {
			t.Error("a proof of inclusion holds for what is not there")
		}
		if m.head.CheckConsistency(Head{Size: size, Root: LeafHash(nil)}, proof) == nil {
			t.Error("a proof of consistency holds for a tree that never was")
		}
		if h.CheckConsistency(Head{Size: index, Root: LeafHash(nil)}, proof) == nil {
			t.Error("a proof of consistency holds for a tree that never was")
		}
	})
}
