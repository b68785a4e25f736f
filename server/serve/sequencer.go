package serve

import (
	"context"
	"errors"
	"path/filepath"

	"alkalog/server/sequencer"
	"alkalog/storage"
)

// openLog reads what the audit log is signed with, and compares the database
// with what was last seen of it, before anything can be written.
func openLog(ctx context.Context, cfg Config, db *storage.DB) (*sequencer.Sequencer, error) {
	if cfg.KeysDir == "" {
		return nil, errors.New("give the directory of the server's keys, --keys-dir; `server keys` fills one")
	}
	if cfg.CheckpointFile == "" {
		cfg.Logger.Warn("no file keeps the checkpoints of the audit log: a restored backup is not noticed")
	}
	return sequencer.Open(ctx, sequencer.Config{
		DB: db, Logger: cfg.Logger,
		KeyFile: filepath.Join(cfg.KeysDir, "log"), MakeKey: cfg.Database == "",
		SeenFile:   cfg.CheckpointFile,
		CoverEvery: cfg.CoverageInterval, Now: cfg.Clock,
	})
}
