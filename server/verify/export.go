package verify

import (
	"errors"
	"fmt"
	"os"
	"path"
	"strconv"
	"strings"

	"alkalog/service/ledger"
)

// Export writes an export, entry by entry, in the order of the log. It keeps no
// more than one bundle in memory.
type Export struct {
	root    *os.Root
	built   tree
	entries [][]byte // of the bundle that is not full yet
	leaves  []ledger.Hash
}

// ErrNotEmpty says that the directory for an export holds something already.
var ErrNotEmpty = errors.New("verify: the directory is not empty")

// Create begins an export in a directory, which is made if need be and must be
// empty.
func Create(dir string) (*Export, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	held, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	if len(held) > 0 {
		return nil, fmt.Errorf("%w: %s", ErrNotEmpty, dir)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	return &Export{root: root, built: tree{head: ledger.Empty()}}, nil
}

// Add adds the next entry, as the bytes it is stored as.
func (x *Export) Add(stored []byte) error { return x.AddWithLeafHash(stored, ledger.LeafHash(stored)) }

// AddWithLeafHash adds the next entry with the hash that stands for it in the tree as it
// was kept. If that is not the entry's own, Dir can tell which entry was changed.
func (x *Export) AddWithLeafHash(stored []byte, leaf ledger.Hash) error {
	x.entries, x.leaves = append(x.entries, stored), append(x.leaves, leaf)
	if len(x.entries) < ledger.TileWidth {
		return nil
	}
	return x.flush(false)
}

// flush writes the bundle, and the tiles that are finished: the full ones, and
// at the end all.
func (x *Export) flush(end bool) error {
	if len(x.entries) > 0 {
		if err := x.writeBundle(); err != nil {
			return err
		}
	}
	head, tiles, err := x.built.head.Append(x.built.edge, x.leaves)
	if err != nil {
		return err
	}
	x.built = tree{head, edgeOf(head, x.built.edge, tiles)}
	x.entries, x.leaves = nil, nil
	for _, t := range tiles {
		if t.Width == ledger.TileWidth {
			if err := x.write(t.Path(), t.Hashes); err != nil {
				return err
			}
		}
	}
	if !end {
		return nil
	}
	for _, t := range x.built.edge {
		if err := x.write(t.Path(), t.Hashes); err != nil {
			return err
		}
	}
	return nil
}

// writeBundle writes the entries that were gathered.
func (x *Export) writeBundle() error {
	bundle, err := ledger.Bundle(x.entries)
	if err != nil {
		return err
	}
	return x.write(ledger.BundlePath(x.built.head.Size/ledger.TileWidth, len(x.entries)), bundle)
}

// SignedHead is what an export is held to.
type SignedHead struct {
	Checkpoint []byte   // signed
	Keys       []string // the public keys of the log
	Handovers  [][]byte // checkpoints signed by an old and a new key
}

// Finish writes what is left, and the seal; the checkpoint comes last, so that
// an export that was broken off has none. Whether the seal fits the entries is
// for Dir to say.
func (x *Export) Finish(s SignedHead) error {
	defer x.root.Close()
	if err := x.flush(true); err != nil {
		return err
	}
	for i, h := range s.Handovers {
		if err := x.write(path.Join(handoverDir, strconv.Itoa(i)), h); err != nil {
			return err
		}
	}
	if err := x.write(keysFile, []byte(strings.Join(s.Keys, "\n")+"\n")); err != nil {
		return err
	}
	return x.write(checkpointFile, s.Checkpoint)
}

// Close gives an export up that is not to be finished; it stays without a
// checkpoint.
func (x *Export) Close() error { return x.root.Close() }

// write writes one file, which must not exist.
func (x *Export) write(name string, content []byte) error {
	if err := x.root.MkdirAll(path.Dir(name), 0o755); err != nil {
		return fmt.Errorf("verify: %w", err)
	}
	f, err := x.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("verify: %w", err)
	}
	_, err = f.Write(content)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("verify: %w", err)
	}
	return nil
}
