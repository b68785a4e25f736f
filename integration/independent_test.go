package integration

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/verify"
	"alkalog/service/ledger"
)

// The promise: a copy can be checked by a program that shares nothing with ours,
// made from the published texts alone, and it comes to the same verdicts. The
// program is testdata/verify_log.py.

// auditExport is a copy of a real log that is then tampered with.
type auditExport struct {
	dir     string
	kept    []byte // a checkpoint of the log of before
	other   []byte // a checkpoint of another history of the log, signed by its key
	keys    []ledger.PrivateKey
	against []byte // what the auditor brings along
	pinned  string
}

// edit changes a file.
func (x *auditExport) edit(t *testing.T, name string, change func([]byte) []byte) {
	t.Helper()
	path := filepath.Join(x.dir, name)
	content, err := os.ReadFile(path)
	if err == nil {
		err = os.WriteFile(path, change(content), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// entries changes the entries of a bundle, and puts them back as they are.
func (x *auditExport) entries(t *testing.T, name string, change func([][]byte) [][]byte) {
	t.Helper()
	x.edit(t, name, func(content []byte) []byte {
		entries, err := ledger.ParseBundle(content)
		if err != nil {
			t.Fatal(err)
		}
		bundle, err := ledger.Bundle(change(entries))
		if err != nil {
			t.Fatal(err)
		}
		return bundle
	})
}

// remove takes a file away.
func (x *auditExport) remove(t *testing.T, name string) {
	t.Helper()
	if err := os.Remove(filepath.Join(x.dir, name)); err != nil {
		t.Fatal(err)
	}
}

// partial is the name of the last, partial file of a kind.
func (x *auditExport) partial(t *testing.T, kind string) string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(x.dir, "tile", kind, "*.p", "*"))
	if err != nil || len(found) != 1 {
		t.Fatalf("partial files of %s: %v, %v", kind, found, err)
	}
	name, err := filepath.Rel(x.dir, found[0])
	if err != nil {
		t.Fatal(err)
	}
	return name
}

// flip changes one bit in the middle.
func flip(b []byte) []byte { b[len(b)/2] ^= 1; return b }

// corruption changes one bit of an entry.
func corruption(i int) func([][]byte) [][]byte {
	return func(e [][]byte) [][]byte { e[i] = flip(bytes.Clone(e[i])); return e }
}

// forge changes an entry and makes tiles and checkpoint again, as one can who has
// the log's key.
func (x *auditExport) forge(t *testing.T, keys []ledger.PrivateKey) {
	t.Helper()
	x.entries(t, "tile/entries/000", corruption(7))
	var leaves []ledger.Hash
	for _, name := range []string{"tile/entries/000", x.partial(t, "entries")} {
		content, err := os.ReadFile(filepath.Join(x.dir, name))
		if err != nil {
			t.Fatal(err)
		}
		entries, err := ledger.ParseBundle(content)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			leaves = append(leaves, ledger.LeafHash(e))
		}
	}
	head, tiles, err := ledger.Empty().Append(nil, leaves)
	if err != nil {
		t.Fatal(err)
	}
	for _, tile := range tiles {
		if tile.Width == ledger.TileWidth || slices.Contains(head.Edge(), tile.TileID) {
			x.edit(t, tile.Path(), func([]byte) []byte { return tile.Hashes })
		}
	}
	if keys == nil {
		return
	}
	signed, err := ledger.Checkpoint{Origin: keys[0].Name(), Head: head}.Sign(keys)
	if err != nil {
		t.Fatal(err)
	}
	x.edit(t, "checkpoint", func([]byte) []byte { return signed })
}

