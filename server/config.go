package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"alkalog/server/serve"
)

// databaseFlags select the database. Without any of them the command uses the
// private PostgreSQL of the user, so that a developer needs no setting up.
// Commands take the flags by one of three methods:
//
//   - config, for a command that does not read records: migrate.
//   - withKeys, for serve, which may create a private database and its keys.
//   - reading, for every command that works on an existing database.
type databaseFlags struct {
	Database string `env:"ALKALOG_DATABASE" placeholder:"DSN" help:"Connection string of a PostgreSQL server (14 or newer). A connection string with a password is accepted only from the environment, because other users of the machine can read command lines."`
	DataDir  string `env:"ALKALOG_DATA_DIR" type:"path" placeholder:"DIR" help:"Directory of the private PostgreSQL, which is used without --database. Default: /var/lib/alkalog for root, otherwise alkalog in $$XDG_DATA_HOME or ~/.local/share."`
	KeysDir  string `env:"ALKALOG_KEYS_DIR" type:"path" placeholder:"DIR" help:"Directory of the server's own keys, a file each that only its user can read. Default: keys in --data-dir; with --database give it. \"alkalog keys\" fills one."`
	PGBin    string `name:"pg-bin" env:"ALKALOG_PGBIN" type:"path" placeholder:"DIR" help:"Directory of the programs of the private PostgreSQL. Default: the usual locations are searched."`
}

