package serve

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/uuid"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/sequencer"
	"alkalog/service/actor"
	"alkalog/service/audit"
	"alkalog/storage"
)

// Status is the state of an installation as its database and the files of one server
// show it. No server need run.
type Status struct {
	// Unreachable is why the database could not be read; empty: it was. Database, ReadOnly
	// and Logs are empty then.
	Unreachable string
	Database    storage.Installation
	// StateFile is what the state file says; empty: there is none.
	StateFile string
	// ErasureFile is the number of clients in the erasure file; -1: there is none.
	ErasureFile int
	// CheckpointFile reports whether there is a checkpoint file to compare with.
	CheckpointFile bool
	// ReadOnly is why a server with these files would write nothing; empty: it would.
	ReadOnly string
	// Logs are the audit logs, ordered by chain.
	Logs []sequencer.Status
}

// ReadStatus reads the state of cfg's database and files. It changes nothing. If the
// database cannot be read, it returns what the files say, with the error.
func ReadStatus(ctx context.Context, cfg Config) (Status, error) {
	var s Status
	err := withLogs(ctx, cfg, func(cfg Config, db *storage.DB, logs *sequencer.Sequencer) (err error) {
		s, err = readStatus(ctx, cfg, db, logs)
		return err
	})
	if err != nil {
		if completed, completeErr := cfg.complete(); completeErr == nil {
			cfg = completed
		}
		s = readFiles(cfg)
		s.Unreachable = err.Error()
	}
	return s, err
}

// readFiles reads what the files of a server say without its database.
func readFiles(cfg Config) Status {
	s := Status{ErasureFile: -1}
	if text, err := os.ReadFile(cfg.StateFile); err == nil {
		s.StateFile = strings.TrimSpace(string(text))
	}
	if text, err := os.ReadFile(cfg.ErasureFile); err == nil {
		s.ErasureFile = len(erasedNames(string(text)))
	}
	_, err := os.Stat(cfg.CheckpointFile)
	s.CheckpointFile = err == nil
	return s
}

// withLogs opens cfg's database and compares its logs with the checkpoint file, as a
// server does at its start, and changes neither: the state file is not used, so that an
// old primary can be looked at, and the checkpoint file is a copy, so that a running
// server's file is not replaced. Damaged guards are no reason to see nothing.
func withLogs(ctx context.Context, cfg Config, do func(Config, *storage.DB, *sequencer.Sequencer) error) error {
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	cfg, err := cfg.complete()
	if err != nil {
		return err
	}
	opened := cfg
	opened.StateFile, opened.inspectOnly = "", true
	d, err := openDatabase(ctx, opened)
	if err != nil {
		return err
	}
	copied, err := os.MkdirTemp("", "alkalog-checkpoints-*")
	if err != nil {
		return errors.Join(err, d.close())
	}
	defer os.RemoveAll(copied)
	file := ""
	if text, readErr := os.ReadFile(cfg.CheckpointFile); readErr == nil {
		file = filepath.Join(copied, "checkpoints")
		err = os.WriteFile(file, text, 0o600)
	} else if cfg.CheckpointFile != "" && !errors.Is(readErr, os.ErrNotExist) {
		err = readErr
	}
	if err == nil {
		var logs *sequencer.Sequencer
		logs, err = sequencer.Open(ctx, sequencer.Config{DB: d.db, Logger: cfg.Logger, KeyFile: filepath.Join(cfg.KeysDir, "log"), CheckpointFile: file})
		if err == nil {
			cfg.CheckpointFile = file
			err = do(cfg, d.db, logs)
		}
	}
	return errors.Join(err, d.close())
}

