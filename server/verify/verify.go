// Package verify is the offline check of an exported audit log: files in, verdict
// out. It needs no server, network or database. It trusts only what the auditor
// supplies: an earlier checkpoint, and public keys of the log.
//
// An export is a directory in the layout of c2sp.org/tlog-tiles:
//
//	checkpoint            the signed head of the log
//	keys                  the public keys of the log, one a line
//	handover/0, 1, ...    checkpoints signed by both an old and a new key
//	tile/0/..., 1/...     the tiles of the Merkle tree
//	tile/entries/...      the entries in their stored form
//
// The check rebuilds the tree from the entries. If its root is the signed root,
// every entry is as signed and at its index. Otherwise, the tiles that can be
// traced to the signed root show which entry differs.
//
// The files alone cannot show what the log was like earlier: the holder of the key
// can write another history and sign it. An earlier checkpoint that somebody else
// has kept reveals that.
//
// The verdict is a list of faults and a list of limits. A fault says which entry,
// which file and what is wrong; a limit says what no check of these files can show.
// An auditor needs both, so Report always has the limits, even when there are no
// faults.
//
// The package must stay independent of the server: it imports no storage,
// and a reader can compare it with the specification alone. Every file is untrusted. Its size is bounded before it is read, symbolic links are not
// followed, and a missing file is a fault of the export and never an error of the
// check.
package verify

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"

	"alkalog/service/ledger"
)

// maxFaults is the maximum number of faults that are listed.
//
// A damaged export can have a fault per entry. The first hundred show what
// happened; the rest are counted in MoreFaults.
const maxFaults = 100

// Report is the verdict on an export.
//
// The JSON names are an interface for scripts of auditors: add fields, and rename
// none.
type Report struct {
	// Log is the name of the log, from its checkpoint.
	Log string `json:"log"`
	// Size is the number of entries that the checkpoint covers.
	Size int64 `json:"size"`
	// Root is the signed root hash in base64.
	Root string `json:"root"`
	// SignedBy are the public keys that have signed the checkpoint.
	SignedBy []string `json:"signed_by"`
	// Earlier is the earlier checkpoint that the export was compared with.
	Earlier *EarlierCheckpoint `json:"earlier,omitempty"`
	// Kinds counts the readable entries by kind.
	Kinds map[string]int64 `json:"kinds"`
	// Faults are the first 100 faults.
	Faults []Fault `json:"faults"`
	// MoreFaults is the number of further faults.
	MoreFaults int `json:"more_faults,omitempty"`
	// Limits lists what the verdict does not cover.
	Limits []string `json:"limits"`
	// Columns is about the database that the copy was made from. It is filled in while
	// copying; the files alone do not show it.
	Columns
}

// Columns names entries whose search columns in the database differ from the
// entry, so that filtered lists and counts may be wrong about them.
//
// These entries are valid on the log. The finding concerns the database that served
// the copy, so it is not among the faults and Valid ignores it.
type Columns struct {
	// Mismatched counts them.
	Mismatched int64 `json:"mismatched_entries,omitempty"`
	// Mismatches are the first 100.
	Mismatches []Fault `json:"mismatches,omitempty"`
}

// Add records that columns of an entry differ. Without names it does nothing.
func (c *Columns) Add(index int64, entry string, names []string) {
	if len(names) == 0 {
		return
	}
	c.Mismatched++
	if len(c.Mismatches) < maxFaults {
		c.Mismatches = append(c.Mismatches, Fault{Index: index, Entry: entry, What: "in the database, " + strings.Join(names, ", ") + " differ from the entry"})
	}
}

// EarlierCheckpoint is the size and root of an earlier checkpoint.
type EarlierCheckpoint struct {
	Size int64  `json:"size"`
	Root string `json:"root"`
}

// Fault is one thing that is wrong with an export.
type Fault struct {
	// Index is the index of the entry in the log, from 0; -1 if the fault is not about
	// one entry.
	Index int64 `json:"index"`
	// Entry is the resource name in the entry, if it is readable.
	Entry string `json:"entry,omitempty"`
	// File is the file concerned, if any.
	File string `json:"file,omitempty"`
	// What describes the fault.
	What string `json:"what"`
}

// String formats the fault as one line.
func (f Fault) String() string {
	var where []string
	if f.Index >= 0 {
		where = append(where, fmt.Sprintf("entry %d", f.Index))
	}
	if f.Entry != "" {
		where = append(where, f.Entry)
	}
	if f.File != "" {
		where = append(where, f.File)
	}
	if len(where) == 0 {
		return f.What
	}
	return strings.Join(where, ", ") + ": " + f.What
}

