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

// database is the opened database, with the private cluster under it if there
// is one. The zero value is none at all, and closes without complaint.
type database struct {
	db          *storage.DB
	cluster     *localpg.Cluster // nil: the database is somebody else's
	description string           // which it is, without secrets
	ring        *keyring.Ring    // what the keys of clients are wrapped with
}

// openDatabase opens the database that cfg names, or the private one.
func openDatabase(ctx context.Context, cfg Config) (database, error) {
	if cfg.Database == "" {
		return openPrivate(ctx, cfg)
	}
	ring := cfg.clientKeys()
	db, err := storage.Open(ctx, storage.Config{DSN: cfg.Database, StateFile: cfg.StateFile, Keys: ring, MayReplay: record.MayReplay, StatementTimeout: cfg.Limits.statementTime(), Inspect: cfg.inspectOnly})
	if err != nil {
		return database{}, err
	}
	return database{db: db, description: Describe(cfg.Database), ring: ring}, nil
}

// openPrivate starts the private cluster and brings its schema up to date:
// nobody else uses it, so there is nobody to ask.
func openPrivate(ctx context.Context, cfg Config) (database, error) {
	d, err := startPrivate(ctx, cfg)
	if err != nil {
		return database{}, err
	}
	d.ring = cfg.clientKeys()
	d.db, err = storage.Open(ctx, storage.Config{DSN: d.cluster.DSN("", storage.RoleServer), Keys: d.ring, MayReplay: record.MayReplay, StatementTimeout: cfg.Limits.statementTime(), Inspect: cfg.inspectOnly})
	if err != nil {
		return database{}, errors.Join(err, d.close())
	}
	return d, nil
}

// startPrivate starts the private cluster and migrates it.
func startPrivate(ctx context.Context, cfg Config) (database, error) {
	words := slog.NewLogLogger(cfg.Logger.With("from", "postgres").Handler(), slog.LevelDebug)
	cluster, err := localpg.Start(ctx, localpg.Config{Dir: cfg.DataDir, BinDir: cfg.PGBin, Log: words.Writer()})
	if err != nil {
		return database{}, err
	}
	d := database{cluster: cluster, description: fmt.Sprintf("a private PostgreSQL %s in %s", cluster.Version(), cfg.DataDir)}
	if err := storage.Migrate(ctx, cluster.DSN("", "")); err != nil {
		return database{}, errors.Join(err, d.close())
	}
	return d, nil
}

// Migrate brings the schema of cfg's database up to date, and returns which
// database that was.
func Migrate(ctx context.Context, cfg Config) (string, error) {
	cfg, err := cfg.complete()
	if err != nil {
		return "", err
	}
	if cfg.Database != "" {
		return Describe(cfg.Database), storage.Migrate(ctx, cfg.Database)
	}
	d, err := startPrivate(ctx, cfg)
	if err != nil {
		return "", err
	}
	return d.description, d.close()
}

// close closes the connections and then stops the cluster.
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

// gone is closed when the private cluster has ended; nil when there is none.
func (d database) gone() <-chan struct{} {
	if d.cluster == nil {
		return nil
	}
	return d.cluster.Done()
}

// reason says why the private cluster has ended.
func (d database) reason() error {
	if err := d.cluster.Err(); err != nil {
		return err
	}
	return errors.New("nobody here stopped it")
}

// setting is one keyword and its value in a connection string (PostgreSQL
// documentation, "Keyword/Value Connection Strings").
var setting = regexp.MustCompile(`(\w+)\s*=\s*('(?:[^'\\]|\\.)*'|(?:[^\s\\]|\\.)*)`)

// Describe says which database a connection string means. It shows only what is
// known not to be secret, and nothing of a string that it does not understand.
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

// password finds one in a connection string of either form.
var password = regexp.MustCompile(`(?i)password\s*=`)

// HasPassword reports whether a connection string brings a password along.
func HasPassword(dsn string) bool {
	if password.MatchString(dsn) {
		return true
	}
	u, err := url.Parse(dsn)
	if err != nil {
		return strings.Contains(dsn, "://") // it cannot be understood
	}
	_, has := u.User.Password()
	return has
}
