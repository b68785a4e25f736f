package ledger

import (
	"encoding/binary"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/tlog"
)

// TileWidth is the number of hashes in a full tile, and of entries in a full bundle
// (c2sp.org/tlog-tiles).
const TileWidth = 1 << tileHeight

// tileHeight is the number of levels of the tree in one level of tiles.
const tileHeight = 8

// TileID identifies a tile: its level (0 has the hashes of entries, each higher one
// those of full tiles below), its index within the level, and its width in hashes, 1 to
// TileWidth.
type TileID struct {
	Level int
	Index int64
	Width int
}

// Tile is a tile with its hashes, one after another, 32 bytes each.
type Tile struct {
	TileID
	Hashes []byte
}

// tlog returns the tile's ID in package tlog.
func (t TileID) tlog() tlog.Tile { return tlog.Tile{H: tileHeight, L: t.Level, N: t.Index, W: t.Width} }

// check returns an error for an ID or a length that no tile can have.
func (t Tile) check() error {
	if t.Level < 0 || t.Level > 63 || t.Index < 0 || t.Width < 1 || t.Width > TileWidth {
		return fmt.Errorf("ledger: no tile has level %d, index %d and width %d", t.Level, t.Index, t.Width)
	}
	if len(t.Hashes) != t.Width*tlog.HashSize {
		return fmt.Errorf("ledger: %s has %d bytes, and %d hashes take %d", t.Path(), len(t.Hashes), t.Width, t.Width*tlog.HashSize)
	}
	return nil
}

// Path returns the path of a tile in a log of files, such as "tile/0/x001/234" or
// "tile/0/x001/234.p/7".
func (t TileID) Path() string {
	return "tile/" + strings.TrimPrefix(t.tlog().Path(), fmt.Sprintf("tile/%d/", tileHeight))
}

// BundlePath returns the path of the entries whose hashes are in a tile of level 0,
// such as "tile/entries/x001/234.p/7".
func BundlePath(index int64, width int) string {
	return "tile/entries/" + strings.TrimPrefix(TileID{0, index, width}.Path(), "tile/0/")
}

// ErrEntryTooLong means that an entry does not fit into a bundle.
var ErrEntryTooLong = errors.New("ledger: entry longer than 65,535 bytes")

// MaxEntry is the length in bytes of the longest entry that a bundle, and therefore a
// log, can hold.
const MaxEntry = 1<<16 - 1

// Bundle joins entries, each after its length in two bytes, most significant first.
func Bundle(entries [][]byte) ([]byte, error) {
	var bundle []byte
	for _, e := range entries {
		if len(e) > MaxEntry {
			return nil, ErrEntryTooLong
		}
		bundle = binary.BigEndian.AppendUint16(bundle, uint16(len(e)))
		bundle = append(bundle, e...)
	}
	return bundle, nil
}

// ParseBundle splits a bundle into entries, which share its memory. If the bundle is
// damaged, the entries before the damage are returned with the error.
//
// A bundle has at most TileWidth entries.
func ParseBundle(bundle []byte) ([][]byte, error) {
	var entries [][]byte
	for len(bundle) > 0 {
		if len(bundle) < 2 || len(bundle)-2 < int(binary.BigEndian.Uint16(bundle)) {
			return entries, fmt.Errorf("ledger: bundle is cut off in entry %d", len(entries))
		}
		end := 2 + int(binary.BigEndian.Uint16(bundle))
		if len(entries) == TileWidth {
			return entries, fmt.Errorf("ledger: bundle has more than %d entries", TileWidth)
		}
		entries = append(entries, bundle[2:end:end])
		bundle = bundle[end:]
	}
	return entries, nil
}
