package ledger

import (
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// Hash is a SHA-256 hash of an entry or of a part of the tree.
type Hash = tlog.Hash

// maxSize bounds the size of a tree. Beyond 2^62 the arithmetic of proofs would not
// end; no log comes near either number.
const maxSize = 1 << 60

// Head is the number of entries in a tree and its root hash. Together with the tiles at
// its edge it is all that is needed to extend the tree.
type Head struct {
	Size int64
	Root Hash
}

// Empty returns the head of a tree without entries.
func Empty() Head {
	root, err := tlog.TreeHash(0, nil)
	if err != nil {
		panic(err) // the root of no entries is a constant
	}
	return Head{Root: root}
}

// LeafHash returns the hash of an entry in the tree, over its stored bytes.
func LeafHash(entry []byte) Hash { return tlog.RecordHash(entry) }

// ErrTiles means that the tiles do not lead to the root hash of the tree: they or the
// head are not what was written once.
var ErrTiles = errors.New("ledger: the tiles do not add up to the root of the tree")

// Edge returns the tiles that are needed to extend the tree: the last one of each level
// that is not full.
//
// There are at most eight of them, because a tile covers eight levels and sizes are
// below 2^60.
func (h Head) Edge() []TileID {
	var edge []TileID
	for level, n := 0, h.Size; n > 0; level, n = level+1, n>>tileHeight {
		if width := int(n % TileWidth); width > 0 {
			edge = append(edge, TileID{Level: level, Index: n >> tileHeight, Width: width})
		}
	}
	return edge
}

// Append extends the tree by entries, given as their leaf hashes. It returns the new
// head and the tiles that are new or have grown. It checks the tiles of Edge against
// the root first: a tree whose edge was changed is not extended, and the error is
// ErrTiles.
//
// It changes nothing that is stored; the caller stores the tiles and the signed head in
// one transaction. The result depends only on the arguments, so that two servers with
// the same input compute the same tree.
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

// growth is a tree that is being extended: the hashes at its old edge and the new ones,
// in the order of tlog's stored hash indexes.
type growth struct {
	// edge are the old tiles by level and index; the width of the key is 0.
	edge map[TileID]Tile
	// start is the stored hash index of fresh[0].
	start int64
	fresh []Hash
}

// growth checks the edge and begins to extend the tree.
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

// ReadHashes implements tlog.HashReader.
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

// tiles returns the tiles to be stored after the tree has grown.
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
