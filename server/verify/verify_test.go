package verify

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
)

// An honest log holds at every size around the edges of tiles and bundles, and
// against every checkpoint that it has given out.
func TestHonestLogHolds(t *testing.T) {
	for _, size := range []int{0, 1, 2, 255, 256, 257, 511, 512, 600} {
		l := newLog(t, size)
		dir := l.export(t)
		for _, earlier := range []int{0, 1, 100, 255, 256, 300, size} {
			if earlier > size {
				continue
			}
			if r := held(t, dir, l.checkpoint(t, earlier)); !r.Valid() || r.Size != int64(size) || r.Earlier.Size != int64(earlier) {
				t.Errorf("%d entries against %d: %v", size, earlier, r.Faults)
			}
		}
		r := held(t, dir, nil)
		if !r.Valid() || r.Kinds[pb.EntryKind_ENTRY_KIND_REFUSAL.String()] != int64(size) || r.Log != origin {
			t.Errorf("%d entries alone: %+v", size, r)
		}
	}
}

// A log with a third level of tiles holds too, and a change in it is found.
func TestLargeLog(t *testing.T) {
	l := newLog(t, 66_000)
	dir := l.export(t)
	if r := held(t, dir, l.checkpoint(t, 65_537)); !r.Valid() {
		t.Errorf("%v", r.Faults)
	}
	editEntries(t, dir, "tile/entries/255", func(e [][]byte) [][]byte {
		e[255] = entry(t, "ebb-and-flow", 65_535, "as somebody would have it")
		return e
	})
	expectFault(t, held(t, dir, nil), 65_535, "not the entry that was signed")
}

// expectFault wants one fault or more, the first about that entry.
func expectFault(t *testing.T, r Report, index int64, what string) {
	t.Helper()
	for _, f := range r.Faults {
		if f.Index == index && strings.Contains(f.String(), what) {
			return
		}
	}
	t.Errorf("no fault of entry %d with %q among %v", index, what, r.Faults)
}

