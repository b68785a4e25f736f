package verify

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
)

// judgeTree compares the tree that was built anew with the one that was signed.
func (c *check) judgeTree(built tree) {
	if !c.gap && built.head == c.signed.Head {
		for _, id := range c.damaged {
			c.fault(Fault{Index: -1, File: id.Path(), What: "it is missing or changed; the entries it covers are those that were signed"})
		}
		return
	}
	before := len(c.report.Faults)
	for _, s := range c.suspects {
		c.judgeSuspect(s)
	}
	if c.gap {
		c.fault(Fault{Index: -1, What: "entries are missing together with their hashes; what comes behind them was not looked at"})
		return
	}
	if len(c.suspects) == 0 && len(c.damaged) > 0 {
		for _, id := range c.damaged {
			c.fault(Fault{Index: -1, File: id.Path(), What: "it is not what the entries give"})
		}
	}
	if len(c.report.Faults) == before {
		c.fault(Fault{Index: -1, What: fmt.Sprintf("the entries and the tiles agree with each other, and not with the root that was signed for %d entries: "+
			"entries were changed and the tiles made anew; which entries cannot be told", c.signed.Size)})
	}
}

// judgeSuspect tells which entries of a bundle are not those that were signed,
// by the tile if that can be traced to the signed root.
func (c *check) judgeSuspect(s suspect) {
	last := s.first + int64(len(s.leaves)) - 1
	path := ledger.BundlePath(s.first/ledger.TileWidth, len(s.leaves))
	signed, err := c.signed.Leaves(s.first, int64(len(s.leaves)), c.readTiles)
	if err != nil {
		c.fault(Fault{Index: s.first, File: path, What: fmt.Sprintf("one or more of the entries %d to %d is not what was signed; which one cannot be told, since the tiles above it were changed too", s.first, last)})
		return
	}
	for i, leaf := range s.leaves {
		if leaf == signed[i] {
			continue
		}
		what := "it is not the entry that was signed for this place"
		if at := slices.Index(signed, leaf); at >= 0 {
			what = fmt.Sprintf("it was signed for place %d", s.first+int64(at))
		}
		e := &pb.AuditEntry{}
		_ = proto.Unmarshal(s.entries[i], e) // what cannot be read has no name
		c.fault(Fault{Index: s.first + int64(i), Entry: e.Name, File: path, What: what})
	}
}

// judgeNames finds entries that are on the log twice.
func (c *check) judgeNames() {
	sorted := slices.Sorted(slices.Values(c.names))
	for i := 1; i < len(sorted); i++ {
		if sorted[i] == 0 || sorted[i] != sorted[i-1] || i > 1 && sorted[i] == sorted[i-2] {
			continue
		}
		first := slices.Index(c.names, sorted[i])
		second := first + 1 + slices.Index(c.names[first+1:], sorted[i])
		c.fault(Fault{Index: int64(second), What: fmt.Sprintf("it has the same name as entry %d", first)})
	}
}

// readEarlier reads the earlier checkpoint, which must be one of the same log.
func (c *check) readEarlier(against []byte) {
	earlier, signers, err := ledger.OpenCheckpoint(against, c.keys)
	switch {
	case err != nil:
		c.fault(Fault{Index: -1, What: fmt.Sprintf("the earlier checkpoint is not signed by any key that came with the export (%v): this is another log, or its keys were exchanged", err)})
	case earlier.Origin != c.signed.Origin:
		c.fault(Fault{Index: -1, What: fmt.Sprintf("the earlier checkpoint is one of the log %s, and this is %s", earlier.Origin, c.signed.Origin)})
	default:
		c.earlier = &signedHead{earlier, signers}
		c.report.Earlier = &Earlier{earlier.Size, earlier.Root.String()}
	}
}

// readHandovers reads the checkpoints that carry the trust in one key over to
// the next.
func (c *check) readHandovers() error {
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
			c.fault(Fault{Index: -1, File: name, What: missing})
		case err != nil:
			c.fault(Fault{Index: -1, File: name, What: err.Error()})
		case checkpoint.Origin != c.signed.Origin || checkpoint.Size > c.signed.Size:
			c.fault(Fault{Index: -1, File: name, What: "it is a checkpoint of another log, or of a larger one"})
		default:
			c.handover = append(c.handover, signedHead{checkpoint, signers})
		}
	}
	return nil
}

// judgeHistory tells whether the log still begins as it did when the earlier
// checkpoints were signed.
func (c *check) judgeHistory(built tree) {
	for _, h := range c.handover {
		if signed, ok := c.signedHead(built, h.Size); ok && signed != h.Head {
			c.fault(Fault{Index: -1, What: fmt.Sprintf("the first %d entries are not those that were signed when a key was handed over", h.Size)})
		}
	}
	if c.earlier == nil {
		return
	}
	if c.earlier.Size > c.signed.Size {
		c.fault(Fault{Index: c.signed.Size, What: fmt.Sprintf("it and all behind it are gone: the log had %d entries when the earlier checkpoint was signed and has %d now; "+
			"an older state was restored, or entries were cut off", c.earlier.Size, c.signed.Size)})
		return
	}
	signed, ok := c.signedHead(built, c.earlier.Size)
	if !ok {
		c.fault(Fault{Index: -1, What: "so much is damaged that nothing can be said about the earlier checkpoint"})
	} else if signed != c.earlier.Head {
		c.fault(Fault{Index: -1, What: fmt.Sprintf("the first %d entries are not those for which the earlier checkpoint was signed: the history was rewritten, or there are two; "+
			"keep both checkpoints, since together they prove it", c.earlier.Size)})
	}
}

// signedHead is the head at a size of the tree that was signed: as it was built
// anew or, when entries of the copy are damaged, as the tiles that can be traced
// to the signed root have it.
func (c *check) signedHead(built tree, size int64) (ledger.Head, bool) {
	if !c.gap && built.head == c.signed.Head {
		head, ok := c.heads[size]
		return head, ok
	}
	head, err := c.signed.At(size, c.readTiles)
	return head, err == nil
}

// judgeKeys tells whether the key that signed now follows from one that signed
// the earlier checkpoint.
func (c *check) judgeKeys() {
	if c.earlier == nil {
		return
	}
	trusted := map[string]bool{}
	trust := func(keys []ledger.PublicKey) {
		for _, k := range keys {
			trusted[k.String()] = true
		}
	}
	follows := func(keys []ledger.PublicKey) bool {
		return slices.ContainsFunc(keys, func(k ledger.PublicKey) bool { return trusted[k.String()] })
	}
	trust(c.earlier.signers)
	for range c.handover { // at the longest, one leads to the next in reverse
		for _, h := range c.handover {
			if follows(h.signers) {
				trust(h.signers)
			}
		}
	}
	if !follows(c.signers) {
		c.fault(Fault{Index: -1, File: checkpointFile, What: "it is signed by a key that no key of the earlier checkpoint vouches for"})
	}
}
