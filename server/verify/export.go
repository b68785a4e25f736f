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

// Export writes an export entry by entry, in the order of the log. It keeps at
// most one bundle in memory.
//
// The tiles are computed and not copied: an export whose tiles come from the
// entries lets the check name the entry that was changed. Files are synced when
// they are written, because an export is made to be kept.
type Export struct {
	root    *os.Root
	built   tree
	entries [][]byte // of the incomplete bundle
	leaves  []ledger.Hash
}

// ErrNotEmpty means that the directory for an export is not empty.
var ErrNotEmpty = errors.New("verify: the directory is not empty")

// Create begins an export in a directory, which it creates if necessary and which
// must be empty.
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

// Add adds the next entry in its stored form.
func (x *Export) Add(stored []byte) error { return x.AddWithLeafHash(stored, ledger.LeafHash(stored)) }

// AddWithLeafHash adds the next entry with its leaf hash from the stored tree. If
// this is not the hash of the entry, Dir can determine which entry was changed.
func (x *Export) AddWithLeafHash(stored []byte, leaf ledger.Hash) error {
	x.entries, x.leaves = append(x.entries, stored), append(x.leaves, leaf)
	if len(x.entries) < ledger.TileWidth {
		return nil
	}
	return x.flush(false)
}

// flush writes the bundle and the full tiles; at the end, all tiles. A partial tile
// is written only at the end, since each later size would replace it.
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

// writeBundle writes the collected entries.
func (x *Export) writeBundle() error {
	bundle, err := ledger.Bundle(x.entries)
	if err != nil {
		return err
	}
	return x.write(ledger.BundlePath(x.built.head.Size/ledger.TileWidth, len(x.entries)), bundle)
}

// SignedHead is the checkpoint of an export and what is needed to check it.
type SignedHead struct {
	// Checkpoint is the signed checkpoint.
	Checkpoint []byte
	// Keys are the public keys of the log.
	Keys []string
	// Handovers are the checkpoints signed by both an old and a new key.
	Handovers [][]byte
}

// Finish writes the remaining entries and the signed head. The checkpoint is
// written last, so that an incomplete export has none. Finish does not check that
// the checkpoint matches the entries; Dir does.
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

// Close abandons an incomplete export, which stays without a checkpoint.
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
