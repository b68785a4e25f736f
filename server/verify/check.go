package verify

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
)

// checkTree compares the rebuilt tree with the signed one.
//
// There are three cases. The rebuilt root is the signed one: the entries are
// correct, and wrong tiles are reported as files. The root differs and a tile can
// be traced to the signed root: the entry is named. Nothing can be traced: the
// fault says that entries were changed, but not which.
func (c *verification) checkTree(built tree) {
	before := len(c.report.Faults)
	for _, s := range c.suspects {
		c.checkBundle(s)
	}
	for _, index := range slices.Sorted(maps.Keys(c.missing)) {
		c.addFault(Fault{Index: index, File: c.missing[index], What: missingText})
	}
	if !c.incomplete && built.head == c.signed.Head {
		for _, id := range c.damaged {
			c.addFault(Fault{Index: -1, File: id.Path(), What: "it is missing or changed; the entries it covers are those that were signed"})
		}
		return
	}
	if c.incomplete {
		c.addFault(Fault{Index: -1, What: "entries are missing together with their hashes; the entries after them were not checked"})
		return
	}
	if len(c.suspects) == 0 && len(c.damaged) > 0 {
		for _, id := range c.damaged {
			c.addFault(Fault{Index: -1, File: id.Path(), What: "it does not match the entries"})
		}
	}
	if len(c.report.Faults) == before {
		c.addFault(Fault{Index: -1, What: fmt.Sprintf("the entries and the tiles match each other but not the signed root of %d entries: "+
			"entries were changed and the tiles recomputed; it is unknown which entries", c.signed.Size)})
	}
}

// missingText describes an index without an entry when the copy was made.
const missingText = "it is missing: there was none in the database when the copy was made"

// checkBundle finds which entries of a bundle differ from the signed ones, if its
// tile can be traced to the signed root. An entry at another index of the bundle
// is not missing, and entries that moved together are reported once.
//
// The reports follow what an auditor asks next: was the entry deleted, moved,
// replaced or inserted? One removed entry shifts all that follow, and must not
// produce 255 faults.
func (c *verification) checkBundle(s suspectBundle) {
	last := s.first + int64(s.width) - 1
	signed, err := c.signed.Leaves(s.first, int64(s.width), c.readTiles)
	if err != nil && s.problem != "" {
		c.addUnreadable(s)
		return
	}
	if err != nil {
		c.addFault(Fault{Index: s.first, File: s.path, What: fmt.Sprintf("one or more of the entries %d to %d is not what was signed; it is unknown which one, because the tiles above it were changed too", s.first, last)})
		return
	}
	if s.problem != "" {
		c.addFault(Fault{Index: -1, File: s.path, What: s.problem})
	}
	s.inOrder = c.entriesInOrder(s, signed)
	for i := range s.width {
		c.checkPlace(s, signed, i)
	}
	for i := s.width; i < len(s.leaves); i++ {
		c.checkMoved(s, signed, i)
	}
}

// entriesInOrder reports whether all entries of a bundle are signed ones and in
// order: then some are missing, but the others are correct.
//
// It separates a deletion, after which all entries stand earlier, from a reordering.
func (c *verification) entriesInOrder(s suspectBundle, signed []ledger.Hash) bool {
	reached := -1
	for i, leaf := range s.leaves {
		if _, isEmpty := c.missing[s.first+int64(i)]; isEmpty {
			continue
		}
		at := slices.Index(signed, leaf)
		if at <= reached {
			return false
		}
		reached = at
	}
	return true
}

