package ledger

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"github.com/transparency-dev/merkle/testonly"
)

// The vectors are those of the Certificate Transparency project, as published
// in github.com/transparency-dev/merkle v0.0.2, testonly/constants.go.
func TestPublishedRoots(t *testing.T) {
	for size, want := range testonly.RootHashes() {
		m := newMemory(t, testonly.LeafInputs()[:size])
		if !bytes.Equal(m.head.Root[:], want) {
			t.Errorf("root of %d published entries is %x, and it is published as %x", size, m.head.Root, want)
		}
	}
}

// The paths and proofs are those of the example in RFC 6962, section 2.1.3.
func TestExampleOfTheRFC(t *testing.T) {
	m := newMemory(t, someEntries(7), 3, 1, 2, 1)
	node := func(l, r Hash) Hash { return sha256.Sum256(slices.Concat([]byte{1}, l[:], r[:])) }
	d := m.leaves
	a, b, c, dd, e, f, j := d[0], d[1], d[2], d[3], d[4], d[5], d[6]
	g, h, i := node(a, b), node(c, dd), node(e, f)
	k, l := node(g, h), node(i, j)
	if m.head.Root != node(k, l) {
		t.Error("the root is not the hash of k and l")
	}
	for index, want := range map[int64][]Hash{0: {b, h, l}, 3: {c, g, l}, 4: {f, j, k}, 6: {i, k}} {
		got, err := m.head.ProveInclusion(index, 7, m.read)
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("audit path of d%d: %v %v, want %v", index, got, err, want)
		}
	}
	for older, want := range map[int64][]Hash{3: {c, dd, g, l}, 4: {l}, 6: {i, j, k}} {
		got, err := m.head.ProveConsistency(older, 7, m.read)
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("PROOF(%d, D[7]): %v %v, want %v", older, got, err, want)
		}
	}
}

// However the entries came in, the tree is the same, and it is that of another
// implementation, which accepts our proofs.
func TestRandomTreesAgainstAnotherImplementation(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	entries := someEntries(3000)
	for range 1000 {
		size := random.IntN(len(entries) + 1)
		var batches []int
		for left := size; left > 0; left -= batches[len(batches)-1] {
			batches = append(batches, 1+random.IntN(left))
		}
		m := newMemory(t, entries[:size], batches...)
		root := otherRoot(t, entries[:size])
		if !bytes.Equal(m.head.Root[:], root) {
			t.Fatalf("%d entries in batches of %v: root %x, the other's is %x", size, batches, m.head.Root, root)
		}
		if size == 0 {
			continue
		}
		index := random.Int64N(int64(size))
		checkWithOther(t, m, index, 1+random.Int64N(int64(size)))
	}
}

// otherRoot is the root as another implementation has it.
func otherRoot(t *testing.T, entries [][]byte) []byte {
	t.Helper()
	whole := (&compact.RangeFactory{Hash: rfc6962.DefaultHasher.HashChildren}).NewEmptyRange(0)
	for _, e := range entries {
		if err := whole.Append(rfc6962.DefaultHasher.HashLeaf(e), nil); err != nil {
			t.Fatal(err)
		}
	}
	if len(entries) == 0 {
		return rfc6962.DefaultHasher.EmptyRoot()
	}
	root, err := whole.GetRootHash(nil)
	if err != nil {
		t.Fatal(err)
	}
	return root
}

// checkWithOther shows our proofs to another implementation.
func checkWithOther(t *testing.T, m *memory, index, older int64) {
	t.Helper()
	size := uint64(m.head.Size)
	inclusion, err := m.head.ProveInclusion(index, m.head.Size, m.read)
	if err != nil {
		t.Fatal(err)
	}
	err = proof.VerifyInclusion(rfc6962.DefaultHasher, uint64(index), size, m.leaves[index][:], raw(inclusion), m.head.Root[:])
	if err != nil {
		t.Fatalf("entry %d of %d: %v", index, size, err)
	}
	was, err := m.head.At(older, m.read)
	if err != nil {
		t.Fatal(err)
	}
	consistency, err := m.head.ProveConsistency(older, m.head.Size, m.read)
	if err != nil {
		t.Fatal(err)
	}
	err = proof.VerifyConsistency(rfc6962.DefaultHasher, uint64(older), size, raw(consistency), was.Root[:], m.head.Root[:])
	if err != nil {
		t.Fatalf("from %d to %d: %v", older, size, err)
	}
}