// config returns the database part of the configuration. It does not touch the
// disk. A password on the command line is refused even if it is right, because it
// is public by then.
func (f databaseFlags) config() (serve.Config, error) {
	if serve.HasPassword(f.Database) && f.Database != os.Getenv("ALKALOG_DATABASE") {
		return serve.Config{}, usage{errors.New("other users can read a password on the command line: set the connection string in the environment variable ALKALOG_DATABASE")}
	}
	f, err := f.preferCommandLine()
	if err != nil {
		return serve.Config{}, err
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

// preferCommandLine settles which database is meant if both flags are set. A flag on
// the command line wins over the other one in the environment, because the
// environment is often that of a server on the same machine. Both on the command
// line, or both in the environment, is an error of usage.
func (f databaseFlags) preferCommandLine() (databaseFlags, error) {
	if f.Database == "" || f.DataDir == "" {
		return f, nil
	}
	databaseGiven := f.Database != os.Getenv("ALKALOG_DATABASE")
	dataDirGiven := f.DataDir != kong.ExpandPath(os.Getenv("ALKALOG_DATA_DIR"))
	switch {
	case databaseGiven == dataDirGiven:
		return f, usage{errors.New("--database and --data-dir can't be used together")}
	case databaseGiven:
		f.DataDir = ""
	default:
		f.Database = ""
	}
	return f, nil
}

// withKeys returns config for commands that read or write records and therefore
// need the keys. Without them, a client's records cannot be opened.
func (f databaseFlags) withKeys() (serve.Config, error) {
	cfg, err := f.config()
	if err == nil && cfg.Database != "" && cfg.KeysDir == "" {
		err = errNoKeys
	}
	return cfg, err
}

// reading returns withKeys for commands that only read. A data directory that
// does not exist is an error, so that a typing error does not create a new
// database. With --database the server itself says whether the database exists.
func (f databaseFlags) reading() (serve.Config, error) {
	cfg, err := f.withKeys()
	if err == nil && cfg.DataDir != "" {
		err = exists(cfg.DataDir)
	}
	return cfg, err
}

// exists returns an error if there is no such directory.
func exists(dir string) error {
	if _, err := os.Stat(dir); err != nil {
		return fmt.Errorf("there is no private PostgreSQL in --data-dir: %w", err)
	}
	return nil
}

// errNoKeys means that the keys, without which a database is unusable, were not
// given.
// It is an error of usage with the next step in it.
var errNoKeys = usage{errors.New("--database needs --keys-dir: the server cannot read or write records without its keys; create them with `alkalog keys`")}

// defaultDataDir is the directory of the user's private PostgreSQL (XDG Base
// Directory Specification; for root, Filesystem Hierarchy Standard, section 5.8).
// uid is that of the process; 0 is root.
func defaultDataDir(uid int) (string, error) {
	if uid == 0 {
		return "/var/lib/alkalog", nil
	}
	if dir := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "alkalog"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("no default directory for the private PostgreSQL, give --data-dir: %w", err)
	}
	return filepath.Join(home, ".local", "share", "alkalog"), nil
}

// identityFlags configure authentication and TLS. The server reads these files
// again when they are replaced. They are paths and URLs and hold no secret.
type identityFlags struct {
	TLSCert     string `name:"tls-cert" env:"ALKALOG_TLS_CERT" type:"path" placeholder:"FILE" help:"Server certificate file (PEM)."`
	TLSKey      string `name:"tls-key" env:"ALKALOG_TLS_KEY" type:"path" placeholder:"FILE" help:"Private key file of --tls-cert (PEM), readable only by the server's user."`
	ClientCA    string `name:"client-ca" env:"ALKALOG_CLIENT_CA" type:"path" placeholder:"FILE" help:"File with the CA certificates (PEM) for client certificates of tills and services."`
	Issuer      string `env:"ALKALOG_ISSUER" placeholder:"URL" help:"URL of the OpenID provider that issues tokens."`
	Audience    string `env:"ALKALOG_AUDIENCE" help:"Required audience of tokens. Default: alkalog."`
	JWKS        string `name:"jwks" env:"ALKALOG_JWKS" type:"path" placeholder:"FILE" help:"JSON Web Key Set file to verify tokens with, instead of the provider's keys. Without --issuer, the issuer is alkalog."`
	Revoked     string `env:"ALKALOG_REVOKED" type:"path" placeholder:"FILE" help:"Revocation list file, one entry a line: SHA-256 fingerprint of a certificate, jti:ID of a token, or resource name."`
	Development *bool  `env:"ALKALOG_DEVELOPMENT" negatable:"" help:"Accept development identities, which callers state without proof. Default: only on a loopback address without certificates and tokens; refused on any other address."`
}

// into copies the flags into cfg, whose address is already set. Development
// identities are on by default only where nobody else can call: on loopback and
// without any other identities.
func (f identityFlags) into(cfg *serve.Config) {
	cfg.TLSCert, cfg.TLSKey, cfg.ClientCA = f.TLSCert, f.TLSKey, f.ClientCA
	cfg.Issuer, cfg.Audience, cfg.JWKS, cfg.Revoked = f.Issuer, f.Audience, f.JWKS, f.Revoked
	if f.Development != nil {
		cfg.Development = *f.Development
		return
	}
	cfg.Development = cfg.OnLoopback() && !cfg.HasIdentities()
}

// serveFlags configure the server. Every flag has an environment variable, for
// process supervisors.
type serveFlags struct {
	databaseFlags
	identityFlags
	memoryFlags
	Address           string        `env:"ALKALOG_ADDRESS" default:"${address}" help:"Listen address; port 0 selects a free port. An address that is not loopback needs --tls-cert."`
	WebAddress        string        `env:"ALKALOG_WEB_ADDRESS" placeholder:"HOST:PORT" help:"Listen address of the web door, such as 127.0.0.1:7421: JSON, Connect and gRPC-Web over HTTP. Default: none. An address that is not loopback needs --tls-cert."`
	WebHosts          []string      `name:"web-host" env:"ALKALOG_WEB_HOSTS" placeholder:"NAME" help:"Name by which clients call the web door, beside those in --tls-cert: that of a proxy in front of it. May be repeated."`
	WebOrigins        []string      `name:"web-origin" env:"ALKALOG_WEB_ORIGINS" placeholder:"ORIGIN" help:"Origin of web pages that may call the web door, such as https://till.example.org. May be repeated. Refused with --development."`
	StateFile         string        `env:"ALKALOG_STATE_FILE" type:"path" placeholder:"FILE" help:"File that records the newest state of --database that was seen, so that an outdated server is refused even after a restart."`
	ErasureFile       string        `env:"ALKALOG_ERASURE_FILE" type:"path" placeholder:"FILE" help:"File that records which clients were erased, so that a restored backup does not bring them back. Store it on another disk than the database and outside its backups. Default: erased in --data-dir; none with --database."`
	CheckpointFile    string        `env:"ALKALOG_CHECKPOINT_FILE" type:"path" placeholder:"FILE" help:"File that records the newest checkpoints of the audit logs, to compare the database with at startup. Store it on another disk than the database and outside its backups. Default: checkpoints in --data-dir; none with --database."`
	WithoutStateFiles bool          `name:"without-state-files" env:"ALKALOG_WITHOUT_STATE_FILES" help:"Accept that --state-file, --checkpoint-file or --erasure-file is missing with --database. Without the state file, a restarted server may write to an old primary, and what it acknowledges there is lost. Without the checkpoint file, a restored backup is not noticed at startup. Without the erasure file, a restored backup brings erased clients back."`
	MetricsAddress    string        `env:"ALKALOG_METRICS_ADDRESS" placeholder:"HOST:PORT" help:"Loopback address for Prometheus metrics at /metrics, such as 127.0.0.1:9420. Default: none."`
	LogLevel          slog.Level    `env:"ALKALOG_LOG_LEVEL" default:"info" help:"Minimum level of log messages on standard error: debug, info, warn or error."`
	CallTime          time.Duration `env:"ALKALOG_CALL_TIME" default:"10s" help:"Deadline of a call that has none, such as 10s."`
	DrainTime         time.Duration `env:"ALKALOG_DRAIN_TIME" default:"10s" help:"How long to wait for running calls at shutdown, such as 20s."`
	MaxConnections    int           `env:"ALKALOG_MAX_CONNECTIONS" default:"10000" help:"Maximum number of open connections."`
	Connections       int           `name:"database-connections" env:"ALKALOG_DATABASE_CONNECTIONS" placeholder:"N" help:"Maximum number of connections to the database, at least 4. Default: four per processor, at least 16 and at most 64."`
	Writers           int           `env:"ALKALOG_WRITERS" placeholder:"N" help:"Maximum number of calls of one chain that are handled at the same time. Default: half of --database-connections, so that one chain leaves the other half to others."`
	MaxPerAddress     int           `name:"max-connections-per-address" env:"ALKALOG_MAX_CONNECTIONS_PER_ADDRESS" default:"2000" help:"Maximum number of open connections per client address (IPv4 address or IPv6 /64). Raise it behind a proxy."`
}

// config returns the checked configuration of the server. It makes the checks
// that need no I/O, so that check-config and serve refuse the same settings.
// Wrong settings are errors of usage.
//
// The checkpoint file and the erasure file have defaults in a data directory
// only, since they must be kept apart from the database and its backups. With
// --database they and the state file are required, or given up explicitly.
func (f serveFlags) config() (serve.Config, error) {
	cfg, err := f.withKeys()
	if err != nil {
		return cfg, err
	}
	cfg.Address, cfg.StateFile, cfg.CheckpointFile, cfg.ErasureFile = f.Address, f.StateFile, f.CheckpointFile, f.ErasureFile
	cfg.MetricsAddress = f.MetricsAddress
	cfg.WebAddress, cfg.WebHosts, cfg.WebOrigins = f.WebAddress, f.WebHosts, f.WebOrigins
	f.identityFlags.into(&cfg)
	cfg.Limits.CallTime, cfg.Limits.DrainTime = f.CallTime, f.DrainTime
	cfg.DatabaseConnections, cfg.Limits.Quotas.ChainWorkers = f.Connections, f.Writers
	cfg.Limits.Connections.Total, cfg.Limits.Connections.PerAddress = f.MaxConnections, f.MaxPerAddress
	if err := f.memoryFlags.into(&cfg, os.DirFS("/")); err != nil {
		return cfg, err
	}
	if err := errors.Join(cfg.Check(), f.checkStateFiles()); err != nil {
		return cfg, usage{err}
	}
	return cfg, nil
}

// checkStateFiles returns an error if a file that protects against old and restored
// databases is missing. The installation's own database has its files by default, and
// can be no other server than the one that this process starts.
func (f serveFlags) checkStateFiles() error {
	if f.Database == "" || f.WithoutStateFiles {
		return nil
	}
	var missing []string
	for _, file := range []struct{ flag, value string }{{"--state-file", f.StateFile}, {"--checkpoint-file", f.CheckpointFile}, {"--erasure-file", f.ErasureFile}} {
		if file.value == "" {
			missing = append(missing, file.flag)
		}
	}
	if len(missing) == 0 {
		return nil
	}
	return fmt.Errorf("--database needs %s: without them an old primary or a restored backup is not recognized; give them, or accept that with --without-state-files", strings.Join(missing, ", "))
}

// checkConfigCommand prints the configuration that serve would use. An operator
// runs it before restarting a server with changed settings.
type checkConfigCommand struct {
	serveFlags
	Connect bool `help:"Also connect to --database, and check its schema, its privileges, and that no pooler shares sessions."`
}

// Run prints the configuration as JSON. Values that are not set are left out. Of
// the connection string only host, port, database and user are shown.
func (c checkConfigCommand) Run(ctx context.Context, std streams) error {
	cfg, err := c.config()
	if err != nil {
		return err
	}
	if c.Connect && cfg.Database != "" {
		if err := serve.CheckDatabase(ctx, cfg); err != nil {
			return err
		}
	}
	shown := map[string]any{
		"address": cfg.Address, "development": cfg.Development, "serves": cfg.DescribeTrust(), "log_level": c.LogLevel.String(),
		"call_time": cfg.Limits.CallTime.String(), "drain_time": cfg.Limits.DrainTime.String(),
		"max_connections": cfg.Limits.Connections.Total, "max_connections_per_address": cfg.Limits.Connections.PerAddress,
	}
	for key, n := range map[string]int{"database_connections": c.Connections, "writers": c.Writers} {
		if n != 0 {
			shown[key] = n
		}
	}
	for key, value := range map[string]string{
		"metrics_address": cfg.MetricsAddress, "web_address": cfg.WebAddress, "web_hosts": strings.Join(cfg.WebHosts, ","), "web_origins": strings.Join(cfg.WebOrigins, ","), "data_dir": cfg.DataDir, "keys_dir": cfg.KeysDir, "pg_bin": cfg.PGBin, "state_file": cfg.StateFile, "checkpoint_file": cfg.CheckpointFile, "erasure_file": cfg.ErasureFile,
		"tls_cert": cfg.TLSCert, "tls_key": cfg.TLSKey, "client_ca": cfg.ClientCA,
		"issuer": cfg.Issuer, "audience": cfg.Audience, "jwks": cfg.JWKS, "revoked": cfg.Revoked,
	} {
		if value != "" {
			shown[key] = value
		}
	}
	if c.WithoutStateFiles {
		shown["without_state_files"] = true
	}
	if cfg.Database != "" {
		shown["database"] = serve.Describe(cfg.Database)
	}
	encoder := json.NewEncoder(std.out)
	encoder.SetIndent("", "  ")
	return encoder.Encode(shown)
}