// checkPlace reports what happened to the entry that was signed for an index, and
// to the one that is there.
func (c *verification) checkPlace(s suspectBundle, signed []ledger.Hash, i int) {
	index := s.first + int64(i)
	_, isEmpty := c.missing[index]
	delete(c.missing, index)
	stands := i < len(s.leaves) && !isEmpty
	switch {
	case stands && s.leaves[i] == signed[i]:
		return
	case slices.Contains(s.leaves, signed[i]): // it is at another index of the bundle
		if stands {
			c.checkMoved(s, signed, i)
		}
		return
	case isEmpty:
		c.addFault(Fault{Index: index, File: s.path, What: missingText})
		return
	case !stands || slices.Contains(signed, s.leaves[i]):
		c.addFault(Fault{Index: index, File: s.path, What: "it is missing"})
		if stands {
			c.checkMoved(s, signed, i)
		}
		return
	}
	c.addFault(Fault{Index: index, Entry: nameOf(s.entries[i]), File: s.path, What: "it is not the entry that was signed for this index"})
}

// checkMoved reports which index an entry was signed for, once for entries that
// moved together.
func (c *verification) checkMoved(s suspectBundle, signed []ledger.Hash, i int) {
	at := slices.Index(signed, s.leaves[i])
	if at >= 0 && s.inOrder {
		return
	}
	if at < 0 {
		c.addFault(Fault{Index: s.first + int64(i), Entry: nameOf(s.entries[i]), File: s.path, What: "it was inserted: no entry with this content was signed for this bundle"})
		return
	}
	if i > 0 && at > 0 && i-1 < len(s.leaves) && s.leaves[i-1] == signed[at-1] {
		return // reported with the previous one
	}
	n := 1
	for i+n < len(s.leaves) && at+n < len(signed) && s.leaves[i+n] == signed[at+n] {
		n++
	}
	what := fmt.Sprintf("it was signed for index %d", s.first+int64(at))
	if n > 1 {
		what += fmt.Sprintf(", and the %d after it for the following indexes; they were moved, not changed", n-1)
	}
	c.addFault(Fault{Index: s.first + int64(i), Entry: nameOf(s.entries[i]), File: s.path, What: what})
}

// nameOf returns the name of an entry; empty if it is unreadable.
func nameOf(stored []byte) string {
	e := &pb.AuditEntry{}
	_ = proto.Unmarshal(stored, e)
	return e.Name
}

// checkNames finds entries that are on the log twice.
//
// Two entries with one name are validly signed and still wrong: a name identifies
// one event, so one of the two was written by something else than the server.
func (c *verification) checkNames() {
	sorted := slices.Sorted(slices.Values(c.nameHashes))
	for i := 1; i < len(sorted); i++ {
		if sorted[i] == 0 || sorted[i] != sorted[i-1] || i > 1 && sorted[i] == sorted[i-2] {
			continue
		}
		first := slices.Index(c.nameHashes, sorted[i])
		second := first + 1 + slices.Index(c.nameHashes[first+1:], sorted[i])
		c.addFault(Fault{Index: int64(second), What: fmt.Sprintf("it has the same name as entry %d", first)})
	}
}

// readEarlier reads the earlier checkpoint, which must be of the same log.
func (c *verification) readEarlier(against []byte) {
	earlier, signers, err := ledger.OpenCheckpoint(against, c.keys)
	switch {
	case err != nil:
		c.addFault(Fault{Index: -1, What: fmt.Sprintf("the earlier checkpoint is not signed by any key that came with the export (%v): this is another log, or its keys were replaced", err)})
	case earlier.Origin != c.signed.Origin:
		c.addFault(Fault{Index: -1, What: fmt.Sprintf("the earlier checkpoint is of log %s, and this is log %s", earlier.Origin, c.signed.Origin)})
	default:
		c.earlier = &verifiedCheckpoint{earlier, signers}
		c.report.Earlier = &EarlierCheckpoint{earlier.Size, earlier.Root.String()}
	}
}