func raw(hashes []Hash) [][]byte {
	all := make([][]byte, len(hashes))
	for i := range hashes {
		all[i] = hashes[i][:]
	}
	return all
}

// Every way to build every small tree out of two batches, with every proof, and
// every proof held against what it does not prove.
func TestSmallTreesExhaustively(t *testing.T) {
	const largest = 20
	entries := someEntries(largest)
	heads := make([]Head, largest+1)
	for size := range heads {
		heads[size] = newMemory(t, entries[:size]).head
	}
	for size := 0; size <= largest; size++ {
		for first := 0; first <= size; first++ {
			m := newMemory(t, entries[:size], max(first, 1), max(size-first, 1))
			if m.head != heads[size] {
				t.Fatalf("%d entries after %d: another root", size-first, first)
			}
			checkConsistency(t, m, heads, int64(first))
		}
		checkInclusions(t, newMemory(t, entries[:size]))
	}
}

// checkConsistency tries one proof on every pair of trees.
func checkConsistency(t *testing.T, m *memory, heads []Head, older int64) {
	t.Helper()
	was, err := m.head.At(older, m.read)
	if err != nil || was != heads[older] {
		t.Fatalf("tree of %d when it had %d: %v, %v", m.head.Size, older, was, err)
	}
	proof, err := m.head.ProveConsistency(older, m.head.Size, m.read)
	if err != nil {
		t.Fatal(err)
	}
	if err := m.head.CheckConsistency(was, proof); err != nil {
		t.Errorf("from %d to %d: %v", older, m.head.Size, err)
	}
	for i := range proof {
		changed := slices.Clone(proof)
		changed[i][0] ^= 1
		if m.head.CheckConsistency(was, changed) == nil || m.head.CheckConsistency(was, proof[:i]) == nil {
			t.Errorf("from %d to %d: a wrong proof holds", older, m.head.Size)
		}
	}
	forged := was
	forged.Root[31] ^= 1
	if m.head.CheckConsistency(forged, proof) == nil {
		t.Errorf("from %d to %d: the proof holds for another older root", older, m.head.Size)
	}
}

// checkInclusions tries the proof of every entry on every other.
func checkInclusions(t *testing.T, m *memory) {
	t.Helper()
	for index := range m.head.Size {
		proof, err := m.head.ProveInclusion(index, m.head.Size, m.read)
		if err != nil {
			t.Fatal(err)
		}
		for other, leaf := range m.leaves {
			err := m.head.CheckInclusion(index, leaf, proof)
			if (err == nil) != (int64(other) == index) {
				t.Errorf("size %d: proof of entry %d on entry %d: %v", m.head.Size, index, other, err)
			}
		}
		for i := range proof {
			if m.head.CheckInclusion(index, m.leaves[index], proof[:i]) == nil {
				t.Errorf("size %d: cut off proof of entry %d holds", m.head.Size, index)
			}
		}
	}
}

// A tree of 70,000 entries has the tiles that c2sp.org/tlog-tiles names for it
// in its section "Partial Tiles".
func TestTilesOfSeventyThousand(t *testing.T) {
	m := newMemory(t, someEntries(70_000), 4096)
	wide := map[int]map[int]int{} // level, width: how many
	for id, hashes := range m.tiles {
		if wide[id.Level] == nil {
			wide[id.Level] = map[int]int{}
		}
		wide[id.Level][len(hashes)/32]++
	}
	for _, want := range []struct{ level, width, n int }{{0, 256, 273}, {0, 112, 1}, {1, 256, 1}, {1, 17, 1}, {2, 1, 1}} {
		if n := wide[want.level][want.width]; n != want.n {
			t.Errorf("level %d, width %d: %d tiles, want %d", want.level, want.width, n, want.n)
		}
	}
	if len(m.tiles) != 277 {
		t.Errorf("%d tiles, want 277", len(m.tiles))
	}
	if len(m.head.Edge()) != 3 {
		t.Errorf("edge %v, want three tiles", m.head.Edge())
	}
	for _, index := range []int64{0, 255, 256, 65_535, 65_536, 69_999} {
		checkWithOther(t, m, index, index+1)
	}
}

