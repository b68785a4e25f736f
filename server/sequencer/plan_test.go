package sequencer

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// aKey is an invented key of the installation "ours".
func aKey(t testing.TB, seed byte) ledger.PrivateKey {
	t.Helper()
	key, err := ledger.NewPrivateKey("ours", bytes.Repeat([]byte{seed}, 32))
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// tables are the tables of the log, without a database.
type tables struct {
	heads map[string]storage.LogHead
	tiles map[string]storage.LogTile
	seq   int64
}

func newTables() *tables {
	return &tables{heads: map[string]storage.LogHead{}, tiles: map[string]storage.LogTile{}}
}

func tileKey(t storage.LogTile) string { return fmt.Sprint(t.Chain, "/", t.Level, "/", t.Index) }

func (s *tables) read(wanted []storage.LogTile) ([]storage.LogTile, error) {
	var found []storage.LogTile
	for _, w := range wanted {
		if t, ok := s.tiles[tileKey(w)]; ok {
			found = append(found, t)
		}
	}
	return found, nil
}

// take writes what a batch changes.
func (s *tables) take(c storage.LogChanges) {
	for _, h := range c.Heads {
		s.heads[h.Chain] = h
	}
	for _, t := range c.Tiles {
		s.tiles[tileKey(t)] = t
	}
}

// pending makes n entries of a chain.
func (s *tables) pending(chain string, n int) []storage.Pending {
	var all []storage.Pending
	for range n {
		s.seq++
		all = append(all, storage.Pending{Chain: chain, ID: fmt.Sprint("e", s.seq), Position: s.seq, Body: fmt.Appendf(nil, "%s %d", chain, s.seq)})
	}
	return all
}

// batch plans a batch, and takes it in.
func (s *tables) batch(t testing.TB, pending []storage.Pending, keys ...ledger.PrivateKey) storage.LogChanges {
	t.Helper()
	c, err := plan(pending, s.heads, s.read, keys)
	if err != nil {
		t.Fatal(err)
	}
	s.take(c)
	return c
}

// However entries come in, each log has its own in their order, and its signed
// head is that of the tree over all of them.
func TestBatchesMakeOneTreePerChain(t *testing.T) {
	s, key := newTables(), aKey(t, 1)
	leaves, places := map[string][]ledger.Hash{}, map[string]int64{}
	for round := range 40 {
		pending := slices.Concat(s.pending("ebb", round%7), s.pending("flow", round*round%600), s.pending("ebb", 1))
		for _, p := range pending {
			leaves[p.Chain] = append(leaves[p.Chain], ledger.LeafHash(p.Body))
		}
		for _, p := range s.batch(t, pending, key).Places {
			if p.Place != places[p.Chain] {
				t.Fatalf("%s is at place %d of %s, want %d", p.ID, p.Place, p.Chain, places[p.Chain])
			}
			places[p.Chain]++
		}
	}
	for chain, all := range leaves {
		want, _, err := ledger.Empty().Append(nil, all)
		if err != nil {
			t.Fatal(err)
		}
		h := s.heads[chain]
		set, err := keysFor([]ledger.PrivateKey{key}, chain)
		if err != nil {
			t.Fatal(err)
		}
		if record.LogHead(h) != want || signedHead(h, set) != nil || h.Halted != "" {
			t.Errorf("%s: head %+v, want %v", chain, h, want)
		}
	}
}

// What is on a log already is not put there again, though it be pending.
func TestNothingTwice(t *testing.T) {
	s, key := newTables(), aKey(t, 1)
	pending := s.pending("ebb", 10)
	s.batch(t, pending, key)
	before := s.heads["ebb"]
	if c := s.batch(t, pending, key); len(c.Heads)+len(c.Places)+len(c.Tiles) != 0 {
		t.Errorf("changes %+v", c)
	}
	more := append(pending, s.pending("ebb", 1)...)
	if c := s.batch(t, more, key); len(c.Places) != 1 || s.heads["ebb"].Size != before.Size+1 {
		t.Errorf("changes %+v", c)
	}
}

// A log that somebody has been at is halted with a reason, stays as it is, and
// does not keep the others from going on.
func TestTamperedLogIsHaltedAlone(t *testing.T) {
	other := aKey(t, 9)
	for name, tamper := range map[string]func(s *tables, h *storage.LogHead){
		"a smaller size": func(_ *tables, h *storage.LogHead) { h.Size-- },
		"another root":   func(_ *tables, h *storage.LogHead) { h.Root = bytes.Repeat([]byte{7}, 32) },
		"no checkpoint":  func(_ *tables, h *storage.LogHead) { h.Checkpoint = []byte{} },
		"a changed tile": func(s *tables, _ *storage.LogHead) { s.tiles["ebb/0/1"].Hashes[5] ^= 1 },
		"a missing tile": func(s *tables, _ *storage.LogHead) { delete(s.tiles, "ebb/1/0") },
		"a longer tile":  func(s *tables, _ *storage.LogHead) { lengthen(s, "ebb/0/1") },
		"a tile cut off": func(s *tables, _ *storage.LogHead) { cut(s, "ebb/0/1") },
		"signed by others": func(_ *tables, h *storage.LogHead) {
			set, err := keysFor([]ledger.PrivateKey{other}, "ebb")
			if err == nil {
				*h, err = sign(*h, record.LogHead(*h), set)
			}
			if err != nil {
				t.Fatal(err)
			}
		},
		"a history made anew, tiles and root, without the key": func(s *tables, h *storage.LogHead) {
			forged, key := newTables(), aKey(t, 1)
			p := forged.pending("ebb", 300)
			p[100].Body = []byte("as somebody would have it")
			forged.batch(t, p, key)
			maps.Copy(s.tiles, forged.tiles)
			h.Root = forged.heads["ebb"].Root
		},
	} {
		t.Run(name, func(t *testing.T) {
			s, key := newTables(), aKey(t, 1)
			s.batch(t, slices.Concat(s.pending("ebb", 300), s.pending("flow", 3)), key)
			h := s.heads["ebb"]
			tamper(s, &h)
			s.heads["ebb"] = h
			s.batch(t, slices.Concat(s.pending("ebb", 1), s.pending("flow", 1)), key)
			now := s.heads["ebb"]
			if now.Halted == "" || now.Size != h.Size || !bytes.Equal(now.Root, h.Root) || !bytes.Equal(now.Checkpoint, h.Checkpoint) {
				t.Errorf("after tampering: %+v", now)
			}
			if flow := s.heads["flow"]; flow.Size != 4 || flow.Halted != "" {
				t.Errorf("the other log: %+v", flow)
			}
			if c := s.batch(t, s.pending("ebb", 1), key); len(c.Heads) != 0 {
				t.Errorf("a halted log is changed: %+v", c)
			}
		})
	}
}

func lengthen(s *tables, at string) {
	t := s.tiles[at]
	t.Hashes = append(slices.Clone(t.Hashes), make([]byte, 32)...)
	s.tiles[at] = t
}

func cut(s *tables, at string) {
	t := s.tiles[at]
	t.Hashes = t.Hashes[:len(t.Hashes)-32]
	s.tiles[at] = t
}

// While a key is replaced every log is signed by both, so that anyone who trusts
// the old one can come to trust the new one.
func TestKeysAreHandedOver(t *testing.T) {
	s := newTables()
	older, newer := aKey(t, 1), aKey(t, 2)
	s.batch(t, slices.Concat(s.pending("ebb", 3), s.pending("flow", 3)), older)
	for _, keys := range [][]ledger.PrivateKey{{newer, older}, {newer}} {
		c, err := resign(s.heads, keys)
		if err != nil || len(c.Heads) != 2 || len(c.Places)+len(c.Tiles) != 0 {
			t.Fatalf("%d keys: %+v, %v", len(keys), c, err)
		}
		s.take(c)
		for chain, h := range s.heads {
			set, err := keysFor(keys, chain)
			if err != nil {
				t.Fatal(err)
			}
			_, signers, err := ledger.OpenCheckpoint(h.Checkpoint, set.public)
			if err != nil || len(signers) != len(keys) || h.Keys != set.lines {
				t.Errorf("%s with %d keys: signed by %d, %v", chain, len(keys), len(signers), err)
			}
		}
		if c, err := resign(s.heads, keys); err != nil || len(c.Heads) != 0 {
			t.Errorf("signed anew without need: %+v, %v", c, err)
		}
	}
}

// A key file without the key that has signed is a mistake to be told of, and no
// reason to halt a log.
func TestForeignKeyFile(t *testing.T) {
	s := newTables()
	s.batch(t, s.pending("ebb", 3), aKey(t, 1))
	c, err := resign(s.heads, []ledger.PrivateKey{aKey(t, 2)})
	if !errors.Is(err, errUnknownSigner) || len(c.Heads) != 0 {
		t.Errorf("changes %+v, %v", c, err)
	}
	if !strings.Contains(err.Error(), "add the old key again") {
		t.Errorf("it does not say what to do: %v", err)
	}
}

// A single head that a foreign key has signed is left alone, and the other logs are
// signed by the keys of today.
func TestForeignHead(t *testing.T) {
	s := newTables()
	s.batch(t, s.pending("ebb", 3), aKey(t, 1))
	s.batch(t, s.pending("flow", 3), aKey(t, 7))
	c, err := resign(s.heads, []ledger.PrivateKey{aKey(t, 2), aKey(t, 1)})
	if err != nil || len(c.Heads) != 1 || c.Heads[0].Chain != "ebb" {
		t.Errorf("changes %+v, %v", c, err)
	}
}