// readHandovers reads the checkpoints that transfer trust from one key to the
// next.
func (c *verification) readHandovers() error {
	names, err := fs.ReadDir(c.files.root.FS(), handoverDir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("verify: %w", err)
	}
	for _, entry := range names {
		name := handoverDir + "/" + entry.Name()
		text, missing, err := c.files.read(name, maxText)
		if err != nil {
			return err
		}
		checkpoint, signers, err := ledger.OpenCheckpoint(text, c.keys)
		switch {
		case missing != "":
			c.addFault(Fault{Index: -1, File: name, What: missing})
		case err != nil:
			c.addFault(Fault{Index: -1, File: name, What: err.Error()})
		case checkpoint.Origin != c.signed.Origin || checkpoint.Size > c.signed.Size:
			c.addFault(Fault{Index: -1, File: name, What: "it is a checkpoint of another log, or of a larger one"})
		default:
			c.handover = append(c.handover, verifiedCheckpoint{checkpoint, signers})
		}
	}
	return nil
}

// checkHistory checks that the log still starts with the entries of the earlier
// checkpoints.
//
// This is the only check that finds a rewritten history: its author has the key, so
// every signature and every hash of the new one is valid. Equal size and another
// root, or a smaller size, can have no innocent cause in an append-only log except
// a restored backup, which the log then records.
func (c *verification) checkHistory(built tree) {
	for _, h := range c.handover {
		if signed, ok := c.signedHead(built, h.Size); ok && signed != h.Head {
			c.addFault(Fault{Index: -1, What: fmt.Sprintf("the first %d entries are not those that were signed when a key was handed over", h.Size)})
		}
	}
	if c.earlier == nil {
		return
	}
	if c.earlier.Size > c.signed.Size {
		c.addFault(Fault{Index: c.signed.Size, What: fmt.Sprintf("it and all later entries are gone: the log had %d entries when the earlier checkpoint was signed and has %d now; "+
			"an older state was restored, or entries were cut off", c.earlier.Size, c.signed.Size)})
		return
	}
	signed, ok := c.signedHead(built, c.earlier.Size)
	if !ok {
		c.addFault(Fault{Index: -1, What: "the copy is too damaged to compare it with the earlier checkpoint"})
	} else if signed != c.earlier.Head {
		c.addFault(Fault{Index: -1, What: fmt.Sprintf("the first %d entries are not those for which the earlier checkpoint was signed: the history was rewritten, or there are two; "+
			"keep both checkpoints: together they prove it", c.earlier.Size)})
	}
}

// signedHead returns the head of the signed tree at a size: from the rebuilt tree
// or, if entries of the copy are damaged, from the tiles that can be traced to the
// signed root.
func (c *verification) signedHead(built tree, size int64) (ledger.Head, bool) {
	if !c.incomplete && built.head == c.signed.Head {
		head, ok := c.heads[size]
		return head, ok
	}
	head, err := c.signed.At(size, c.readTiles)
	return head, err == nil
}

// checkKeys checks that the current signing key is trusted by a key of the earlier
// checkpoint and by a key that the auditor trusts.
func (c *verification) checkKeys() {
	if c.earlier != nil && !c.isTrustedFrom(c.earlier.signers) {
		c.addFault(Fault{Index: -1, File: checkpointFile, What: "it is signed by a key that no key of the earlier checkpoint vouches for"})
	}
	if len(c.trustedKeys) > 0 && !c.isTrustedFrom(c.trustedKeys) {
		c.addFault(Fault{Index: -1, File: checkpointFile, What: "it is signed neither by a trusted key nor by a key that a trusted key vouches for"})
	}
}

// isTrustedFrom reports whether the checkpoint is signed by one of the given keys,
// or by a key that they vouch for through handovers.
//
// The order of the handover files is not trusted. A handover is signed by the old
// and the new key, so that trust in one extends to the other.
func (c *verification) isTrustedFrom(first []ledger.PublicKey) bool {
	trusted := map[string]bool{}
	trust := func(keys []ledger.PublicKey) {
		for _, k := range keys {
			trusted[k.String()] = true
		}
	}
	known := func(keys []ledger.PublicKey) bool {
		return slices.ContainsFunc(keys, func(k ledger.PublicKey) bool { return trusted[k.String()] })
	}
	trust(first)
	for range c.handover { // in the worst case each pass follows one handover
		for _, h := range c.handover {
			if known(h.signers) {
				trust(h.signers)
			}
		}
	}
	return known(c.signers)
}