// What an attacker does to the files of an export is found without any earlier
// checkpoint, and the entry is named.
func TestFilesTamperedWith(t *testing.T) {
	for name, bad := range map[string]struct {
		tamper func(t *testing.T, dir string)
		index  int64
		what   string
	}{
		"an entry is changed": {func(t *testing.T, dir string) {
			editEntries(t, dir, "tile/entries/001", func(e [][]byte) [][]byte {
				e[44] = entry(t, "ebb-and-flow", 300, "as somebody would have it")
				return e
			})
		}, 300, "entries/e300, tile/entries/001: it is not the entry that was signed for this index"},
		"an entry is taken out and the rest moves up": {func(t *testing.T, dir string) {
			editEntries(t, dir, "tile/entries/001", func(e [][]byte) [][]byte {
				return append(slices.Delete(e, 10, 11), entry(t, "ebb-and-flow", 9999, "filler"))
			})
		}, 266, "signed for index 267"},
		"an entry is taken out": {func(t *testing.T, dir string) {
			editEntries(t, dir, "tile/entries/001", func(e [][]byte) [][]byte { return slices.Delete(e, 10, 11) })
		}, 266, "tile/entries/001: it is missing"},
		"an entry is slipped in": {func(t *testing.T, dir string) {
			editEntries(t, dir, "tile/entries/000", func(e [][]byte) [][]byte {
				return slices.Insert(e, 7, entry(t, "ebb-and-flow", 9999, "never was"))[:256]
			})
		}, 8, "signed for index 7"},
		"two entries change places": {func(t *testing.T, dir string) {
			editEntries(t, dir, "tile/entries/002.p/88", func(e [][]byte) [][]byte { e[0], e[1] = e[1], e[0]; return e })
		}, 512, "signed for index 513"},
		"the last bundle is gone": {func(t *testing.T, dir string) { remove(t, dir, "tile/entries/002.p/88") }, 512, "it is missing"},
		"a bundle and its tile are gone": {func(t *testing.T, dir string) {
			remove(t, dir, "tile/entries/001")
			remove(t, dir, "tile/0/001")
		}, -1, "missing together with their hashes"},
		"a bundle is cut off": {func(t *testing.T, dir string) {
			edit(t, dir, "tile/entries/000", func(b []byte) []byte { return b[:len(b)-1] })
		}, 255, "tile/entries/000: it is missing"},
		"a bundle is no file": {func(t *testing.T, dir string) {
			remove(t, dir, "tile/entries/000")
			if err := os.Symlink("/dev/zero", filepath.Join(dir, "tile/entries/000")); err != nil {
				t.Fatal(err)
			}
		}, 0, "not a file"},
		"a tile is changed": {func(t *testing.T, dir string) { edit(t, dir, "tile/0/001", flip) }, -1, "tile/0/001: it is missing or changed; the entries it covers are those that were signed"},
		"a tile is gone":    {func(t *testing.T, dir string) { remove(t, dir, "tile/1/000.p/2") }, -1, "tile/1/000.p/2"},
		"an entry and its tile are changed": {func(t *testing.T, dir string) {
			editEntries(t, dir, "tile/entries/001", func(e [][]byte) [][]byte { e[44] = entry(t, "ebb-and-flow", 300, "other"); return e })
			edit(t, dir, "tile/0/001", flip)
		}, 256, "one or more of the entries 256 to 511"},
		"an entry is changed and its hash with it": {func(t *testing.T, dir string) {
			changed := entry(t, "ebb-and-flow", 300, "other")
			editEntries(t, dir, "tile/entries/001", func(e [][]byte) [][]byte { e[44] = changed; return e })
			edit(t, dir, "tile/0/001", func(b []byte) []byte {
				leaf := ledger.LeafHash(changed)
				copy(b[44*32:], leaf[:])
				return b
			})
		}, -1, "tile/1/000.p/2: it does not match the entries"},
		"the size is changed":     {func(t *testing.T, dir string) { replace(t, dir, "checkpoint", "\n600\n", "\n599\n") }, -1, "invalid signature"},
		"the checkpoint is gone":  {func(t *testing.T, dir string) { remove(t, dir, "checkpoint") }, -1, "checkpoint: it is missing"},
		"the checkpoint is empty": {func(t *testing.T, dir string) { edit(t, dir, "checkpoint", func([]byte) []byte { return nil }) }, -1, "malformed note"},
		"the keys are gone":       {func(t *testing.T, dir string) { remove(t, dir, "keys") }, -1, "keys: it is missing"},
		"the key is another": {func(t *testing.T, dir string) {
			edit(t, dir, "keys", func([]byte) []byte { return []byte(key(t, 9).Public().String()) })
		}, -1, "signed by none of the keys"},
		"the keys are not readable": {func(t *testing.T, dir string) { edit(t, dir, "keys", flip) }, -1, "public key"},
		"a file is far too long": {func(t *testing.T, dir string) {
			if err := os.Truncate(filepath.Join(dir, "checkpoint"), 1<<40); err != nil {
				t.Fatal(err)
			}
		}, -1, "the maximum is 65536"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := newLog(t, 600).export(t)
			bad.tamper(t, dir)
			expectFault(t, held(t, dir, nil), bad.index, bad.what)
		})
	}
}

func flip(b []byte) []byte { b[len(b)/2] ^= 0x40; return b }

func remove(t *testing.T, dir, name string) {
	t.Helper()
	if err := os.Remove(filepath.Join(dir, name)); err != nil {
		t.Fatal(err)
	}
}

func replace(t *testing.T, dir, name, old, with string) {
	t.Helper()
	edit(t, dir, name, func(b []byte) []byte { return bytes.Replace(b, []byte(old), []byte(with), 1) })
}

