package verify

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
)

// suspectBundle is a bundle of entries that differs from its tile.
//
// Bundles are judged after the tree is complete, since only the signed root shows
// whether the tile or the bundle is the wrong one.
type suspectBundle struct {
	// first is the index of its first entry.
	first int64
	// width is how many entries it should have.
	width int
	path  string
	// problem is why the bundle is unusable; empty: it is usable.
	problem string
	entries [][]byte
	leaves  []ledger.Hash // of the entries
	// inOrder means that all entries are signed ones, in order.
	inOrder bool
}

// maxSuspects is the maximum number of bundles kept for a closer check.
//
// A bundle has up to 256 entries of 64 KiB, so that 64 bundles bound the memory to
// about 1 GiB in the worst case. Further suspect bundles are still counted, through
// the root that does not match.
const maxSuspects = 64

// tree is the tree rebuilt from the entries.
//
// The edge are the incomplete tiles on the right, all that is needed to append more
// leaves (RFC 6962, section 2.1, with tiles of c2sp.org/tlog-tiles).
type tree struct {
	head ledger.Head
	edge []ledger.Tile
}

// build rebuilds the tree from the entries and compares it with the tiles.
//
// Only full tiles and those of the final edge are compared: the export has no
// others. The comparison detects a tile that was changed although the entries are
// correct; such an export still verifies, but proofs made from its tiles would not.
func (c *verification) build() (tree, error) {
	built := tree{head: ledger.Empty()}
	c.heads[0] = built.head
	last := c.signed.Edge()
	for first := int64(0); first < c.signed.Size && !c.incomplete; first += ledger.TileWidth {
		leaves, err := c.readBundle(first, int(min(ledger.TileWidth, c.signed.Size-first)))
		if err != nil || c.incomplete {
			return built, err
		}
		tiles, err := c.appendLeaves(&built, leaves)
		if err == nil {
			err = c.progress(built.head.Size, c.signed.Size)
		}
		if err != nil {
			return built, err
		}
		for _, t := range tiles {
			if t.Width == ledger.TileWidth || slices.Contains(last, t.TileID) {
				if err := c.compareTile(t); err != nil {
					return built, err
				}
			}
		}
	}
	return built, nil
}

// appendLeaves appends leaves to the tree, and keeps the heads at the sizes that
// are needed.
//
// A head is kept at the size of every earlier checkpoint and handover, so that the
// history can be compared without a second pass.
func (c *verification) appendLeaves(built *tree, leaves []ledger.Hash) ([]ledger.Tile, error) {
	var grown []ledger.Tile
	for len(leaves) > 0 {
		n := len(leaves)
		for _, size := range c.headSizes() {
			if size > built.head.Size && size < built.head.Size+int64(n) {
				n = int(size - built.head.Size)
			}
		}
		head, tiles, err := built.head.Append(built.edge, leaves[:n])
		if err != nil {
			return nil, err
		}
		built.head, built.edge, leaves = head, edgeOf(head, built.edge, tiles), leaves[n:]
		grown = append(grown, tiles...)
		if slices.Contains(c.headSizes(), head.Size) {
			c.heads[head.Size] = head
		}
	}
	return grown, nil
}

// headSizes returns the sizes at which a head is needed.
func (c *verification) headSizes() []int64 {
	var sizes []int64
	if c.earlier != nil {
		sizes = append(sizes, c.earlier.Size)
	}
	for _, h := range c.handover {
		sizes = append(sizes, h.Size)
	}
	return sizes
}

// edgeOf selects the edge of a tree from its previous edge and its new tiles.
//
// A new tile replaces an old one with the same ID.
func edgeOf(head ledger.Head, was, tiles []ledger.Tile) []ledger.Tile {
	var edge []ledger.Tile
	for _, id := range head.Edge() {
		for _, t := range slices.Concat(tiles, was) {
			if t.TileID == id {
				edge = append(edge, t)
				break
			}
		}
	}
	return edge
}

// readBundle reads and checks the entries of a bundle and returns their hashes. If
// their number is wrong, it returns the tile's hashes instead, which show which
// entries are missing.
func (c *verification) readBundle(first int64, width int) ([]ledger.Hash, error) {
	path := ledger.BundlePath(first/ledger.TileWidth, width)
	tile, noTile, err := c.readTile(ledger.TileID{Level: 0, Index: first / ledger.TileWidth, Width: width})
	if err != nil {
		return nil, err
	}
	content, wrong, err := c.files.read(path, maxBundle)
	if err != nil {
		return nil, err
	}
	entries, err := ledger.ParseBundle(content)
	switch {
	case wrong != "":
	case err != nil:
		wrong = err.Error()
	case len(entries) != width:
		wrong = fmt.Sprintf("it has %d entries instead of %d", len(entries), width)
	}
	leaves := make([]ledger.Hash, len(entries))
	for i, entry := range entries {
		leaves[i] = ledger.LeafHash(entry)
	}
	s := suspectBundle{first: first, width: width, path: path, problem: wrong, entries: entries, leaves: leaves}
	if wrong != "" {
		c.readAligned(s, tile)
		c.incomplete = noTile != ""
		if len(entries) == 0 || noTile != "" || len(c.suspects) == maxSuspects {
			c.addUnreadable(s)
			return tile, nil
		}
		c.suspects = append(c.suspects, s)
		return tile, nil
	}
	for i, entry := range entries {
		c.readEntry(first+int64(i), path, entry)
	}
	if noTile == "" && !slices.Equal(leaves, tile) && len(c.suspects) < maxSuspects {
		c.suspects = append(c.suspects, s)
	}
	return leaves, nil
}

