package ledger

import (
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// Hash is a SHA-256 hash of an entry or of a part of the tree.
type Hash = tlog.Hash

// maxSize bounds what is taken for the size of a tree. Beyond 2^62 the
// arithmetic of proofs would not end; no log comes near either number.
const maxSize = 1 << 60

// Head says how many entries a tree holds and what its root hash is: all there
// is to know to extend it, given the tiles at its edge.
type Head struct {
	Size int64
	Root Hash
}

// Empty is the head of a tree without entries.
func Empty() Head {
	root, err := tlog.TreeHash(0, nil)
	if err != nil {
		panic(err) // the root of no entries is a constant
	}
	return Head{Root: root}
}

// LeafHash is the hash of an entry in the tree, over its bytes as they are
// stored.
func LeafHash(entry []byte) Hash { return tlog.RecordHash(entry) }

// ErrTiles says that the tiles do not add up to the root hash of the tree:
// they, or the head, are not what was once written.
var ErrTiles = errors.New("ledger: the tiles do not add up to the root of the tree")

// Edge names the tiles that are needed to extend the tree: the last one of each
// level where it is not full.
func (h Head) Edge() []TileID {
	var edge []TileID
	for level, n := 0, h.Size; n > 0; level, n = level+1, n>>tileHeight {
		if width := int(n % TileWidth); width > 0 {
			edge = append(edge, TileID{Level: level, Index: n >> tileHeight, Width: width})
		}
	}
	return edge
}

// Append extends the tree by entries, given as their leaf hashes, and returns
// its new head and the tiles that are new or have grown. The tiles of Edge are
// held against the root first: a tree that was tampered with at its edge is
// not built upon, and the answer is ErrTiles.
func (h Head) Append(edge []Tile, leaves []Hash) (Head, []Tile, error) {
	if h.Size < 0 || h.Size > maxSize-int64(len(leaves)) {
		return h, nil, fmt.Errorf("ledger: a tree of %d entries cannot take %d more", h.Size, len(leaves))
	}
	g, err := h.growth(edge)
	if err != nil || len(leaves) == 0 {
		return h, nil, err
	}
	for i, leaf := range leaves {
		hashes, err := tlog.StoredHashesForRecordHash(h.Size+int64(i), leaf, g)
		if err != nil {
			return h, nil, err
		}
		g.fresh = append(g.fresh, hashes...)
	}
	grown := Head{Size: h.Size + int64(len(leaves))}
	if grown.Root, err = tlog.TreeHash(grown.Size, g); err != nil {
		return h, nil, err
	}
	tiles, err := g.tiles(h.Size, grown.Size)
	return grown, tiles, err
}

// growth is a tree that grows: the hashes at the edge it had, and those it has
// got since, in the order of tlog's stored hash indexes.
type growth struct {
	edge  map[TileID]Tile // by level and index, whatever the width
	start int64           // stored hash index of fresh[0]
	fresh []Hash
}

// growth begins to extend a tree whose edge is sound.
func (h Head) growth(edge []Tile) (*growth, error) {
	g := &growth{edge: map[TileID]Tile{}, start: tlog.StoredHashCount(h.Size)}
	for _, t := range edge {
		if err := t.check(); err != nil {
			return nil, err
		}
		g.edge[TileID{Level: t.Level, Index: t.Index}] = t
	}
	root, err := tlog.TreeHash(h.Size, g)
	if err != nil {
		return nil, err
	}
	if root != h.Root {
		return nil, ErrTiles
	}
	return g, nil
}

// ReadHashes makes it a tlog.HashReader.
func (g *growth) ReadHashes(indexes []int64) ([]Hash, error) {
	hashes := make([]Hash, len(indexes))
	for i, x := range indexes {
		if x >= g.start && x-g.start < int64(len(g.fresh)) {
			hashes[i] = g.fresh[x-g.start]
			continue
		}
		at := tlog.TileForIndex(tileHeight, x)
		tile, ok := g.edge[TileID{Level: at.L, Index: at.N}]
		if !ok || tile.Width < at.W {
			return nil, fmt.Errorf("%w: %s is not there", ErrTiles, TileID{at.L, at.N, at.W}.Path())
		}
		var err error
		if hashes[i], err = tlog.HashFromTile(tile.tlog(), tile.Hashes, x); err != nil {
			return nil, err
		}
	}
	return hashes, nil
}

// tiles collects what is to be stored when a tree has grown.
func (g *growth) tiles(from, to int64) ([]Tile, error) {
	var tiles []Tile
	for _, at := range tlog.NewTiles(tileHeight, from, to) {
		hashes, err := tlog.ReadTileData(at, g)
		if err != nil {
			return nil, err
		}
		tiles = append(tiles, Tile{TileID{at.L, at.N, at.W}, hashes})
	}
	return tiles, nil
}