// A copy that was damaged says nothing against the log: held against a
// checkpoint from before, only the damage is told. When the tiles are gone too,
// nothing can be told of it.
func TestDamageIsNotAnotherHistory(t *testing.T) {
	l := newLog(t, 600)
	kept, dir := l.checkpoint(t, 400), l.export(t)
	editEntries(t, dir, "tile/entries/000", func(e [][]byte) [][]byte { e[7][len(e[7])-1] ^= 1; return e })
	r := held(t, dir, kept)
	expectFault(t, r, 7, "not the entry that was signed")
	if len(r.Faults) != 1 {
		t.Errorf("%v", r.Faults)
	}
	edit(t, dir, "tile/0/001", flip)
	expectFault(t, held(t, dir, kept), -1, "too damaged to compare it with the earlier checkpoint")
}

// Who waits is told how far it is, and can stop it.
func TestWatch(t *testing.T) {
	dir, told := newLog(t, 600).export(t), []int64{}
	r, err := DirProgress(dir, TrustedInput{}, func(done, of int64) error { told = append(told, done, of); return nil })
	if want := []int64{256, 600, 512, 600, 600, 600}; err != nil || !r.Valid() || !slices.Equal(told, want) {
		t.Errorf("%v, %v: told %v", err, r.Faults, told)
	}
	enough := errors.New("enough")
	if _, err := DirProgress(dir, TrustedInput{}, func(int64, int64) error { return enough }); !errors.Is(err, enough) {
		t.Errorf("stopped: %v", err)
	}
}

// Every bit of every file of an export counts, but for those of handovers.
func TestEveryByteCounts(t *testing.T) {
	l := newLog(t, 3)
	for _, name := range []string{"checkpoint", "keys", "tile/0/000.p/3", "tile/entries/000.p/3"} {
		dir := l.export(t)
		content, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		for i := range content {
			edit(t, dir, name, func(b []byte) []byte { b[i] ^= 1; return b })
			if r := held(t, dir, nil); r.Valid() {
				t.Errorf("%s: byte %d can be changed", name, i)
			}
			edit(t, dir, name, func(b []byte) []byte { b[i] ^= 1; return b })
		}
	}
}

// The holder of the key and the database can write another history. Held
// against a checkpoint from before, each is found; without one, none is, and
// the report says so. That is the honest limit.
func TestHistoryMadeUpWithTheKey(t *testing.T) {
	before := newLog(t, 400)
	kept := before.checkpoint(t, 400)
	grown := func(t *testing.T) *aLog { return newLog(t, 600) }
	for name, bad := range map[string]struct {
		attack func(t *testing.T) *aLog
		what   string
	}{
		"an entry is changed and all is hashed and signed anew": {func(t *testing.T) *aLog {
			l := grown(t)
			l.entries[17] = entry(t, "ebb-and-flow", 17, "as somebody would have it")
			return l
		}, "the first 400 entries are not those"},
		"an entry is taken out": {func(t *testing.T) *aLog {
			l := grown(t)
			l.entries = slices.Delete(l.entries, 17, 18)
			return l
		}, "the first 400 entries are not those"},
		"an entry is slipped in": {func(t *testing.T) *aLog {
			l := grown(t)
			l.entries = slices.Insert(l.entries, 17, entry(t, "ebb-and-flow", 9999, "never was"))
			return l
		}, "the first 400 entries are not those"},
		"two entries change places": {func(t *testing.T) *aLog {
			l := grown(t)
			l.entries[17], l.entries[18] = l.entries[18], l.entries[17]
			return l
		}, "the first 400 entries are not those"},
		"yesterday's backup is restored": {func(t *testing.T) *aLog { return newLog(t, 399) }, "400 entries when the earlier checkpoint was signed and has 399"},
		"a backup is restored and work goes on": {func(t *testing.T) *aLog {
			l := newLog(t, 399)
			for i := range 100 {
				l.entries = append(l.entries, entry(t, "ebb-and-flow", 1000+i, "after the restore"))
			}
			return l
		}, "the first 400 entries are not those"},
		"a second history of the same size": {func(t *testing.T) *aLog {
			l := newLog(t, 400)
			l.entries[399] = entry(t, "ebb-and-flow", 399, "the other one")
			return l
		}, "keep both checkpoints"},
		"everything is gone": {func(t *testing.T) *aLog { return newLog(t, 0) }, "has 0 now"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := bad.attack(t).export(t)
			r := held(t, dir, kept)
			if r.Valid() || !strings.Contains(r.Faults[0].String(), bad.what) {
				t.Errorf("held against the checkpoint from before: %v", r.Faults)
			}
			alone := held(t, dir, nil)
			if !alone.Valid() {
				t.Errorf("without it: %v; the test of the limit is out of date", alone.Faults)
			}
			if !strings.Contains(alone.Limits[0], "No earlier checkpoint") {
				t.Errorf("the limit is not stated: %v", alone.Limits)
			}
		})
	}
}