// addUnreadable reports a bundle about which nothing more is known.
func (c *verification) addUnreadable(s suspectBundle) {
	c.addFault(Fault{Index: s.first, File: s.path, What: fmt.Sprintf("%s; entries %d to %d cannot be read", s.problem, s.first, s.first+int64(s.width)-1)})
}

// readAligned checks the entries of a bundle with a wrong number of entries, each
// at the index that the tile has for it. Their content is checked as usual, and an
// index without an entry keeps the hash 0, so that later indexes do not shift.
func (c *verification) readAligned(s suspectBundle, tile []ledger.Hash) {
	at := len(c.nameHashes)
	c.nameHashes = append(c.nameHashes, make([]uint64, s.width)...)
	for i, leaf := range s.leaves {
		place := slices.Index(tile, leaf)
		if place < 0 {
			continue
		}
		c.nameHashes = c.nameHashes[:at+place]
		c.readEntry(s.first+int64(place), s.path, s.entries[i])
		c.nameHashes = c.nameHashes[:at+s.width]
	}
}

// readEntry checks the content of an entry.
//
// An empty entry means that the copier found none in the database at this index. It
// is judged later: the entry may be in the bundle at another index.
func (c *verification) readEntry(index int64, path string, stored []byte) {
	e := &pb.AuditEntry{}
	if len(stored) == 0 {
		c.missing[index] = path
		c.nameHashes = append(c.nameHashes, 0)
		return
	}
	if err := proto.Unmarshal(stored, e); err != nil {
		c.addFault(Fault{Index: index, File: path, What: "it cannot be read as an audit entry"})
		c.nameHashes = append(c.nameHashes, 0)
		return
	}
	c.report.Kinds[e.Kind.String()]++
	chain := c.signed.Origin[strings.LastIndexByte(c.signed.Origin, '/')+1:]
	if !strings.HasPrefix(e.Name, "chains/"+chain+"/entries/") {
		c.addFault(Fault{Index: index, Entry: e.Name, File: path, What: "it is not an entry of chain " + chain})
	}
	c.nameHashes = append(c.nameHashes, nameHash(e.Name))
}

// nameHash is a short hash of a name, never 0. Eight bytes per entry suffice to
// find duplicates in a log of millions; 0 marks an index without a readable entry.
func nameHash(name string) uint64 {
	sum := sha256.Sum256([]byte(name))
	return binary.BigEndian.Uint64(sum[:]) | 1
}

// readTile reads a tile as hashes; missing says why that failed.
//
// A tile is untrusted until the root was computed from it.
func (c *verification) readTile(id ledger.TileID) (hashes []ledger.Hash, missing string, err error) {
	content, missing, err := c.files.read(id.Path(), maxTile)
	if err == nil && missing == "" && len(content) != id.Width*len(ledger.Hash{}) {
		missing = fmt.Sprintf("it has %d bytes instead of %d", len(content), id.Width*len(ledger.Hash{}))
	}
	if err != nil || missing != "" {
		return nil, missing, err
	}
	for h := range slices.Chunk(content, len(ledger.Hash{})) {
		hashes = append(hashes, ledger.Hash(h))
	}
	return hashes, "", nil
}

// compareTile records a tile that differs from the rebuilt one.
func (c *verification) compareTile(t ledger.Tile) error {
	content, missing, err := c.files.read(t.Path(), maxTile)
	if err == nil && (missing != "" || !bytes.Equal(content, t.Hashes)) {
		c.damaged = append(c.damaged, t.TileID)
	}
	return err
}

// readTiles is the ledger.TileReader of the export.
func (c *verification) readTiles(ids []ledger.TileID) ([][]byte, error) {
	tiles := make([][]byte, len(ids))
	for i, id := range ids {
		content, missing, err := c.files.read(id.Path(), maxTile)
		if err != nil {
			return nil, err
		}
		if missing != "" || len(content) != id.Width*len(ledger.Hash{}) {
			return nil, errTile
		}
		tiles[i] = content
	}
	return tiles, nil
}

// errTile means that a tile is missing or has the wrong length.
var errTile = errors.New("verify: tile missing or cut")
