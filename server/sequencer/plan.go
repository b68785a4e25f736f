package sequencer

import (
	"bytes"
	"errors"
	"fmt"
	"slices"

	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// tileReader reads stored tiles and omits those that do not exist.
type tileReader func([]storage.LogTile) ([]storage.LogTile, error)

// logUpdate is what a batch adds to one chain's log.
type logUpdate struct {
	// was is the stored head before the batch; head is the same in the ledger's type.
	was  storage.LogHead
	head ledger.Head
	// keys are those of this chain's log.
	keys keyset
	// entries are the new entries, and leaves their leaf hashes in the same order.
	entries []storage.Pending
	leaves  []ledger.Hash
}

// errUnknownSigner means that none of our keys has signed a log.
var errUnknownSigner = errors.New("a log is signed by a key that is not in the key file; add the old key again, on the line after the new one (the file log.dropped in the same directory has the dropped keys)")

// plan computes the changes of a batch. A log is halted if its head is not the
// signed one or its tiles do not add up to its root; other logs continue. The
// result depends only on what the batch has read under its lock.
//
// plan is a pure function of its arguments apart from read, which reads under the
// same lock. It has no clock and no randomness, so that two servers that plan the
// same batch compute the same tree. Do not add state to it: the proof that a log
// cannot fork depends on this.
func plan(pending []storage.Pending, heads map[string]storage.LogHead, read tileReader, keys []ledger.PrivateKey) (storage.LogChanges, error) {
	var changes storage.LogChanges
	var sound []*logUpdate
	var wanted []storage.LogTile
	growing, err := groupByLog(pending, heads, keys)
	if err != nil {
		return changes, err
	}
	for _, g := range growing {
		if why := signedHead(g.was, g.keys); why != nil {
			changes.Heads = append(changes.Heads, haltHead(g.was, why))
			continue
		}
		sound = append(sound, g)
		for _, id := range g.head.Edge() {
			wanted = append(wanted, storage.LogTile{Chain: g.was.Chain, Level: id.Level, Index: id.Index})
		}
	}
	stored, err := read(wanted)
	if err != nil {
		return changes, err
	}
	edges := map[string][]ledger.Tile{}
	for _, t := range stored {
		edges[t.Chain] = append(edges[t.Chain], ledgerTile(t))
	}
	for _, g := range sound {
		edge := slices.DeleteFunc(edges[g.was.Chain], func(t ledger.Tile) bool { return !slices.Contains(g.head.Edge(), t.TileID) })
		if err := g.apply(edge, &changes); err != nil {
			return changes, err
		}
	}
	return changes, nil
}

// groupByLog groups pending entries by log, in order. It omits entries that are
// already on a log and entries of halted logs. The position decides, not the ID: a
// leader that repeats a batch after a lost answer must add nothing twice. A chain
// without a head starts with the empty tree.
func groupByLog(pending []storage.Pending, heads map[string]storage.LogHead, keys []ledger.PrivateKey) ([]*logUpdate, error) {
	var order []*logUpdate
	byChain := map[string]*logUpdate{}
	for _, p := range pending {
		was, known := heads[p.Chain]
		if known && (was.Halted != "" || p.Position <= was.Position) {
			continue
		}
		g := byChain[p.Chain]
		if g == nil {
			set, err := keysFor(keys, p.Chain)
			if err != nil {
				return nil, err
			}
			g = &logUpdate{was: was, head: ledger.Empty(), keys: set}
			if known {
				g.head = record.LogHead(was)
			}
			g.was.Chain = p.Chain
			byChain[p.Chain] = g
			order = append(order, g)
		}
		g.entries = append(g.entries, p)
		g.leaves = append(g.leaves, ledger.LeafHash(p.Body))
	}
	return order, nil
}

// signedHead returns why the head of a log differs from the signed checkpoint; nil
// if it does not, or if nothing was signed yet. ErrStranger means that other keys
// have signed it. Size and root are compared as well, because the columns of the
// head are not covered by the signature of the text beside them.
func signedHead(h storage.LogHead, keys keyset) error {
	if h.Size == 0 && len(h.Checkpoint) == 0 {
		return nil
	}
	signed, _, err := ledger.OpenCheckpoint(h.Checkpoint, keys.public)
	if err != nil {
		return fmt.Errorf("the checkpoint of its %d entries is not signed by its key: %w", h.Size, err)
	}
	if signed.Size != h.Size || !bytes.Equal(signed.Root[:], h.Root) {
		return fmt.Errorf("its head of %d entries is not the one that was signed, of %d", h.Size, signed.Size)
	}
	return nil
}

// apply adds the new head, tiles and indexes to changes.
//
// Append checks that the edge tiles lead to the old root before it adds leaves. A
// changed tile therefore halts the log instead of being signed into it. A halted
// log is a finding and not an error: the batch commits what the other chains have.
func (g *logUpdate) apply(edge []ledger.Tile, changes *storage.LogChanges) error {
	head, tiles, err := g.head.Append(edge, g.leaves)
	if err != nil {
		why := fmt.Errorf("the tiles of its %d entries do not add up to the root that was signed: %w", g.was.Size, err)
		changes.Heads = append(changes.Heads, haltHead(g.was, why))
		return nil
	}
	signed, err := sign(g.was, head, g.keys)
	if err != nil {
		return err
	}
	signed.Position = g.entries[len(g.entries)-1].Position
	changes.Heads = append(changes.Heads, signed)
	for i, e := range g.entries {
		changes.Places = append(changes.Places, storage.LogPlace{Chain: e.Chain, Place: g.head.Size + int64(i), ID: e.ID})
	}
	for _, t := range tiles {
		changes.Tiles = append(changes.Tiles, storage.LogTile{Chain: g.was.Chain, Level: t.Level, Index: t.Index, Hashes: t.Hashes})
	}
	return nil
}

// sign returns the head of a log with its signed checkpoint.
func sign(was storage.LogHead, head ledger.Head, keys keyset) (storage.LogHead, error) {
	origin := keys.private[0].Name()
	note, err := ledger.Checkpoint{Origin: origin, Head: head}.Sign(keys.private)
	if err != nil {
		return was, err
	}
	was.Size, was.Root, was.Keys, was.Checkpoint = head.Size, head.Root[:], keys.lines, note
	return was, nil
}

// haltHead returns the head, halted with a reason. Nothing is added to a halted
// log. Its new entries stay in the database and are signed later, if the cause is
// repaired.
func haltHead(h storage.LogHead, why error) storage.LogHead {
	h.Halted = why.Error()
	return h
}

// resign signs the heads that were signed by other keys. If our keys have signed
// none of the logs, the key file is wrong and resign returns errUnknownSigner. A
// single log with an unknown signature is skipped, and halted by the next batch
// that would extend it. A log whose head is not the signed one is halted and not
// signed: a signature would make the change valid.
func resign(heads map[string]storage.LogHead, keys []ledger.PrivateKey) (storage.LogChanges, error) {
	var changes storage.LogChanges
	var stranger error
	ours := 0
	for _, h := range heads {
		if h.Halted != "" {
			continue
		}
		set, err := keysFor(keys, h.Chain)
		if err != nil {
			return changes, err
		}
		switch why := signedHead(h, set); {
		case errors.Is(why, ledger.ErrStranger):
			stranger = fmt.Errorf("chain %s: %w", h.Chain, errUnknownSigner)
			continue
		case why != nil:
			changes.Heads = append(changes.Heads, haltHead(h, why))
		case h.Keys != set.lines:
			signed, err := sign(h, record.LogHead(h), set)
			if err != nil {
				return changes, err
			}
			changes.Heads = append(changes.Heads, signed)
		}
		ours++
	}
	if stranger != nil && ours == 0 {
		return storage.LogChanges{}, stranger
	}
	return changes, nil
}

// ledgerTile converts a stored tile to the ledger's type.
func ledgerTile(t storage.LogTile) ledger.Tile {
	return ledger.Tile{TileID: ledger.TileID{Level: t.Level, Index: t.Index, Width: len(t.Hashes) / len(ledger.Hash{})}, Hashes: t.Hashes}
}
