package ledger

import (
	"encoding/binary"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/tlog"
)

// TileWidth is how many hashes a full tile has, and how many entries a full
// bundle: 256, as c2sp.org/tlog-tiles says.
const TileWidth = 1 << tileHeight

const tileHeight = 8

// TileID names a tile: its level (0 holds the hashes of entries, each above it
// those of full tiles below), its index within the level, and its width in
// hashes, 1 to TileWidth.
type TileID struct {
	Level int
	Index int64
	Width int
}

// Tile is a tile with its hashes, one behind the other.
type Tile struct {
	TileID
	Hashes []byte
}

// tlog is the tile in the words of package tlog.
func (t TileID) tlog() tlog.Tile { return tlog.Tile{H: tileHeight, L: t.Level, N: t.Index, W: t.Width} }

// check reports a tile that cannot be one.
func (t Tile) check() error {
	if t.Level < 0 || t.Level > 63 || t.Index < 0 || t.Width < 1 || t.Width > TileWidth {
		return fmt.Errorf("ledger: no tile has level %d, index %d and width %d", t.Level, t.Index, t.Width)
	}
	if len(t.Hashes) != t.Width*tlog.HashSize {
		return fmt.Errorf("ledger: %s has %d bytes, and %d hashes take %d", t.Path(), len(t.Hashes), t.Width, t.Width*tlog.HashSize)
	}
	return nil
}

// Path is where a tile is found in a log that is laid out in files, such as
// "tile/0/x001/234" or "tile/0/x001/234.p/7".
func (t TileID) Path() string {
	return "tile/" + strings.TrimPrefix(t.tlog().Path(), fmt.Sprintf("tile/%d/", tileHeight))
}

// BundlePath is where the entries are found whose hashes are in a tile of level
// 0, such as "tile/entries/x001/234.p/7".
func BundlePath(index int64, width int) string {
	return "tile/entries/" + strings.TrimPrefix(TileID{0, index, width}.Path(), "tile/0/")
}

// ErrEntryTooLong says that an entry does not fit into a bundle.
var ErrEntryTooLong = errors.New("ledger: entry longer than 65,535 bytes")

// MaxEntry is the length of the longest entry that a log takes, in bytes: what
// a bundle can hold.
const MaxEntry = 1<<16 - 1

// Bundle puts entries behind one another, each behind its length in two bytes.
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

// ParseBundle takes the entries out of a bundle. They share its memory. The
// entries before the point where a bundle is damaged are returned with the error.
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
