package sequencer

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"

	"alkalog/server/keys"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// checkpointRecord is the newest checkpoint of a log that this server has seen.
//
// The root is kept beside the signed text so that a comparison needs no key: a
// checkpoint that was signed by a key that has since been dropped can still be
// compared.
type checkpointRecord struct {
	Size       int64       `json:"size"`
	Root       ledger.Hash `json:"root"`
	Checkpoint string      `json:"checkpoint"`
}

// checkpointStore holds the newest checkpoint of every log that this server has
// seen. It is saved in a file outside the database, which restoring a backup does
// not change.
//
// A backup contains the log and its signed head together, so nothing in the
// database can show that an older state was restored. The file can, as long as it
// is not part of the backup. It holds no secret and no personal data.
//
// rollbacks and damaged are different findings. A rollback is another history:
// entries that were acknowledged are gone, so every write of the installation is
// blocked until an operator decides. Damage is local: the stored log of one chain
// does not match its own signature, and the other chains keep working.
//
// The caller holds the mutex of the sequencer for every access.
type checkpointStore struct {
	path string // empty: not saved
	// fileMissing means that the file did not exist at startup.
	fileMissing bool
	// byChain has the newest checkpoint of each log.
	byChain map[string]checkpointRecord
	// rollbacks are the logs that are not a continuation of their last checkpoint, and why.
	rollbacks map[string]error
	// damaged are the logs whose stored data is not what was signed, and why; other logs are
	// not affected.
	damaged map[string]error
	heads   map[string]headState
	// revision is the revision up to which heads were checked.
	revision int64
	// unsaved means that the file is older than byChain.
	unsaved bool
	// lastLogged is the text of the rollbacks that were logged last.
	lastLogged string
}

// headState is the state of a log's head.
type headState struct {
	size   int64
	halted string // why the log is halted; empty: it is not
}

// checkpointFile is the JSON document in the file.
type checkpointFile struct {
	About string                      `json:"about"`
	Logs  map[string]checkpointRecord `json:"logs"` // by chain
}

// checkpointFileAbout explains the file to an operator who opens it.
const checkpointFileAbout = "The newest checkpoints of the audit logs that this server has seen. It compares the database with them when it starts."

// openCheckpointStore reads the file. Without a file, no checkpoint was seen yet. A
// file that cannot be read is an error, because starting without it would accept a
// restored backup silently.
func openCheckpointStore(path string) (*checkpointStore, error) {
	s := &checkpointStore{path: path, byChain: map[string]checkpointRecord{}, rollbacks: map[string]error{}, damaged: map[string]error{}, heads: map[string]headState{}}
	if path == "" {
		return s, nil
	}
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		s.fileMissing = true
		return s, nil
	}
	var held checkpointFile
	if err == nil {
		err = json.Unmarshal(text, &held)
	}
	if err != nil {
		return nil, fmt.Errorf("cannot read the checkpoint file %s: %w; without it a restored database is not detected, so investigate before you delete it", path, err)
	}
	maps.Copy(s.byChain, held.Logs)
	return s, nil
}

// save writes the file if anything has changed. It replaces the file atomically: a
// server that is killed while it saves finds either the old file or the new one. An
// old file is safe, because an older checkpoint is still a prefix of the log.
func (s *checkpointStore) save() error {
	if s.path == "" || !s.unsaved {
		return nil
	}
	text, err := json.MarshalIndent(checkpointFile{checkpointFileAbout, s.byChain}, "", "\t")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(s.path), 0o700); err != nil {
		return err
	}
	if err := keys.Replace(s.path, append(text, '\n')); err != nil {
		return err
	}
	s.unsaved = false
	return nil
}

// observe compares the current head of a log with its last checkpoint and stores
// the head as the new one. A log that was rolled back keeps its last checkpoint.
//
// The rollback is kept until an operator accepts it, even if the log grows past the
// old size again; otherwise the next entries would hide it.
func (s *checkpointStore) observe(h storage.LogHead) {
	s.revision = max(s.revision, h.Revision)
	if s.rollbacks[h.Chain] != nil || len(h.Checkpoint) == 0 {
		return
	}
	now, was := record.LogHead(h), s.byChain[h.Chain]
	switch {
	case now.Size < was.Size:
		s.rollbacks[h.Chain] = fmt.Errorf("its log had %d entries and has %d", was.Size, now.Size)
	case now.Size == was.Size && was.Size > 0 && now.Root != was.Root:
		s.rollbacks[h.Chain] = fmt.Errorf("its log of %d entries is another one", was.Size)
	case string(h.Checkpoint) != was.Checkpoint:
		s.accept(h)
	}
}

// accept stores the current head of a log as its last checkpoint. A log without a
// checkpoint is removed, because it has no entries to compare.
func (s *checkpointStore) accept(h storage.LogHead) {
	delete(s.rollbacks, h.Chain)
	s.unsaved = true
	if len(h.Checkpoint) == 0 {
		delete(s.byChain, h.Chain)
		return
	}
	s.byChain[h.Chain] = checkpointRecord{h.Size, record.LogHead(h).Root, string(h.Checkpoint)}
}
