package serve

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"regexp"
	"strings"

	"alkalog/service/record"
	"alkalog/storage"
	"alkalog/storage/keyring"
	"alkalog/storage/localpg"
)

// database is an open database, with its private cluster if it has one. The zero
// value is no database. Close it to stop the cluster.
type database struct {
	db          *storage.DB
	cluster     *localpg.Kept // nil: the database is not private
	description string        // for people, without secrets
	ring        *keyring.Ring // wraps the keys of clients
}

// openDatabase opens the database that cfg names, or the private one. The schema
// must be that of this program; a database that needs a migration is an error
// (storage.SchemaError).
func openDatabase(ctx context.Context, cfg Config) (database, error) {
	if cfg.Database == "" {
		return openPrivate(ctx, cfg)
	}
	ring := cfg.clientKeys()
	db, err := storage.Open(ctx, storage.Config{DSN: cfg.Database, StateFile: cfg.StateFile, Keys: ring, MayReplay: record.MayReplay, MaxConns: cfg.DatabaseConnections, StatementTimeout: cfg.Limits.statementTime(), Inspect: cfg.inspectOnly})
	if err != nil {
		return database{}, err
	}
	return database{db: db, description: Describe(cfg.Database), ring: ring}, nil
}

// CheckDatabase opens the database that cfg names as the server does, and closes it
// again. It writes nothing but the state file.
func CheckDatabase(ctx context.Context, cfg Config) error {
	cfg, err := cfg.complete()
	if err != nil {
		return err
	}
	d, err := openDatabase(ctx, cfg)
	if err != nil {
		return err
	}
	return d.close()
}

// openPrivate starts the private cluster, migrates it and opens it. Only this
// server uses it, so it may migrate without asking.
func openPrivate(ctx context.Context, cfg Config) (database, error) {
	d, err := startPrivate(ctx, cfg)
	if err != nil {
		return database{}, err
	}
	d.ring = cfg.clientKeys()
	d.db, err = storage.Open(ctx, storage.Config{DSN: d.cluster.DSN("", storage.RoleServer), Keys: d.ring, MayReplay: record.MayReplay, MaxConns: cfg.DatabaseConnections, StatementTimeout: cfg.Limits.statementTime(), Inspect: cfg.inspectOnly})
	if err != nil {
		return database{}, errors.Join(err, d.close())
	}
	return d, nil
}

// startPrivate starts the private cluster and migrates it. PostgreSQL's own
// messages are logged at debug level.
func startPrivate(ctx context.Context, cfg Config) (database, error) {
	cfg.Progress("starting a private PostgreSQL in " + cfg.DataDir)
	words := slog.NewLogLogger(cfg.Logger.With("from", "postgres").Handler(), slog.LevelDebug)
	cluster, err := localpg.Keep(ctx, localpg.Config{Dir: cfg.DataDir, BinDir: cfg.PGBin, Log: words.Writer()}, func(err error) {
		if err == nil {
			cfg.Logger.Info("the private PostgreSQL was started again")
			return
		}
		cfg.Logger.Error("the private PostgreSQL has ended and will be started again", "error", err.Error())
	})
	if err != nil {
		return database{}, err
	}
	d := database{cluster: cluster, description: fmt.Sprintf("a private PostgreSQL %s in %s", cluster.Version(), cfg.DataDir)}
	cfg.Progress("migrating the schema")
	if err := migrate(ctx, cluster.DSN("", ""), true); err != nil { // it has no other servers
		return database{}, errors.Join(err, d.close())
	}
	return d, nil
}

// migrate migrates a database and, if it is to be finished, lets no older server
// write any more.
func migrate(ctx context.Context, dsn string, finish bool) error {
	err := storage.Migrate(ctx, dsn)
	if err == nil && finish {
		err = storage.FinishMigration(ctx, dsn)
	}
	return err
}

// Migrate migrates the database of cfg and returns a description of it. It starts
// no server. If finish is set, servers of older versions may not write afterwards;
// they never may to a private database.
func Migrate(ctx context.Context, cfg Config, finish bool) (string, error) {
	cfg, err := cfg.complete()
	if err != nil {
		return "", err
	}
	if cfg.Database != "" {
		return Describe(cfg.Database), migrate(ctx, cfg.Database, finish)
	}
	d, err := startPrivate(ctx, cfg)
	if err != nil {
		return "", err
	}
	return d.description, d.close()
}

// WithPrivatePostgres runs the private cluster of cfg while do runs, with the environment
// by which programs of PostgreSQL find it. It migrates nothing, because an older program
// may have to read what a newer one would change. An error of do does not keep the cluster
// from being stopped in order; both errors are returned.
func WithPrivatePostgres(ctx context.Context, cfg Config, do func(environment []string) error) error {
	cluster, err := localpg.Start(ctx, localpg.Config{Dir: cfg.DataDir, BinDir: cfg.PGBin})
	if err != nil {
		return err
	}
	return errors.Join(do(cluster.Environment()), cluster.Stop())
}

// close closes the connections and then stops the cluster. It waits for the
// cluster to stop.
func (d database) close() error {
	var errs []error
	if d.db != nil {
		errs = append(errs, d.db.Close())
	}
	if d.cluster != nil {
		errs = append(errs, d.cluster.Stop())
	}
	return errors.Join(errs...)
}

// setting matches one keyword and its value in a connection string (PostgreSQL
// documentation, "Keyword/Value Connection Strings").
var setting = regexp.MustCompile(`(\w+)\s*=\s*('(?:[^'\\]|\\.)*'|(?:[^\s\\]|\\.)*)`)

// Describe describes the database of a connection string. It shows only parts
// that are known not to be secret, and nothing of a string that it cannot parse.
// Keywords other than database, host, port and user are left out.
func Describe(dsn string) string {
	shown := map[string]string{}
	if u, err := url.Parse(dsn); err == nil && strings.HasPrefix(u.Scheme, "postgres") {
		shown = map[string]string{"host": u.Hostname(), "port": u.Port(), "dbname": strings.TrimPrefix(u.Path, "/"), "user": u.User.Username()}
	} else {
		for _, match := range setting.FindAllStringSubmatch(dsn, -1) {
			shown[match[1]] = strings.Trim(match[2], "'")
		}
	}
	text := "PostgreSQL"
	for _, part := range []struct{ before, key string }{{" database ", "dbname"}, {" on ", "host"}, {" port ", "port"}, {" as ", "user"}} {
		if shown[part.key] != "" {
			text += part.before + shown[part.key]
		}
	}
	return text
}

// password matches the keyword in a connection string of either form.
var password = regexp.MustCompile(`(?i)password\s*=`)

// HasPassword reports whether a connection string contains a password. In doubt
// it reports one.
func HasPassword(dsn string) bool {
	if password.MatchString(dsn) {
		return true
	}
	u, err := url.Parse(dsn)
	if err != nil {
		return strings.Contains(dsn, "://") // not parseable; assume the worst
	}
	_, has := u.User.Password()
	return has
}