// TestOneMissingEntryCondemnsNoOther: a bundle that lacks an entry, or has one
// too many, is told by that entry alone, and the others are counted and read.
func TestOneMissingEntryCondemnsNoOther(t *testing.T) {
	l := newLog(t, 600)
	for name, c := range map[string]struct {
		edit func(e [][]byte) [][]byte
		want []string
	}{
		"the first":   {func(e [][]byte) [][]byte { return e[1:] }, []string{"tile/entries/001: it has 255 entries instead of 256", "entry 256, tile/entries/001: it is missing"}},
		"the last":    {func(e [][]byte) [][]byte { return e[:255] }, []string{"tile/entries/001: it has 255 entries instead of 256", "entry 511, tile/entries/001: it is missing"}},
		"one between": {func(e [][]byte) [][]byte { return slices.Delete(e, 99, 100) }, []string{"tile/entries/001: it has 255 entries instead of 256", "entry 355, tile/entries/001: it is missing"}},
		"two apart": {func(e [][]byte) [][]byte { return slices.Delete(slices.Delete(e, 200, 201), 3, 4) },
			[]string{"tile/entries/001: it has 254 entries instead of 256", "entry 259, tile/entries/001: it is missing", "entry 456, tile/entries/001: it is missing"}},
		"emptied": {func(e [][]byte) [][]byte { e[7] = nil; return e }, []string{"entry 263, tile/entries/001: it is missing: there was none in the database when the copy was made"}},
		"emptied at the end, and the others moved up": {func(e [][]byte) [][]byte { return append(slices.Delete(e, 7, 8), nil) },
			[]string{"entry 263, tile/entries/001: it is missing"}},
	} {
		t.Run(name, func(t *testing.T) {
			dir := l.export(t)
			editEntries(t, dir, "tile/entries/001", c.edit)
			r := held(t, dir, nil)
			var got []string
			for _, f := range r.Faults {
				got = append(got, f.String())
			}
			missing := 0
			for _, w := range c.want {
				if strings.Contains(w, "it is missing") {
					missing++
				}
			}
			read := int64(0)
			for _, n := range r.Kinds {
				read += n
			}
			if !slices.Equal(got, c.want) || read != int64(600-missing) {
				t.Errorf("found %q and read %d entries, want %q", got, read, c.want)
			}
		})
	}
}

// TestGapWithoutHashes: the database had neither the entry nor the hash that
// stands for it; the place is named all the same.
func TestGapWithoutHashes(t *testing.T) {
	l := newLog(t, 300)
	dir := filepath.Join(t.TempDir(), "copy")
	x, err := Create(dir)
	if err != nil {
		t.Fatal(err)
	}
	for i, e := range l.entries {
		if i == 270 {
			e = nil
		}
		if err := x.Add(e); err != nil {
			t.Fatal(err)
		}
	}
	if err := x.Finish(SignedHead{Checkpoint: l.checkpoint(t, 300), Keys: []string{l.keys[0].Public().String()}}); err != nil {
		t.Fatal(err)
	}
	expectFault(t, held(t, dir, nil), 270, "it is missing: there was none in the database")
}