// A tree is not built upon when what is stored of it does not add up.
func TestAppendToATamperedTree(t *testing.T) {
	m := newMemory(t, someEntries(300))
	leaf := []Hash{LeafHash([]byte("next"))}
	edge := m.edge(t)
	for _, tamper := range []struct {
		name string
		head Head
		edge []Tile
	}{
		{"another root", Head{m.head.Size, LeafHash(nil)}, edge},
		{"a smaller size", Head{299, m.head.Root}, edge},
		{"a larger size", Head{301, m.head.Root}, edge},
		{"a tile is missing", m.head, edge[1:]},
		{"no tiles", m.head, nil},
		{"a changed tile", m.head, []Tile{{edge[0].TileID, flipped(edge[0].Hashes)}, edge[1]}},
	} {
		if _, _, err := tamper.head.Append(tamper.edge, leaf); !errors.Is(err, ErrTiles) {
			t.Errorf("%s: %v, want ErrTiles", tamper.name, err)
		}
	}
	short := []Tile{{edge[0].TileID, edge[0].Hashes[1:]}, edge[1]}
	if _, _, err := m.head.Append(short, leaf); err == nil {
		t.Error("a tile with part of a hash is taken")
	}
}

func flipped(b []byte) []byte {
	b = slices.Clone(b)
	b[len(b)-1] ^= 1
	return b
}

// Proofs come only out of tiles that add up to the root.
func TestProofsFromTamperedTiles(t *testing.T) {
	m := newMemory(t, someEntries(1000), 100)
	for id := range m.tiles {
		good := m.tiles[id]
		m.tiles[id] = flipped(good)
		at := min(id.Index*TileWidth, m.head.Size-1)
		if _, err := m.head.ProveInclusion(at, m.head.Size, m.read); !errors.Is(err, ErrTiles) {
			t.Errorf("%v changed: proof of entry %d: %v, want ErrTiles", id, at, err)
		}
		m.tiles[id] = good
	}
	unread := errors.New("no answer")
	silent := func([]TileID) ([][]byte, error) { return nil, unread }
	if _, err := m.head.At(500, silent); !errors.Is(err, unread) || errors.Is(err, ErrTiles) {
		t.Errorf("reader that fails: %v", err)
	}
}

// What no tree has is refused, and quickly: the arithmetic of proofs would not
// end beyond 2^62.
func TestOutOfRange(t *testing.T) {
	m := newMemory(t, someEntries(5))
	huge := Head{Size: 1<<62 + 1, Root: m.head.Root}
	for name, err := range map[string]error{
		"inclusion behind the end":     second(m.head.ProveInclusion(5, 5, m.read)),
		"inclusion before the start":   second(m.head.ProveInclusion(-1, 5, m.read)),
		"inclusion in a larger tree":   second(m.head.ProveInclusion(1, 6, m.read)),
		"consistency with a larger":    second(m.head.ProveConsistency(6, 5, m.read)),
		"consistency of a larger":      second(m.head.ProveConsistency(1, 6, m.read)),
		"a larger head":                second(m.head.At(6, m.read)),
		"leaves behind the end":        second(m.head.Leaves(3, 3, m.read)),
		"check inclusion of a huge":    huge.CheckInclusion(0, Hash{}, nil),
		"check consistency of a huge":  huge.CheckConsistency(m.head, nil),
		"proof in a huge tree":         second(huge.ProveInclusion(0, huge.Size, m.read)),
		"check consistency of smaller": Empty().CheckConsistency(m.head, nil),
	} {
		if !errors.Is(err, ErrNoSuchTree) {
			t.Errorf("%s: %v, want ErrNoSuchTree", name, err)
		}
	}
	if _, _, err := huge.Append(nil, []Hash{{}}); err == nil {
		t.Error("a huge tree can be appended to")
	}
}

func second[T any](_ T, err error) error { return err }

func TestLeaves(t *testing.T) {
	m := newMemory(t, someEntries(600))
	got, err := m.head.Leaves(250, 300, m.read)
	if err != nil || !slices.Equal(got, m.leaves[250:550]) {
		t.Errorf("%d hashes, %v", len(got), err)
	}
}

func BenchmarkAppend(b *testing.B) {
	entries := someEntries(1000)
	leaves := make([]Hash, len(entries))
	for i, e := range entries {
		leaves[i] = LeafHash(e)
	}
	m := newMemory(b, someEntries(12_345))
	edge := m.edge(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := m.head.Append(edge, leaves); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(leaves)*b.N)/b.Elapsed().Seconds(), "entries/s")
}
