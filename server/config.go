package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"alkalog/server/serve"
)

// databaseFlags say which database to use.
type databaseFlags struct {
	Database string `xor:"database" env:"ALKALOG_DATABASE" placeholder:"DSN" help:"Connection string of a PostgreSQL (14 or newer). One with a password is taken from the environment only: other users of the machine can read command lines."`
	DataDir  string `xor:"database" env:"ALKALOG_DATA_DIR" type:"path" placeholder:"DIR" help:"Directory of the private PostgreSQL that is used without --database. Default: /var/lib/alkalog for root, else alkalog in $$XDG_DATA_HOME or ~/.local/share."`
	KeysDir  string `env:"ALKALOG_KEYS_DIR" type:"path" placeholder:"DIR" help:"Directory of the server's own keys, a file each that only its user can read. Default: keys in --data-dir; with --database give it. \"server keys\" fills one."`
	PGBin    string `name:"pg-bin" env:"ALKALOG_PGBIN" type:"path" placeholder:"DIR" help:"Directory of the programs of the private PostgreSQL. Default: they are searched for."`
}

// config is the part of the configuration that says which database.
func (f databaseFlags) config() (serve.Config, error) {
	if serve.HasPassword(f.Database) && f.Database != os.Getenv("ALKALOG_DATABASE") {
		return serve.Config{}, usage{errors.New("a password on the command line can be read by others: give --database in the environment, as ALKALOG_DATABASE")}
	}
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

// withKeys is config for what reads or writes records, and so needs the keys.
func (f databaseFlags) withKeys() (serve.Config, error) {
	cfg, err := f.config()
	if err == nil && cfg.Database != "" && cfg.KeysDir == "" {
		err = errNoKeys
	}
	return cfg, err
}

// reading is withKeys for what only reads: a directory that is not there is a
// slip of the keyboard, and not one to make a new database in.
func (f databaseFlags) reading() (serve.Config, error) {
	cfg, err := f.withKeys()
	if err == nil && cfg.DataDir != "" {
		err = exists(cfg.DataDir)
	}
	return cfg, err
}

func exists(dir string) error {
	if _, err := os.Stat(dir); err != nil {
		return fmt.Errorf("there is no private PostgreSQL in --data-dir: %w", err)
	}
	return nil
}

// errNoKeys says that the keys are missing that a database is of no use without.
var errNoKeys = usage{errors.New("--database needs --keys-dir: the server cannot read or write without its own keys; `server keys` makes them")}

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

// identityFlags say who may call, and how the line to callers is kept private.
// All of these files are read again when they are replaced.
type identityFlags struct {
	TLSCert     string `name:"tls-cert" env:"ALKALOG_TLS_CERT" type:"path" placeholder:"FILE" help:"Certificate of the server, in PEM."`
	TLSKey      string `name:"tls-key" env:"ALKALOG_TLS_KEY" type:"path" placeholder:"FILE" help:"Private key of --tls-cert, in PEM; nobody else's to read."`
	ClientCA    string `name:"client-ca" env:"ALKALOG_CLIENT_CA" type:"path" placeholder:"FILE" help:"Certificates, in PEM, of whoever vouches for tills and services, who then bring certificates."`
	Issuer      string `env:"ALKALOG_ISSUER" placeholder:"URL" help:"OpenID provider whose tokens people bring."`
	Audience    string `env:"ALKALOG_AUDIENCE" help:"What tokens must be meant for. Default: alkalog."`
	JWKS        string `name:"jwks" env:"ALKALOG_JWKS" type:"path" placeholder:"FILE" help:"JSON Web Key Set to use instead of that of a provider; without --issuer, the issuer is alkalog."`
	Revoked     string `env:"ALKALOG_REVOKED" type:"path" placeholder:"FILE" help:"List of what is no longer trusted: SHA-256 of a certificate, jti:ID of a token, or a name; one a line."`
	Development *bool  `env:"ALKALOG_DEVELOPMENT" negatable:"" help:"Believe callers what they say of themselves. Default: only on loopback, where no certificates and tokens are set up; elsewhere it is refused."`
}

// into writes the flags into a configuration, whose address is known.
func (f identityFlags) into(cfg *serve.Config) {
	cfg.TLSCert, cfg.TLSKey, cfg.ClientCA = f.TLSCert, f.TLSKey, f.ClientCA
	cfg.Issuer, cfg.Audience, cfg.JWKS, cfg.Revoked = f.Issuer, f.Audience, f.JWKS, f.Revoked
	if f.Development != nil {
		cfg.Development = *f.Development
		return
	}
	cfg.Development = cfg.OnLoopback() && !cfg.HasIdentities()
}

// serveFlags say what to serve and how.
type serveFlags struct {
	databaseFlags
	identityFlags
	memoryFlags
	Address        string        `env:"ALKALOG_ADDRESS" default:"${address}" help:"Address to listen on; port 0 takes any that is free. Other than loopback addresses need --tls-cert."`
	StateFile      string        `env:"ALKALOG_STATE_FILE" type:"path" placeholder:"FILE" help:"File that keeps what was last seen of --database, so that an old server that comes back is refused after a restart too."`
	ErasureFile    string        `env:"ALKALOG_ERASURE_FILE" type:"path" placeholder:"FILE" help:"File that keeps which clients were erased, so that a restored backup does not bring them back. Keep it away from the database's disk and out of its backups. Default: erased in --data-dir; none with --database."`
	CheckpointFile string        `env:"ALKALOG_CHECKPOINT_FILE" type:"path" placeholder:"FILE" help:"File that keeps the newest checkpoints of the audit log, to compare the database with at the next start. Keep it away from the database's disk and out of its backups. Default: checkpoints in --data-dir; none with --database."`
	MetricsAddress string        `env:"ALKALOG_METRICS_ADDRESS" placeholder:"HOST:PORT" help:"Loopback address to serve metrics on, as /metrics for Prometheus, such as 127.0.0.1:9420. Default: none."`
	LogLevel       slog.Level    `env:"ALKALOG_LOG_LEVEL" default:"info" help:"Least level of the log on standard error: debug, info, warn or error."`
	CallTime       time.Duration `env:"ALKALOG_CALL_TIME" default:"10s" help:"Deadline of a call that brings none."`
	DrainTime      time.Duration `env:"ALKALOG_DRAIN_TIME" default:"10s" help:"How long to wait for calls under way when stopping."`
	MaxConnections int           `env:"ALKALOG_MAX_CONNECTIONS" default:"10000" help:"How many connections may be open."`
	MaxPerAddress  int           `name:"max-connections-per-address" env:"ALKALOG_MAX_CONNECTIONS_PER_ADDRESS" default:"2000" help:"How many connections may be open from one address, an IPv4 address or an IPv6 /64. Raise it behind a proxy."`
}

// config is the configuration for the server, checked.
func (f serveFlags) config() (serve.Config, error) {
	cfg, err := f.withKeys()
	if err != nil {
		return cfg, err
	}
	cfg.Address, cfg.StateFile, cfg.CheckpointFile, cfg.ErasureFile = f.Address, f.StateFile, f.CheckpointFile, f.ErasureFile
	cfg.MetricsAddress = f.MetricsAddress
	f.identityFlags.into(&cfg)
	cfg.Limits.CallTime, cfg.Limits.DrainTime = f.CallTime, f.DrainTime
	cfg.Limits.Connections.Total, cfg.Limits.Connections.PerAddress = f.MaxConnections, f.MaxPerAddress
	if err := f.memoryFlags.into(&cfg, os.DirFS("/")); err != nil {
		return cfg, err
	}
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
		"address": cfg.Address, "development": cfg.Development, "serves": cfg.Who(), "log_level": c.LogLevel.String(),
		"call_time": cfg.Limits.CallTime.String(), "drain_time": cfg.Limits.DrainTime.String(),
		"max_connections": cfg.Limits.Connections.Total, "max_connections_per_address": cfg.Limits.Connections.PerAddress,
	}
	for key, value := range map[string]string{
		"metrics_address": cfg.MetricsAddress, "data_dir": cfg.DataDir, "keys_dir": cfg.KeysDir, "pg_bin": cfg.PGBin, "state_file": cfg.StateFile, "checkpoint_file": cfg.CheckpointFile, "erasure_file": cfg.ErasureFile,
		"tls_cert": cfg.TLSCert, "tls_key": cfg.TLSKey, "client_ca": cfg.ClientCA,
		"issuer": cfg.Issuer, "audience": cfg.Audience, "jwks": cfg.JWKS, "revoked": cfg.Revoked,
	} {
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