// A log that was signed is its own accuser: entries that belong elsewhere or
// stand twice are faults even under a right signature.
func TestSignedNonsense(t *testing.T) {
	for name, bad := range map[string]struct {
		spoil func(t *testing.T, l *aLog)
		index int64
		what  string
	}{
		"twice":           {func(t *testing.T, l *aLog) { l.entries[299] = l.entries[5] }, 299, "same name as entry 5"},
		"another chain's": {func(t *testing.T, l *aLog) { l.entries[7] = entry(t, "tide", 7, "") }, 7, "not an entry of chain ebb-and-flow"},
		"not an entry":    {func(t *testing.T, l *aLog) { l.entries[7] = []byte("\xff\xff") }, 7, "cannot be read"},
	} {
		l := newLog(t, 300)
		bad.spoil(t, l)
		t.Run(name, func(t *testing.T) { expectFault(t, held(t, l.export(t), nil), bad.index, bad.what) })
	}
}

// Only keys that an earlier one vouches for may sign a log on.
func TestKeysFollowOneAnother(t *testing.T) {
	first, second, third, thief := key(t, 1), key(t, 2), key(t, 3), key(t, 9)
	kept := newLog(t, 100).checkpoint(t, 100)
	signedBy := func(n int, keys ...ledger.PrivateKey) *aLog {
		l := newLog(t, n)
		l.keys = keys
		return l
	}
	handed := [][]byte{
		signedBy(250, second, third).checkpoint(t, 250), // in no order
		signedBy(200, first, second).checkpoint(t, 200),
	}
	l := signedBy(600, third)
	l.listed, l.handed = []ledger.PublicKey{first.Public(), second.Public()}, handed
	if r := held(t, l.export(t), kept); !r.Valid() {
		t.Errorf("handed over twice: %v", r.Faults)
	}
	l.handed = handed[:1]
	expectFault(t, held(t, l.export(t), kept), -1, "no key of the earlier checkpoint vouches for")
	l = signedBy(600, thief)
	expectFault(t, held(t, l.export(t), kept), -1, "not signed by any key that came with the export")
	l.listed = []ledger.PublicKey{first.Public()}
	expectFault(t, held(t, l.export(t), kept), -1, "no key of the earlier checkpoint vouches for")
	// A handover that speaks of another history is a fault of its own.
	other := signedBy(200, first, second)
	other.entries[3] = entry(t, "ebb-and-flow", 3, "other")
	l = signedBy(600, second)
	l.listed, l.handed = []ledger.PublicKey{first.Public()}, [][]byte{other.checkpoint(t, 200)}
	expectFault(t, held(t, l.export(t), kept), -1, "when a key was handed over")
}