// auditExports are the changes to copies, and whether the result verifies.
var auditExports = []struct {
	name  string
	holds bool
	place int64 // that both must name; -1: none
	do    func(t *testing.T, x *auditExport)
}{
	{"nothing", true, -1, func(*testing.T, *auditExport) {}},
	{"nothing, against a checkpoint of before", true, -1, func(_ *testing.T, x *auditExport) { x.against = x.kept }},
	{"nothing, by a pinned key", true, -1, func(t *testing.T, x *auditExport) { x.pin(t, x.keys[0]) }},
	{"a signature of somebody unknown is added", true, -1, func(t *testing.T, x *auditExport) {
		x.edit(t, "checkpoint", func(b []byte) []byte {
			return append(b, "— witness.example "+base64.StdEncoding.EncodeToString(make([]byte, 68))+"\n"...)
		})
	}},
	{"an unknown file is added", true, -1, func(t *testing.T, x *auditExport) {
		if err := os.WriteFile(filepath.Join(x.dir, "notes.txt"), []byte("seen"), 0o644); err != nil {
			t.Fatal(err)
		}
	}},
	{"one bit of an entry", false, 7, func(t *testing.T, x *auditExport) { x.entries(t, "tile/entries/000", corruption(7)) }},
	{"one bit of the last bundle", false, 257, func(t *testing.T, x *auditExport) { x.entries(t, x.partial(t, "entries"), corruption(1)) }},
	{"two entries change places", false, 3, func(t *testing.T, x *auditExport) {
		x.entries(t, "tile/entries/000", func(e [][]byte) [][]byte { e[3], e[4] = e[4], e[3]; return e })
	}},
	{"an entry is emptied", false, 9, func(t *testing.T, x *auditExport) {
		x.entries(t, "tile/entries/000", func(e [][]byte) [][]byte { e[9] = nil; return e })
	}},
	{"an entry is taken out", false, -1, func(t *testing.T, x *auditExport) {
		x.entries(t, "tile/entries/000", func(e [][]byte) [][]byte { return slices.Delete(e, 9, 10) })
	}},
	{"an entry stands twice and another is lost", false, 12, func(t *testing.T, x *auditExport) {
		x.entries(t, "tile/entries/000", func(e [][]byte) [][]byte { e[12] = e[11]; return e })
	}},
	{"a bundle is cut off", false, -1, func(t *testing.T, x *auditExport) {
		x.edit(t, "tile/entries/000", func(b []byte) []byte { return b[:len(b)-1] })
	}},
	{"a bundle is gone", false, -1, func(t *testing.T, x *auditExport) { x.remove(t, "tile/entries/000") }},
	{"a bundle and its tile are gone", false, -1, func(t *testing.T, x *auditExport) { x.remove(t, "tile/entries/000"); x.remove(t, "tile/0/000") }},
	{"a tile of level 0", false, -1, func(t *testing.T, x *auditExport) { x.edit(t, "tile/0/000", flip) }},
	{"a tile of level 1 is gone", false, -1, func(t *testing.T, x *auditExport) { x.remove(t, x.partial(t, "1")) }},
	{"a tile is longer", false, -1, func(t *testing.T, x *auditExport) {
		x.edit(t, x.partial(t, "0"), func(b []byte) []byte { return append(b, make([]byte, 32)...) })
	}},
	{"an entry and all tiles, without the key", false, -1, func(t *testing.T, x *auditExport) { x.forge(t, nil) }},
	{"an entry and all tiles, with the key", true, -1, func(t *testing.T, x *auditExport) { x.forge(t, x.keys) }},
	{"the same, against a checkpoint of before", false, -1, func(t *testing.T, x *auditExport) { x.forge(t, x.keys); x.against = x.kept }},
	{"the size in the checkpoint", false, -1, func(t *testing.T, x *auditExport) {
		x.edit(t, "checkpoint", func(b []byte) []byte {
			lines := bytes.SplitN(b, []byte("\n"), 3)
			return bytes.Join([][]byte{lines[0], []byte("3"), lines[2]}, []byte("\n"))
		})
	}},
	{"the signature", false, -1, func(t *testing.T, x *auditExport) {
		x.edit(t, "checkpoint", func(b []byte) []byte { b[len(b)-20] ^= 2; return b })
	}},
	{"the checkpoint is gone", false, -1, func(t *testing.T, x *auditExport) { x.remove(t, "checkpoint") }},
	{"the keys are gone", false, -1, func(t *testing.T, x *auditExport) { x.remove(t, "keys") }},
	{"the keys are those of somebody else", false, -1, func(t *testing.T, x *auditExport) {
		x.edit(t, "keys", func([]byte) []byte { return []byte(x.unknownKey(t).Public().String() + "\n") })
	}},
	{"a thief signs, and puts the key beside it", true, -1, func(t *testing.T, x *auditExport) { x.resignWith(t) }},
	{"the same, by a pinned key", false, -1, func(t *testing.T, x *auditExport) { x.resignWith(t); x.pin(t, x.keys[0]) }},
	{"against a checkpoint of another history", false, -1, func(_ *testing.T, x *auditExport) { x.against = x.other }},
}