// Valid reports whether there are no faults.
func (r Report) Valid() bool { return len(r.Faults) == 0 }

// verification is a running check of an export.
//
// Memory is bounded by the number of entries times eight bytes, for nameHashes,
// plus the suspect bundles. The entries themselves are read once and dropped.
type verification struct {
	files    files
	progress func(done, of int64) error
	report   Report

	// trustedKeys are those that the auditor trusts.
	trustedKeys []ledger.PublicKey
	// keys are the trusted keys and those of the export.
	keys     []ledger.PublicKey
	signed   ledger.Checkpoint
	signers  []ledger.PublicKey
	earlier  *verifiedCheckpoint
	handover []verifiedCheckpoint
	// heads are those of the rebuilt tree at the sizes that are needed.
	heads map[int64]ledger.Head

	// nameHashes are short hashes of the entries' names, by index.
	nameHashes []uint64
	suspects   []suspectBundle
	// missing are the indexes without an entry in the copy, with their bundles.
	missing map[int64]string
	// damaged are the tiles that differ from the rebuilt ones.
	damaged []ledger.TileID
	// incomplete means that entries are missing together with their hashes, so that the tree
	// cannot be rebuilt.
	incomplete bool
}

// verifiedCheckpoint is a checkpoint with its signers.
type verifiedCheckpoint struct {
	ledger.Checkpoint
	signers []ledger.PublicKey
}

// TrustedInput is what the auditor supplies from another source than the export.
//
// Everything else comes from the export, whose author may be the one who is
// checked. Without trusted input the check still finds every change by somebody who
// does not have the log's key.
type TrustedInput struct {
	// Against is an earlier checkpoint of the same log; nil: none.
	Against []byte
	// Keys are public keys of the log, as C2SP verifier keys. The checkpoint must be
	// signed by one of them, or by a key that they vouch for in a handover. Empty: the
	// keys in the export are trusted.
	Keys []string
}

// parse parses the keys and checks the format of the earlier checkpoint. An invalid
// trusted input is an error and not a fault: it says nothing about the export.
func (t TrustedInput) parse() ([]ledger.PublicKey, error) {
	if _, _, err := ledger.OpenCheckpoint(t.Against, nil); t.Against != nil && !errors.Is(err, ledger.ErrStranger) {
		return nil, fmt.Errorf("verify: the earlier checkpoint is not a checkpoint: %w", err)
	}
	var keys []ledger.PublicKey
	for i, text := range t.Keys {
		key, err := ledger.ParsePublicKey(text)
		if err != nil {
			return nil, fmt.Errorf("verify: trusted key %d: %w", i+1, err)
		}
		keys = append(keys, key)
	}
	return keys, nil
}

// Dir checks the export in a directory; against is an earlier checkpoint of the
// same log, or nil. An error means that there is no verdict, because the files are
// unreadable or against is not a checkpoint. A missing file is a fault, not an
// error.
func Dir(dir string, against []byte) (Report, error) {
	return DirProgress(dir, TrustedInput{Against: against}, func(int64, int64) error { return nil })
}

// DirProgress is Dir for long exports: it calls tell now and then with the number
// of entries read and their total. If tell returns an error, DirProgress stops and
// returns it.
func DirProgress(dir string, trust TrustedInput, tell func(done, of int64) error) (Report, error) {
	pinned, err := trust.parse()
	if err != nil {
		return Report{}, err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return Report{}, fmt.Errorf("verify: %w", err)
	}
	defer root.Close()
	c := &verification{files: files{root}, progress: tell, trustedKeys: pinned, keys: slices.Clone(pinned), heads: map[int64]ledger.Head{}, missing: map[int64]string{}, report: Report{Kinds: map[string]int64{}}}
	err = c.run(trust.Against)
	c.addLimits(trust.Against)
	return c.report, err
}

// run makes the checks in order, as far as each permits the next.
//
// The keys come first, because a checkpoint can be read only with them, and the
// checkpoint before the entries, because it states how many there must be. A log
// without a readable checkpoint has no verdict on its entries; the fault says why.
func (c *verification) run(against []byte) error {
	if known, err := c.readKeys(); err != nil || !known {
		return err
	}
	if signed, err := c.readCheckpoint(); err != nil || !signed {
		return err
	}
	if against != nil {
		c.readEarlier(against)
	}
	if err := c.readHandovers(); err != nil {
		return err
	}
	built, err := c.build()
	if err != nil {
		return err
	}
	c.checkTree(built)
	c.checkNames()
	c.checkHistory(built)
	c.checkKeys()
	return nil
}

