// Package verify is the auditor's offline check of an exported audit log: files
// in, verdict out. It needs no server, no network and no database, and trusts
// nothing that it is given but the earlier checkpoint, if there is one.
//
// An export is a directory laid out as c2sp.org/tlog-tiles says:
//
//	checkpoint            the signed head of the log
//	keys                  the public keys of the log, one a line
//	handover/0, 1, ...    checkpoints that an old and a new key have both signed
//	tile/0/..., 1/...     the tiles of the Merkle tree
//	tile/entries/...      the entries, as the bytes they were stored as
//
// The tree is built anew from the entries. If its root is the one that was
// signed, every entry is what was signed, and in its place. If it is not, the
// tiles that can be traced to the signed root tell which entry differs.
//
// What no file can show by itself is what the log was like before: whoever
// holds the key can make up another history and sign it. That is what the
// earlier checkpoint is for, which somebody else has kept.
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

// maxFaults bounds the faults that are listed one by one.
const maxFaults = 100

// Report is the verdict on an export.
type Report struct {
	// Log is the name of the log, from its checkpoint.
	Log string `json:"log"`
	// Size is how many entries the checkpoint stands for.
	Size int64 `json:"size"`
	// Root is the root hash that was signed, in base64.
	Root string `json:"root"`
	// SignedBy are the public keys that have signed the checkpoint.
	SignedBy []string `json:"signed_by"`
	// Earlier is the earlier checkpoint that the export was held against.
	Earlier *EarlierCheckpoint `json:"earlier,omitempty"`
	// Kinds counts the entries that could be read by their kind.
	Kinds map[string]int64 `json:"kinds"`
	// Faults is what is wrong, up to 100 of them.
	Faults []Fault `json:"faults"`
	// MoreFaults is how many were found beyond those.
	MoreFaults int `json:"more_faults,omitempty"`
	// Limits says what the verdict does not cover.
	Limits []string `json:"limits"`
	// Columns is what is wrong beside the copy, in the database that it was made
	// from. Only who makes a copy can tell; files alone do not show it.
	Columns
}

// Columns names entries whose search columns in the database do not say what the
// entries say, so that lists by filter and figures may be wrong about them.
type Columns struct {
	// Mismatched counts them.
	Mismatched int64 `json:"mismatched_entries,omitempty"`
	// Mismatches are the first 100.
	Mismatches []Fault `json:"mismatches,omitempty"`
}

// Add notes that columns of the entry at a place differ; with none it does nothing.
func (c *Columns) Add(index int64, entry string, names []string) {
	if len(names) == 0 {
		return
	}
	c.Mismatched++
	if len(c.Mismatches) < maxFaults {
		c.Mismatches = append(c.Mismatches, Fault{Index: index, Entry: entry, What: "in the database, " + strings.Join(names, ", ") + " do not say what it says"})
	}
}

// EarlierCheckpoint is an earlier checkpoint.
type EarlierCheckpoint struct {
	Size int64  `json:"size"`
	Root string `json:"root"`
}

// Fault is one thing that is wrong.
type Fault struct {
	// Index is the place in the log of the entry concerned, from 0; -1 when it
	// is no one entry.
	Index int64 `json:"index"`
	// Entry is the resource name of that entry as it reads now, if it can be read.
	Entry string `json:"entry,omitempty"`
	// File is the file concerned, if any.
	File string `json:"file,omitempty"`
	// What says what is wrong.
	What string `json:"what"`
}

// String is the fault in one line.
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

// Valid reports whether nothing is wrong.
func (r Report) Valid() bool { return len(r.Faults) == 0 }

// verification is a verification under way.
type verification struct {
	files    files
	progress func(done, of int64) error
	report   Report

	trustedKeys []ledger.PublicKey // that the auditor brought along
	keys        []ledger.PublicKey // these, and those of the export
	signed      ledger.Checkpoint
	signers     []ledger.PublicKey
	earlier     *verifiedCheckpoint
	handover    []verifiedCheckpoint
	heads       map[int64]ledger.Head // of the tree built anew, at the sizes that are asked for

	nameHashes []uint64 // short hashes of the entries' names, in their order
	suspects   []suspectBundle
	missing    map[int64]string // places that are empty in the copy, with their bundles
	damaged    []ledger.TileID  // tiles that are not what the entries give
	incomplete bool             // entries and their hashes are missing: no tree can be built
}