// pin makes the auditor verify with a pinned key.
func (x *auditExport) pin(t *testing.T, key ledger.PrivateKey) {
	t.Helper()
	x.pinned = filepath.Join(t.TempDir(), "keys")
	if err := os.WriteFile(x.pinned, []byte(key.Public().String()+"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
}

// unknownKey is a key under the log's name that is not the log's.
func (x *auditExport) unknownKey(t *testing.T) ledger.PrivateKey {
	t.Helper()
	key, err := ledger.NewPrivateKey(x.keys[0].Name(), bytes.Repeat([]byte{9}, 32))
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// resignWith makes another history, signed with another key.
func (x *auditExport) resignWith(t *testing.T) {
	t.Helper()
	thief := x.unknownKey(t)
	x.forge(t, []ledger.PrivateKey{thief})
	x.edit(t, "keys", func([]byte) []byte { return []byte(thief.Public().String() + "\n") })
}

// overrideOften puts n entries on the log, from four callers at once.
func (c *chain) overrideOften(t *testing.T, n int) {
	t.Helper()
	refusal := c.decision(t, brokenSkin)
	var callers sync.WaitGroup
	for range 4 {
		callers.Go(func() {
			for range n / 4 {
				must(t, c.imara, c.eligibility.OverrideDecision, c.override(refusal, refusal.Findings[0]))
			}
		})
	}
	callers.Wait()
}

// TestIndependentVerifier has both programs judge honest copies and copies that
// were tampered with.
func TestIndependentVerifier(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	c.overrideOften(t, 100)
	kept := c.covered(t, 100)
	c.overrideOften(t, 160) // more entries than a full tile has
	s.waitLogged(t)
	honest, verdict := c.copyOf(t, []byte(kept.Checkpoint), func(*pb.AuditEntry) {})
	if !verdict.Valid() || len(auditExports) < 25 {
		t.Fatalf("the copy: %v; %d exhibits", verdict.Faults, len(auditExports))
	}
	keys := tamperedChain{chain: c}.chainKeys(t, "ebb-and-flow")
	other, err := ledger.Checkpoint{Origin: keys[0].Name(), Head: ledger.Head{Size: kept.TreeSize, Root: ledger.LeafHash([]byte("another"))}}.Sign(keys)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range auditExports {
		t.Run(e.name, func(t *testing.T) {
			x := &auditExport{dir: filepath.Join(t.TempDir(), "copy"), kept: []byte(kept.Checkpoint), other: other, keys: keys}
			copyData(t, honest, x.dir)
			e.do(t, x)
			ours, theirs := x.verifyInGo(t), x.verifyInPython(t)
			if ours.Valid() != e.holds || theirs.Holds != e.holds {
				t.Errorf("want %v; ours: %v %v; theirs: %v %q", e.holds, ours.Valid(), ours.Faults, theirs.Holds, theirs.Faults)
			}
			if e.place < 0 {
				return
			}
			named := slices.ContainsFunc(ours.Faults, func(f verify.Fault) bool { return f.Index == e.place })
			if !named || !strings.Contains(strings.Join(theirs.Faults, "\n"), fmt.Sprintf("entry %d:", e.place)) {
				t.Errorf("entry %d is not named by both: ours %v; theirs %q", e.place, ours.Faults, theirs.Faults)
			}
		})
	}
}

// verifyInGo is the verdict of "alkalog audit verify".
func (x *auditExport) verifyInGo(t *testing.T) verify.Report {
	t.Helper()
	trust := verify.TrustedInput{Against: x.against}
	if x.pinned != "" {
		text, err := os.ReadFile(x.pinned)
		if err != nil {
			t.Fatal(err)
		}
		trust.Keys = strings.Fields(string(text))
	}
	report, err := verify.DirProgress(x.dir, trust, func(int64, int64) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	return report
}

// pythonVerdict is what the independent verifier says.
type pythonVerdict struct {
	Holds  bool
	Faults []string
}

// verifyInPython is the verdict of the independent verifier.
func (x *auditExport) verifyInPython(t *testing.T) pythonVerdict {
	t.Helper()
	args := []string{"testdata/verify_log.py", x.dir}
	if x.against != nil {
		file := filepath.Join(t.TempDir(), "earlier")
		if err := os.WriteFile(file, x.against, 0o644); err != nil {
			t.Fatal(err)
		}
		args = append(args, "--against", file)
	}
	if x.pinned != "" {
		args = append(args, "--keys", x.pinned)
	}
	command := exec.Command("python3", args...)
	command.Stderr = os.Stderr
	out, err := command.Output()
	said := pythonVerdict{}
	exit := new(exec.ExitError)
	switch problem := json.Unmarshal(out, &said); {
	case problem != nil:
		t.Fatalf("python3: %v, %v: %s", err, problem, out)
	case err != nil && (!errors.As(err, &exit) || exit.ExitCode() != 3):
		t.Fatalf("python3: %v", err)
	case (err == nil) != said.Holds:
		t.Errorf("exit code and verdict differ: %v, %v", err, said)
	}
	return said
}
