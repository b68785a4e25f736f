package sequencer

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"

	"alkalog/server/keyfile"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// checkpointRecord is the newest checkpoint of a log that was seen.
type checkpointRecord struct {
	Size       int64       `json:"size"`
	Root       ledger.Hash `json:"root"`
	Checkpoint string      `json:"checkpoint"`
}

// checkpointStore is the newest checkpoint that was seen of every log. They are kept
// in a file outside of the database, which a restored backup does not take back.
type checkpointStore struct {
	path        string // empty: they are not kept
	fileMissing bool   // there was no file where it should be
	byChain     map[string]checkpointRecord
	rollbacks   map[string]error // logs that do not follow from what was seen, and why
	damaged     map[string]error // logs that are not what was signed, and why; each concerns itself alone
	heads       map[string]headState
	revision    int64 // heads up to this one were looked at
	unsaved     bool
	lastLogged  string // what was last told of departures
}

// headState is what a server knows of the head of a log.
type headState struct {
	size   int64
	halted string // why it is; empty: it is not
}

// checkpointFile is the file, as JSON.
type checkpointFile struct {
	About string                      `json:"about"`
	Logs  map[string]checkpointRecord `json:"logs"` // by chain
}

const checkpointFileAbout = "The newest checkpoints of the audit logs that this server has seen. It compares the database with them when it starts."

// openCheckpointStore reads the file; when there is none, nothing was seen.
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
		return nil, fmt.Errorf("the file of checkpoints %s cannot be read: %w; without it a restored database goes unnoticed, so look before you take it away", path, err)
	}
	maps.Copy(s.byChain, held.Logs)
	return s, nil
}

// save writes the file, if there is anything new.
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
	if err := keyfile.Replace(s.path, append(text, '\n')); err != nil {
		return err
	}
	s.unsaved = false
	return nil
}

// observe takes in the head of a log as it is now. One that has departed from what
// was seen is left as it was.
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

// accept takes the head of a log as it is now for the newest.
func (s *checkpointStore) accept(h storage.LogHead) {
	delete(s.rollbacks, h.Chain)
	s.unsaved = true
	if len(h.Checkpoint) == 0 {
		delete(s.byChain, h.Chain)
		return
	}
	s.byChain[h.Chain] = checkpointRecord{h.Size, record.LogHead(h).Root, string(h.Checkpoint)}
}