// readStatus is ReadStatus on an open database. The sequencer knows nothing of entries
// that wait, because it has not been running; they are counted here. Their age is taken
// by the clock of the database, from when they were recorded.
func readStatus(ctx context.Context, cfg Config, db *storage.DB, logs *sequencer.Sequencer) (Status, error) {
	s := readFiles(cfg)
	s.Logs = logs.Status()
	var err error
	if s.Database, err = storage.ReadInstallation(ctx, db); err != nil {
		return s, err
	}
	if err := db.Writable(); err != nil {
		s.ReadOnly = err.Error()
	}
	waiting, err := storage.CountPending(ctx, db)
	if err != nil {
		return s, err
	}
	for _, p := range waiting {
		at := -1
		for i := range s.Logs {
			if s.Logs[i].Chain == p.Chain {
				at = i
			}
		}
		if at < 0 { // nothing is on its log yet
			s.Logs = append(s.Logs, sequencer.Status{Chain: p.Chain})
			at = len(s.Logs) - 1
		}
		s.Logs[at].Pending = p.Count
		err := storage.Read(ctx, db, p.Chain, func(r *storage.Snapshot) (err error) {
			s.Logs[at].Lag, err = storage.WaitingSince(r, p.Oldest)
			return err
		})
		if err != nil && !errors.Is(err, storage.ErrNotFound) {
			return s, err
		}
	}
	return s, nil
}

// Restore is what accepting a restored database gives up.
type Restore struct {
	// System is the system identifier of the database, which the operator confirms.
	System string
	// Logs are the logs that are not a continuation of the last checkpoints.
	Logs []sequencer.Status
	// ErasedAgain is the number of erased clients whose keys the restore has brought back.
	// A server destroys these keys when it starts.
	ErasedAgain int
	// Accepted are the audit entries of the acceptance, if it was confirmed.
	Accepted []*pb.AuditEntry
}

// AcceptRestore returns what a restore has lost, by the checkpoint and erasure files of
// one server. If confirm is the system identifier of the database, it also accepts the
// loss in the name of an operator: each log that has lost entries gets one that says so,
// for ever. Servers with these files then write again. Another confirm than the empty one
// and the right one is an error, and nothing is accepted.
func AcceptRestore(ctx context.Context, cfg Config, operator, reason, confirm string) (Restore, error) {
	var r Restore
	err := withLogs(ctx, cfg, func(cfg Config, db *storage.DB, logs *sequencer.Sequencer) error {
		in, err := storage.ReadInstallation(ctx, db)
		if err != nil {
			return err
		}
		r.System = in.System
		for _, l := range logs.Status() {
			if l.RolledBack != "" {
				r.Logs = append(r.Logs, l)
			}
		}
		if r.ErasedAgain, err = countRevived(ctx, cfg, db); err != nil || confirm == "" {
			return err
		}
		if confirm != r.System {
			return fmt.Errorf("the database is system %s and not %s: nothing was accepted", r.System, confirm)
		}
		return r.accept(ctx, audit.Service{DB: db, Now: time.Now, Logs: logs}, operator, reason)
	})
	return r, err
}

// countRevived counts the clients of the erasure file whose keys are in the database. It
// only reads the file; no key is destroyed here, because the server does that with an
// audit entry when it starts, before it answers anybody.
func countRevived(ctx context.Context, cfg Config, db *storage.DB) (int, error) {
	text, err := os.ReadFile(cfg.ErasureFile)
	if cfg.ErasureFile == "" || errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	db.MarkErased(erasedNames(string(text))...)
	list := &erasures{db: db}
	err = list.findRevived(ctx)
	return len(db.RevivedClients()), err
}

// accept writes the entries, one for each log that has lost some. The requests are
// checked as those of a caller are. After an error the rest can be accepted by running
// the command again: what was accepted is not shown any more.
func (r *Restore) accept(ctx context.Context, service audit.Service, operator, reason string) error {
	checks, err := newRequests()
	if err != nil {
		return err
	}
	ctx = actor.NewContext(ctx, actor.Actor{Name: operator, Role: pb.Role_ROLE_OPERATOR})
	for _, l := range r.Logs {
		req := &pb.AcceptRestoreRequest{Name: "chains/" + l.Chain, Reason: reason, RequestId: uuid.NewString()}
		if err := checks.check(ctx, req); err != nil {
			return err
		}
		answer, err := service.AcceptRestore(ctx, req)
		if err != nil {
			return err
		}
		r.Accepted = append(r.Accepted, answer.Entry)
	}
	return nil
}