// TestPinnedKeys: keys that the auditor brought along are believed, and what they
// vouch for; those that came with the export are not.
func TestPinnedKeys(t *testing.T) {
	first, second, thief := key(t, 1), key(t, 2), key(t, 9)
	signedBy := func(n int, keys ...ledger.PrivateKey) *aLog {
		l := newLog(t, n)
		l.keys = keys
		return l
	}
	pinned := func(dir string, keys ...ledger.PrivateKey) Report {
		t.Helper()
		trust := TrustedInput{}
		for _, k := range keys {
			trust.Keys = append(trust.Keys, k.Public().String())
		}
		r, err := DirProgress(dir, trust, func(int64, int64) error { return nil })
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	const stranger = "signed neither by a trusted key"
	dir := signedBy(300, first).export(t)
	if r := pinned(dir, first); !r.Valid() || slices.ContainsFunc(r.Limits, func(l string) bool { return strings.Contains(l, "came with the export") }) {
		t.Errorf("by its key: %v, %v", r.Faults, r.Limits)
	}
	if r := pinned(dir, thief, first); !r.Valid() {
		t.Errorf("by one of two: %v", r.Faults)
	}
	expectFault(t, pinned(dir, thief), -1, stranger)
	if r := pinned(signedBy(300, thief).export(t)); !r.Valid() {
		t.Errorf("a history of a thief holds by itself: %v", r.Faults)
	}
	expectFault(t, pinned(signedBy(300, thief).export(t), first), -1, stranger)
	handed := signedBy(300, second)
	handed.listed = []ledger.PublicKey{first.Public()}
	expectFault(t, pinned(handed.export(t), first), -1, stranger)
	handed.handed = [][]byte{signedBy(200, first, second).checkpoint(t, 200)}
	if r := pinned(handed.export(t), first); !r.Valid() {
		t.Errorf("by a key that was handed over: %v", r.Faults)
	}
	remove(t, dir, "keys")
	r := pinned(dir, first)
	expectFault(t, r, -1, "keys: it is missing")
	if len(r.Faults) != 1 || r.Size != 300 {
		t.Errorf("without the keys of the export: %v", r.Faults)
	}
	if _, err := DirProgress(dir, TrustedInput{Keys: []string{"no key"}}, func(int64, int64) error { return nil }); err == nil {
		t.Error("what is no key is taken for one")
	}
}

func TestEarlierCheckpointOfAnotherLog(t *testing.T) {
	dir := newLog(t, 10).export(t)
	other, err := ledger.NewPrivateKey("log.example/tide", bytes.Repeat([]byte{1}, 32))
	if err != nil {
		t.Fatal(err)
	}
	signed, err := ledger.Checkpoint{Origin: "log.example/tide", Head: ledger.Empty()}.Sign([]ledger.PrivateKey{other})
	if err != nil {
		t.Fatal(err)
	}
	edit(t, dir, "keys", func(b []byte) []byte { return append(b, other.Public().String()...) })
	expectFault(t, held(t, dir, signed), -1, "of log log.example/tide")
	for _, against := range []string{"", "nonsense"} { // no checkpoint says nothing against the log
		if r, err := Dir(dir, []byte(against)); !errors.Is(err, ledger.ErrCheckpoint) || len(r.Faults) > 0 {
			t.Errorf("against %q: %v, %v", against, r.Faults, err)
		}
	}
}

func TestManyFaultsAreCounted(t *testing.T) {
	dir := newLog(t, 300).export(t)
	editEntries(t, dir, "tile/entries/000", func(e [][]byte) [][]byte { slices.Reverse(e); return e })
	if r := held(t, dir, nil); len(r.Faults) != maxFaults || r.MoreFaults != 256-maxFaults {
		t.Errorf("%d faults and %d more, want %d and %d", len(r.Faults), r.MoreFaults, maxFaults, 256-maxFaults)
	}
}

func TestNoDirectory(t *testing.T) {
	if _, err := Dir(filepath.Join(t.TempDir(), "none"), nil); err == nil {
		t.Error("there is a verdict on a directory that is not there")
	}
	if r := held(t, t.TempDir(), nil); r.Valid() {
		t.Error("an empty directory holds")
	}
	dir := newLog(t, 1).export(t)
	if _, err := Create(dir); err == nil {
		t.Error("an export is written over another")
	}
}

// FuzzDir changes files at random: nothing but what was signed ever holds, and
// nothing ends the program.
func FuzzDir(f *testing.F) {
	l := newLog(f, 260)
	kept := l.checkpoint(f, 100)
	names := []string{"checkpoint", "keys", "tile/0/000", "tile/0/001.p/4", "tile/1/000.p/1", "tile/entries/000", "tile/entries/001.p/4"}
	dir := l.export(f)
	f.Add(uint8(5), uint16(9), []byte("x"))
	f.Fuzz(func(t *testing.T, which uint8, at uint16, with []byte) {
		name := filepath.Join(dir, names[int(which)%len(names)])
		good, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		bad := slices.Clone(good)
		copy(bad[int(at)%len(bad):], with)
		if err := os.WriteFile(name, bad, 0o644); err != nil {
			t.Fatal(err)
		}
		r := held(t, dir, kept)
		if err := os.WriteFile(name, good, 0o644); err != nil {
			t.Fatal(err)
		}
		same := bytes.Equal(good, bad)
		if again, _, err := ledger.OpenCheckpoint(bad, []ledger.PublicKey{l.keys[0].Public()}); err == nil && names[int(which)%len(names)] == checkpointFile {
			same = again.Size == 260 // base64 has bits to spare: the same checkpoint, written otherwise
		}
		if r.Valid() != same {
			t.Errorf("%s changed at %d to %q: %v", name, at, with, r.Faults)
		}
	})
}