// readKeys reads the public keys and reports whether there are any.
//
// A line that is not a key is a fault, but the other keys are still used, so that
// one damaged line does not hide the state of the entries.
func (c *verification) readKeys() (bool, error) {
	text, missing, err := c.files.read(keysFile, maxText)
	if err != nil {
		return false, err
	}
	if missing != "" {
		c.addFault(Fault{Index: -1, File: keysFile, What: missing})
	}
	for line := range strings.Lines(string(text)) {
		key, err := ledger.ParsePublicKey(strings.TrimSuffix(line, "\n"))
		if err != nil {
			c.addFault(Fault{Index: -1, File: keysFile, What: err.Error()})
			continue
		}
		if !slices.ContainsFunc(c.trustedKeys, func(k ledger.PublicKey) bool { return k.String() == key.String() }) {
			c.keys = append(c.keys, key)
		}
	}
	if len(c.keys) == 0 && missing == "" {
		c.addFault(Fault{Index: -1, File: keysFile, What: "the file has no public key"})
	}
	return len(c.keys) > 0, nil
}

// readCheckpoint reads the checkpoint and reports whether it is valid.
func (c *verification) readCheckpoint() (bool, error) {
	text, missing, err := c.files.read(checkpointFile, maxText)
	if err != nil {
		return false, err
	}
	if missing == "" {
		if c.signed, c.signers, err = ledger.OpenCheckpoint(text, c.keys); err == nil {
			c.report.Log, c.report.Size, c.report.Root = c.signed.Origin, c.signed.Size, c.signed.Root.String()
			c.report.SignedBy = formatKeys(c.signers)
			return true, nil
		}
		missing = err.Error()
	}
	c.addFault(Fault{Index: -1, File: checkpointFile, What: missing})
	return false, nil
}

// addFault adds a fault to the report.
func (c *verification) addFault(f Fault) {
	if len(c.report.Faults) == maxFaults {
		c.report.MoreFaults++
		return
	}
	c.report.Faults = append(c.report.Faults, f)
}

// addLimits lists what the verdict does not cover.
func (c *verification) addLimits(against []byte) {
	say := func(text string) { c.report.Limits = append(c.report.Limits, text) }
	if against == nil {
		say("No earlier checkpoint was given. The holder of the log's key could have rewritten the history and signed it again; only an earlier checkpoint that somebody else has kept reveals that.")
	}
	if against == nil && len(c.trustedKeys) == 0 {
		say("The public key came with the export. Compare it with one that you received from another source.")
	}
	say("Entries recorded after this checkpoint, and anything that was never recorded, are not covered.")
	say("The log shows what was written down, not that it is true.")
}

// formatKeys formats keys as text.
func formatKeys(keys []ledger.PublicKey) []string {
	texts := make([]string, len(keys))
	for i, k := range keys {
		texts[i] = k.String()
	}
	return texts
}

// Files of an export, and their maximum sizes in bytes.
const (
	checkpointFile = "checkpoint"
	keysFile       = "keys"
	handoverDir    = "handover"

	maxText   = 64 << 10
	maxTile   = ledger.TileWidth * 32
	maxBundle = ledger.TileWidth * (2 + ledger.MaxEntry)
)

// files reads the files of an export and nothing outside it.
//
// os.Root rejects paths that leave the directory. An export from another party
// could otherwise make the check read any file of the auditor.
type files struct{ root *os.Root }

// read reads a file. If the file does not exist or cannot be part of an export,
// missing says so; an error means that this could not be determined.
func (f files) read(name string, most int64) (content []byte, missing string, err error) {
	info, err := f.root.Lstat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, "it is missing", nil
	case err != nil:
		return nil, "", fmt.Errorf("verify: %w", err)
	case !info.Mode().IsRegular():
		return nil, "it is not a file", nil
	case info.Size() > most:
		return nil, fmt.Sprintf("it has %d bytes; the maximum is %d", info.Size(), most), nil
	}
	if content, err = f.root.ReadFile(name); err != nil {
		return nil, "", fmt.Errorf("verify: %w", err)
	}
	return content, "", nil
}
