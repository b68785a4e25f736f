package ledger

import (
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// TileReader reads tiles from where they are stored. It returns the hashes of each tile
// in the order of the argument. If a tile has grown since, it returns the first Width
// hashes. What it returns is not trusted.
//
// A reader should return its own error unchanged if the database cannot be read; only
// then can callers tell an outage from damage.
type TileReader func(tiles []TileID) ([][]byte, error)

// ErrProof means that a proof does not prove what it is presented for.
var ErrProof = errors.New("ledger: the proof does not hold")

// ErrNoSuchTree means that a tree has no such entry, or never had that size.
var ErrNoSuchTree = errors.New("ledger: the tree has not grown so far")

// hashes returns a reader of the tree's hashes from tiles. Every hash that it returns
// was traced to the root; tiles that do not lead there give ErrTiles.
func (h Head) hashes(read TileReader) tlog.HashReader {
	source := tlog.TileHashReader(tlog.Tree{N: h.Size, Hash: h.Root}, tileSource{read})
	return tlog.HashReaderFunc(func(indexes []int64) ([]Hash, error) {
		found, err := source.ReadHashes(indexes)
		var failed readError
		switch {
		case errors.As(err, &failed):
			return nil, failed.error
		case err != nil:
			return nil, fmt.Errorf("%w: %w", ErrTiles, err)
		}
		return found, nil
	})
}

// tileSource adapts a TileReader to package tlog.
type tileSource struct{ read TileReader }

// readError separates an error of the reader, such as a lost connection, from tiles
// that are wrong.
type readError struct{ error }

// Height implements tlog.TileReader.
func (s tileSource) Height() int { return tileHeight }

// ReadTiles implements tlog.TileReader.
func (s tileSource) ReadTiles(tiles []tlog.Tile) ([][]byte, error) {
	ids := make([]TileID, len(tiles))
	for i, t := range tiles {
		ids[i] = TileID{t.L, t.N, t.W}
	}
	data, err := s.read(ids)
	if err != nil {
		return nil, readError{err}
	}
	return data, nil
}

// SaveTiles implements tlog.TileReader. Nothing is cached.
func (s tileSource) SaveTiles([]tlog.Tile, [][]byte) {}

// At returns the head that the tree had at a smaller size.
//
// The error is ErrNoSuchTree if size is negative or larger than the tree.
func (h Head) At(size int64, read TileReader) (Head, error) {
	switch {
	case size < 0 || size > min(h.Size, maxSize):
		return Head{}, fmt.Errorf("%w: size %d of %d", ErrNoSuchTree, size, h.Size)
	case size == 0:
		return Empty(), nil
	}
	root, err := tlog.TreeHash(size, h.hashes(read))
	return Head{size, root}, err
}

// Leaves returns the leaf hashes of n entries, the first with index from.
func (h Head) Leaves(from, n int64, read TileReader) ([]Hash, error) {
	if from < 0 || n < 0 || n > min(h.Size, maxSize)-from {
		return nil, fmt.Errorf("%w: entries from %d, %d of them, of %d", ErrNoSuchTree, from, n, h.Size)
	}
	if n == 0 {
		return nil, nil
	}
	indexes := make([]int64, n)
	for i := range indexes {
		indexes[i] = tlog.StoredHashIndex(0, from+int64(i))
	}
	return h.hashes(read).ReadHashes(indexes)
}

// ProveInclusion proves that an entry is in the tree of the given size: the hashes
// beside the path from its leaf to the root, from the leaf upwards (RFC 6962, section
// 2.1.1).
func (h Head) ProveInclusion(index, size int64, read TileReader) ([]Hash, error) {
	if index < 0 || index >= size || size > min(h.Size, maxSize) {
		return nil, fmt.Errorf("%w: entry %d of %d in a tree of %d", ErrNoSuchTree, index, size, h.Size)
	}
	return tlog.ProveRecord(size, index, h.hashes(read))
}

// CheckInclusion returns ErrProof unless the proof shows that the entry with this leaf
// hash is in the tree at this index.
func (h Head) CheckInclusion(index int64, leaf Hash, proof []Hash) error {
	if index < 0 || index >= h.Size || h.Size > maxSize {
		return fmt.Errorf("%w: entry %d of %d", ErrNoSuchTree, index, h.Size)
	}
	if tlog.CheckRecord(proof, h.Size, h.Root, index, leaf) != nil {
		return ErrProof
	}
	return nil
}

// ProveConsistency proves that the tree of the given size extends that of older entries
// (RFC 6962, section 2.1.2). Every tree extends the empty one, and the proof of that
// has no hashes.
//
// An auditor who kept an older checkpoint checks with it that nothing before that
// checkpoint was changed.
func (h Head) ProveConsistency(older, size int64, read TileReader) ([]Hash, error) {
	if older < 0 || older > size || size > min(h.Size, maxSize) {
		return nil, fmt.Errorf("%w: from %d to %d of %d", ErrNoSuchTree, older, size, h.Size)
	}
	if older == 0 {
		return nil, nil
	}
	return tlog.ProveTree(size, older, h.hashes(read))
}

// CheckConsistency returns ErrProof unless the proof shows that the tree extends the
// older one, by appending entries and nothing else.
func (h Head) CheckConsistency(older Head, proof []Hash) error {
	if older.Size < 0 || older.Size > h.Size || h.Size > maxSize {
		return fmt.Errorf("%w: from %d to %d", ErrNoSuchTree, older.Size, h.Size)
	}
	if older.Size == 0 {
		if older != Empty() || len(proof) != 0 || h.Size == 0 && h != older {
			return ErrProof
		}
		return nil
	}
	if tlog.CheckTree(proof, h.Size, h.Root, older.Size, older.Root) != nil {
		return ErrProof
	}
	return nil
}
