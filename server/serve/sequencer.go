package serve

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"alkalog/server/sequencer"
	"alkalog/storage"
)

// openLog opens the sequencer: it reads the keys of the audit log, and compares
// the database with the last seen checkpoints before anything can be written. For
// a private database a missing key is created; for others it is an error.
func openLog(ctx context.Context, cfg Config, db *storage.DB) (*sequencer.Sequencer, error) {
	if cfg.KeysDir == "" {
		return nil, errors.New("set the directory of the server's keys, --keys-dir; `alkalog keys` creates one")
	}
	if cfg.CheckpointFile == "" {
		cfg.Logger.Warn("no checkpoint file is set: a restored backup will not be detected; set --checkpoint-file")
	}
	return sequencer.Open(ctx, sequencer.Config{
		DB: db, Logger: cfg.Logger, Name: serverName(cfg),
		KeyFile: filepath.Join(cfg.KeysDir, "log"), MakeKey: cfg.Database == "",
		CheckpointFile: cfg.CheckpointFile,
		CoverEvery:     cfg.CoverageInterval, Now: cfg.reference.Now,
	})
}

// serverName names this server to operators: the name of its machine, its address, and its
// process.
func serverName(cfg Config) string {
	host, err := os.Hostname()
	if err != nil {
		host = "an unknown machine"
	}
	return fmt.Sprintf("%s, %s, process %d", host, cfg.Address, os.Getpid())
}