// verifiedCheckpoint is a checkpoint with who signed it.
type verifiedCheckpoint struct {
	ledger.Checkpoint
	signers []ledger.PublicKey
}

// TrustedInput is what the auditor brings along, from elsewhere than the export.
type TrustedInput struct {
	// Against is an earlier checkpoint of the same log; nil: none.
	Against []byte
	// Keys are public keys of the log, as C2SP verifier keys. The checkpoint must
	// be signed by one of them, or by a key that they vouch for in a handover.
	// Empty: those that came with the export are believed.
	Keys []string
}

// parse reads the keys, and refuses an earlier checkpoint that is none.
func (t TrustedInput) parse() ([]ledger.PublicKey, error) {
	if _, _, err := ledger.OpenCheckpoint(t.Against, nil); t.Against != nil && !errors.Is(err, ledger.ErrStranger) {
		return nil, fmt.Errorf("verify: what is given as the earlier checkpoint is none: %w", err)
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
// same log, or nil. An error means that there is no verdict, because the files
// cannot be read, or against is no checkpoint at all; files that are missing are a fault.
func Dir(dir string, against []byte) (Report, error) {
	return DirProgress(dir, TrustedInput{Against: against}, func(int64, int64) error { return nil })
}

// DirProgress is Dir for long exports: it tells now and then how many entries it has
// read, of how many, and stops when tell returns an error, with that error.
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

// run makes the checks one after the other, as far as each allows the next.
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

// readKeys reads the public keys, and reports whether there are any to go on with.
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
		c.addFault(Fault{Index: -1, File: keysFile, What: "there is no public key in it"})
	}
	return len(c.keys) > 0, nil
}

// readCheckpoint reads the checkpoint, and reports whether it is one.
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

// addFault notes what is wrong.
func (c *verification) addFault(f Fault) {
	if len(c.report.Faults) == maxFaults {
		c.report.MoreFaults++
		return
	}
	c.report.Faults = append(c.report.Faults, f)
}

// addLimits says what the verdict does not cover.
func (c *verification) addLimits(against []byte) {
	say := func(text string) { c.report.Limits = append(c.report.Limits, text) }
	if against == nil {
		say("No earlier checkpoint was given. Whoever holds the log's key could have made up another history and signed it; held against a checkpoint that somebody else has kept, that would show.")
	}
	if against == nil && len(c.trustedKeys) == 0 {
		say("The public key came with the export. Compare it with the one that you were given in another way.")
	}
	say("Entries recorded after this checkpoint are not covered, and neither is what was never recorded.")
	say("The log shows what was written down, not that it is true.")
}

// formatKeys writes keys down.
func formatKeys(keys []ledger.PublicKey) []string {
	texts := make([]string, len(keys))
	for i, k := range keys {
		texts[i] = k.String()
	}
	return texts
}

// The files of an export, and how long they may be.
const (
	checkpointFile = "checkpoint"
	keysFile       = "keys"
	handoverDir    = "handover"

	maxText   = 64 << 10
	maxTile   = ledger.TileWidth * 32
	maxBundle = ledger.TileWidth * (2 + ledger.MaxEntry)
)

// files reads the files of an export, and nothing outside it.
type files struct{ root *os.Root }

// read reads a file. If it is not there or cannot be one of an export, missing
// says so; an error means that it could not be found out.
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
		return nil, fmt.Sprintf("it has %d bytes, and can have %d at most", info.Size(), most), nil
	}
	if content, err = f.root.ReadFile(name); err != nil {
		return nil, "", fmt.Errorf("verify: %w", err)
	}
	return content, "", nil
}
