package main

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"alkalog/server/serve"
)

// databaseFlags say which database to use.
type databaseFlags struct {
	Database string `xor:"database" env:"ALKALOG_DATABASE" placeholder:"DSN" help:"Connection string of a PostgreSQL (14 or newer). Give one with a password in the environment: other users of the machine can read command lines."`
	DataDir  string `xor:"database" env:"ALKALOG_DATA_DIR" type:"path" placeholder:"DIR" help:"Directory of the private PostgreSQL that is used without --database. Default: /var/lib/alkalog for root, else alkalog in $$XDG_DATA_HOME or ~/.local/share."`
	KeysDir  string `env:"ALKALOG_KEYS_DIR" type:"path" placeholder:"DIR" help:"Directory of the server's own keys, a file each that only its user can read. Default: keys in --data-dir; with --database give it. \"server keys\" fills one."`
	PGBin    string `name:"pg-bin" env:"ALKALOG_PGBIN" type:"path" placeholder:"DIR" help:"Directory of the programs of the private PostgreSQL. Default: they are searched for."`
}

// config is the part of the configuration that says which database.
func (f databaseFlags) config() (serve.Config, error) {
	cfg := serve.Config{Database: f.Database, DataDir: f.DataDir, PGBin: f.PGBin, KeysDir: f.KeysDir}
	if cfg.Database == "" && cfg.DataDir == "" {
		dir, err := defaultDataDir(os.Getuid())
		if err != nil {
			return cfg, err
		}
		cfg.DataDir = dir
	}
	return cfg, nil
}

// defaultDataDir is where a user's private PostgreSQL lives (XDG Base Directory
// Specification, and for root the Filesystem Hierarchy Standard, section 5.8).
func defaultDataDir(uid int) (string, error) {
	if uid == 0 {
		return "/var/lib/alkalog", nil
	}
	if dir := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "alkalog"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("no place for the private PostgreSQL, give --data-dir: %w", err)
	}
	return filepath.Join(home, ".local", "share", "alkalog"), nil
}

// serveFlags say what to serve and how.
type serveFlags struct {
	databaseFlags
	Address     string        `env:"ALKALOG_ADDRESS" default:"${address}" help:"Loopback address to listen on; port 0 takes any that is free."`
	StateFile   string        `env:"ALKALOG_STATE_FILE" type:"path" placeholder:"FILE" help:"File that keeps what was last seen of --database, so that an old server that comes back is refused after a restart too."`
	Development bool          `env:"ALKALOG_DEVELOPMENT" default:"true" negatable:"" help:"Believe callers what they say of themselves (the only kind of identity so far; on loopback only)."`
	LogLevel    slog.Level    `env:"ALKALOG_LOG_LEVEL" default:"info" help:"Least level of the log on standard error: debug, info, warn or error."`
	CallTime    time.Duration `env:"ALKALOG_CALL_TIME" default:"10s" help:"Deadline of a call that brings none."`
	DrainTime   time.Duration `env:"ALKALOG_DRAIN_TIME" default:"10s" help:"How long to wait for calls under way when stopping."`
}

// config is the configuration for the server, checked.
func (f serveFlags) config() (serve.Config, error) {
	cfg, err := f.databaseFlags.config()
	if err != nil {
		return cfg, err
	}
	cfg.Address, cfg.StateFile, cfg.Development = f.Address, f.StateFile, f.Development
	cfg.Limits.CallTime, cfg.Limits.DrainTime = f.CallTime, f.DrainTime
	if err := cfg.Check(); err != nil {
		return cfg, usage{err}
	}
	return cfg, nil
}

// checkConfigCommand prints what serve would use.
type checkConfigCommand struct{ serveFlags }

// Run prints the configuration as JSON.
func (c checkConfigCommand) Run(std streams) error {
	cfg, err := c.config()
	if err != nil {
		return err
	}
	shown := map[string]any{
		"address": cfg.Address, "development": cfg.Development, "log_level": c.LogLevel.String(),
		"call_time": cfg.Limits.CallTime.String(), "drain_time": cfg.Limits.DrainTime.String(),
	}
	for key, value := range map[string]string{"data_dir": cfg.DataDir, "keys_dir": cfg.KeysDir, "pg_bin": cfg.PGBin, "state_file": cfg.StateFile} {
		if value != "" {
			shown[key] = value
		}
	}
	if cfg.Database != "" {
		shown["database"] = serve.Describe(cfg.Database)
	}
	encoder := json.NewEncoder(std.out)
	encoder.SetIndent("", "  ")
	return encoder.Encode(shown)
}
