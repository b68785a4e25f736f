package verify

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"alkalog/service/ledger"
)

// proved is a proof of an entry of a log of 600, and the log's keys.
func proved(t testing.TB, index int64) (Proof, []string) {
	t.Helper()
	l := newLog(t, 600)
	head, tiles, err := ledger.Empty().Append(nil, leavesOf(l.entries))
	if err != nil {
		t.Fatal(err)
	}
	hashes, err := head.ProveInclusion(index, head.Size, func(ids []ledger.TileID) ([][]byte, error) {
		var found [][]byte
		for _, id := range ids {
			i := slices.IndexFunc(tiles, func(t ledger.Tile) bool { return t.TileID == id })
			found = append(found, tiles[i].Hashes)
		}
		return found, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return Proof{Index: index, Stored: l.entries[index], Hashes: hashes, Checkpoint: l.checkpoint(t, 600)}, []string{l.keys[0].Public().String()}
}

func leavesOf(entries [][]byte) []ledger.Hash {
	leaves := make([]ledger.Hash, len(entries))
	for i, e := range entries {
		leaves[i] = ledger.LeafHash(e)
	}
	return leaves
}

// TestProofIsKept: what is written is read back, and proves its entry.
func TestProofIsKept(t *testing.T) {
	for _, index := range []int64{0, 255, 256, 599} {
		p, keys := proved(t, index)
		again, err := ParseProof(p.Text())
		if err != nil || !bytes.Equal(again.Text(), p.Text()) {
			t.Fatalf("entry %d: %v", index, err)
		}
		e, head, err := again.Check(keys)
		if err != nil || head.Size != 600 || !strings.HasPrefix(e.GetName(), "chains/ebb-and-flow/entries/") {
			t.Errorf("entry %d: %v, %v", index, e, err)
		}
	}
}

// TestProofOfSomethingElse: nothing in a proof can be changed.
func TestProofOfSomethingElse(t *testing.T) {
	for name, change := range map[string]func(*Proof){
		"another entry":      func(p *Proof) { p.Stored = entry(t, "ebb-and-flow", 7, "as somebody would have it") },
		"another place":      func(p *Proof) { p.Index++ },
		"a place beyond":     func(p *Proof) { p.Index = 600 },
		"a hash less":        func(p *Proof) { p.Hashes = p.Hashes[1:] },
		"a hash more":        func(p *Proof) { p.Hashes = append(p.Hashes, ledger.Hash{}) },
		"another hash":       func(p *Proof) { p.Hashes[2][5] ^= 1 },
		"another size":       func(p *Proof) { p.Checkpoint = bytes.Replace(p.Checkpoint, []byte("\n600\n"), []byte("\n601\n"), 1) },
		"without checkpoint": func(p *Proof) { p.Checkpoint = nil },
	} {
		p, keys := proved(t, 7)
		change(&p)
		if e, _, err := p.Check(keys); !errors.Is(err, ErrNotProved) {
			t.Errorf("%s: %v, %v", name, e, err)
		}
	}
	p, _ := proved(t, 7)
	if _, _, err := p.Check([]string{key(t, 9).Public().String()}); !errors.Is(err, ErrNotProved) {
		t.Errorf("by another key: %v", err)
	}
	if _, _, err := p.Check([]string{"key"}); err == nil || errors.Is(err, ErrNotProved) {
		t.Errorf("by no key: %v", err)
	}
}

// TestProofWithoutOptionalLines: the line of extra data may be left out, and a log
// of one entry needs no hashes (c2sp.org/tlog-proof, "Format"). The entry then
// comes from elsewhere.
func TestProofWithoutOptionalLines(t *testing.T) {
	p, keys := proved(t, 7)
	stored := p.Stored
	p.Stored = nil
	read, err := ParseProof(p.Text())
	if err != nil || read.Stored != nil || strings.Contains(string(p.Text()), "extra") || !bytes.Equal(read.Text(), p.Text()) {
		t.Fatalf("read as %+v, %v", read, err)
	}
	if _, _, err := read.Check(keys); !errors.Is(err, ErrNotProved) {
		t.Errorf("without its entry: %v", err)
	}
	read.Stored = stored
	if e, _, err := read.Check(keys); err != nil || e.Name != "chains/ebb-and-flow/entries/e7" {
		t.Errorf("with its entry: %v, %v", e, err)
	}
	one := newLog(t, 1)
	alone := Proof{Stored: one.entries[0], Checkpoint: one.checkpoint(t, 1)}
	if read, err = ParseProof(alone.Text()); err != nil {
		t.Fatal(err)
	}
	if _, head, err := read.Check(keys); err != nil || head.Size != 1 {
		t.Errorf("a log of one: %v, %v", head, err)
	}
}

func TestNotAProof(t *testing.T) {
	p, _ := proved(t, 7)
	text := string(p.Text())
	for name, bad := range map[string]string{
		"nothing":         "",
		"another version": strings.Replace(text, "@v1", "@v2", 1),
		"no entry":        strings.Replace(text, "extra ", "", 1),
		"not base64":      strings.Replace(text, "extra ", "extra !", 1),
		"no index":        strings.Replace(text, "index ", "", 1),
		"a leading zero":  strings.Replace(text, "index 7", "index 07", 1),
		"below zero":      strings.Replace(text, "index 7", "index -7", 1),
		"not a hash":      strings.Replace(text, "index 7\n", "index 7\nAAAA\n", 1),
		"too many hashes": strings.Replace(text, "index 7\n", "index 7\n"+strings.Repeat(ledger.Hash{}.String()+"\n", 63), 1),
		"no checkpoint":   strings.Split(text, "\n\n")[0],
	} {
		if _, err := ParseProof([]byte(bad)); !errors.Is(err, ErrProof) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// FuzzParseProof: what is read is written alike, whatever it is.
func FuzzParseProof(f *testing.F) {
	p, _ := proved(f, 7)
	f.Add(p.Text())
	f.Add([]byte(proofHead + "\nextra \nindex 0\n\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := ParseProof(text)
		if err == nil && !bytes.Equal(p.Text(), text) {
			t.Errorf("%q is written as %q", text, p.Text())
		}
	})
}
