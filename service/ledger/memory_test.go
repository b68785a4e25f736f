package ledger

import (
	"fmt"
	"testing"
)

// memory is a log kept in memory, for tests: what a database would keep.
type memory struct {
	head   Head
	tiles  map[TileID][]byte // by level and index; as wide as they have become
	leaves []Hash
}

// newMemory is a log of entries, appended in batches of the given sizes until
// none are left; the last size goes on.
func newMemory(t testing.TB, entries [][]byte, batches ...int) *memory {
	t.Helper()
	m := &memory{head: Empty(), tiles: map[TileID][]byte{}}
	for len(entries) > 0 {
		n := len(entries)
		if len(batches) > 0 {
			n = min(n, batches[0])
		}
		if len(batches) > 1 {
			batches = batches[1:]
		}
		m.append(t, entries[:n])
		entries = entries[n:]
	}
	return m
}

// append appends one batch.
func (m *memory) append(t testing.TB, entries [][]byte) {
	t.Helper()
	leaves := make([]Hash, len(entries))
	for i, e := range entries {
		leaves[i] = LeafHash(e)
	}
	head, tiles, err := m.head.Append(m.edge(t), leaves)
	if err != nil {
		t.Fatalf("appending %d to %d: %v", len(entries), m.head.Size, err)
	}
	m.head, m.leaves = head, append(m.leaves, leaves...)
	for _, tile := range tiles {
		m.tiles[TileID{Level: tile.Level, Index: tile.Index}] = tile.Hashes
	}
}

// edge is the edge of the tree as a database would give it.
func (m *memory) edge(t testing.TB) []Tile {
	t.Helper()
	ids := m.head.Edge()
	data, err := m.read(ids)
	if err != nil {
		t.Fatal(err)
	}
	edge := make([]Tile, len(ids))
	for i, id := range ids {
		edge[i] = Tile{id, data[i]}
	}
	return edge
}

// read is the TileReader of the log.
func (m *memory) read(ids []TileID) ([][]byte, error) {
	data := make([][]byte, len(ids))
	for i, id := range ids {
		whole := m.tiles[TileID{Level: id.Level, Index: id.Index}]
		if len(whole) < id.Width*32 {
			return nil, fmt.Errorf("%s is not there", id.Path())
		}
		data[i] = whole[:id.Width*32]
	}
	return data, nil
}

// someEntries are entries that differ.
func someEntries(n int) [][]byte {
	entries := make([][]byte, n)
	for i := range entries {
		entries[i] = fmt.Appendf(nil, "entry %d", i)
	}
	return entries
}
