// Package storagetest gives every test a database of its own, on a real PostgreSQL.
//
// A test binary runs one private cluster, in memory where there is room, and migrates
// one database in it. Each test gets a copy of that, which takes some milliseconds and
// is dropped afterwards. A package that uses it has
//
//	func TestMain(m *testing.M) { os.Exit(storagetest.Run(m)) }
//
// so that the cluster is stopped at the end. There is no skipping: without PostgreSQL
// the tests fail.
//
// The shared cluster runs without fsync, so a test about crashes of the database needs
// NewDurable, a cluster of its own. Tests may run in parallel; each has another
// database, and only roles are shared.
package storagetest

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"

	"github.com/lib/pq"

	"alkalog/storage"
	"alkalog/storage/keyring"
	"alkalog/storage/localpg"
)

// Database is one database of a cluster. It is migrated and has no rows.
type Database struct {
	// Cluster is the cluster of the database; for a durable one, the test's own.
	Cluster *localpg.Cluster
	// Name is the name of the database.
	Name string
	// Dir is the directory of a durable database's cluster; empty for others.
	Dir string
}

// DSN returns the connection string for a role.
func (d Database) DSN(role string) string { return d.Cluster.DSN(d.Name, role) }

// Open opens the database as the server does, and closes it after the test. It fills in
// the DSN and, if there are none, the keys of the configuration.
func (d Database) Open(t testing.TB, cfg storage.Config) *storage.DB {
	t.Helper()
	cfg.DSN = d.DSN(storage.RoleServer)
	if cfg.Keys == nil {
		cfg.Keys = Keys()
	}
	db, err := storage.Open(t.Context(), cfg)
	if err != nil {
		t.Fatalf("opening the database: %v", err)
	}
	t.Cleanup(func() { db.Close() }) // an error if the test has killed the server
	return db
}

// Keys returns the keys that every test's database has unless it says otherwise. They
// are constant, so that a database can be opened more than once.
func Keys() *keyring.Ring {
	return &keyring.Ring{Read: func() ([]string, error) { return []string{KeyLine}, nil }}
}

// KeyLine is the key file of Keys. Its secrets are all zeros and protect nothing.
const KeyLine = "clients 00 AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// SQL opens the database for plain statements as a role, to check what is stored or to
// damage it. Nobody can log in as the owner; the migrator becomes it.
func (d Database) SQL(t testing.TB, role string) *sql.DB {
	t.Helper()
	return d.SQLIn(t, role, "")
}

// SQLIn is SQL with the scope of a chain, given by its ID, for every statement; empty:
// no chain.
func (d Database) SQLIn(t testing.TB, role, chain string) *sql.DB {
	t.Helper()
	dsn := d.DSN(role)
	if role == storage.RoleOwner {
		dsn = d.DSN(storage.RoleMigrator) + " role=" + storage.RoleOwner
	}
	if chain != "" {
		dsn += " alkalog.chain=" + chain
	}
	pool, err := openSQL(dsn)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { pool.Close() })
	return pool
}

// openSQL opens a database with the search path of the tables.
func openSQL(dsn string) (*sql.DB, error) {
	connector, err := pq.NewConnector(dsn + " search_path=alkalog")
	if err != nil {
		return nil, err
	}
	return sql.OpenDB(connector), nil
}

// New opens a database of the test's own.
func New(t testing.TB) *storage.DB {
	t.Helper()
	return NewDatabase(t).Open(t, storage.Config{MaxConns: 8})
}

// NewDatabase makes a database of the test's own, for a test that opens it in another
// way or more than once.
func NewDatabase(t testing.TB) Database {
	t.Helper()
	return shared.database(t, template)
}

// NewUnmigrated makes an empty database without a schema, for tests of migrations.
func NewUnmigrated(t testing.TB) Database {
	t.Helper()
	return shared.database(t, "template0")
}

// NewDurable makes a cluster of the test's own, on disk and with fsync, for a test that
// kills or suspends it.
//
// It starts a cluster and is much slower than NewDatabase; use it only where durability
// is what is tested.
func NewDurable(t testing.TB) Database {
	t.Helper()
	d := StartDurable(t, Dir(t))
	if err := storage.Migrate(t.Context(), d.DSN(localpg.Superuser)); err != nil {
		t.Fatal(err)
	}
	return d
}

// Dir makes a directory for a cluster, and removes it after the test.
func Dir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", dirPrefix()+"*")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// StartDurable starts a cluster on the data in a directory and stops it after the test.
func StartDurable(t testing.TB, dir string) Database {
	t.Helper()
	cluster, err := localpg.Start(t.Context(), localpg.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cluster.Stop() }) // an error if the test has killed it
	return Database{Cluster: cluster, Name: localpg.Superuser, Dir: dir}
}

// Restart stops the cluster of a durable database, if it still runs, and starts it
// again on the same data. The returned value has the new cluster.
func (d Database) Restart(t testing.TB) Database {
	t.Helper()
	d.Cluster.Stop() // an error if the test has killed it
	return StartDurable(t, d.Dir)
}

// Run runs the tests of a package, stops the cluster if one was started, and returns
// the exit code. An error while stopping fails the run.
func Run(m *testing.M) int {
	shared.mu.Lock()
	shared.running = true
	shared.mu.Unlock()
	code := m.Run()
	if err := shared.stop(); err != nil {
		fmt.Fprintln(os.Stderr, "storagetest:", err)
		code = max(code, 1)
	}
	return code
}

// template is the database that is migrated once and copied for each test.
const template = "alkalog_template"

// shared is the cluster of this test binary.
var shared cluster

// cluster is a cluster that starts when the first test needs a database.
type cluster struct {
	// mu guards the start of the cluster; copies are made in parallel.
	mu      sync.Mutex
	running bool // TestMain has called Run
	dir     string
	server  *localpg.Cluster
	// admin is the superuser's connection pool, for creating and dropping databases.
	admin *sql.DB
	made  atomic.Int64 // databases so far
}

// database copies a database for a test and drops the copy afterwards, with whatever
// connections it still has.
//
// The name has a number that is never used twice, so that tests may run in parallel.
// Dropping is forced, because a test that fails can leave connections open.
func (c *cluster) database(t testing.TB, from string) Database {
	t.Helper()
	if err := c.start(t.Context()); err != nil {
		t.Fatalf("storagetest: %v", err)
	}
	d := Database{Cluster: c.server, Name: fmt.Sprintf("test_%d", c.made.Add(1))}
	create := fmt.Sprintf("create database %s template %s", d.Name, from)
	if !strings.HasPrefix(c.server.Version(), "14.") {
		create += " strategy file_copy" // the faster way, which 14 knows no name for
	}
	if _, err := c.admin.ExecContext(t.Context(), create); err != nil {
		t.Fatalf("storagetest: %v", err)
	}
	t.Cleanup(func() {
		if _, err := c.admin.Exec("drop database " + d.Name + " with (force)"); err != nil {
			t.Errorf("storagetest: %v", err)
		}
	})
	return d
}

// start starts the cluster once. If it fails, the next test tries again, so that every
// test reports the reason.
func (c *cluster) start(ctx context.Context) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.server != nil {
		return nil
	}
	if !c.running {
		return fmt.Errorf("the package needs func TestMain(m *testing.M) { os.Exit(storagetest.Run(m)) }")
	}
	sweep(memory())
	sweep(os.TempDir())
	dir, err := os.MkdirTemp(memory(), dirPrefix()+"*")
	if err != nil {
		return err
	}
	server, err := localpg.Start(context.WithoutCancel(ctx), localpg.Config{Dir: dir, Unsafe: true,
		Settings: map[string]string{"max_connections": "300"}})
	if err != nil {
		os.RemoveAll(dir)
		return err
	}
	admin, err := openSQL(server.DSN("", ""))
	if err == nil {
		err = prepareTemplate(ctx, admin, server.DSN(template, ""))
	}
	if err != nil {
		server.Stop()
		os.RemoveAll(dir)
		return err
	}
	c.dir, c.server, c.admin = dir, server, admin
	return nil
}

// prepareTemplate creates and migrates the template.
func prepareTemplate(ctx context.Context, admin *sql.DB, dsn string) error {
	if _, err := admin.ExecContext(ctx, "create database "+template); err != nil {
		return err
	}
	return storage.Migrate(ctx, dsn)
}

// stop stops the cluster and removes its directory.
func (c *cluster) stop() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.server == nil {
		return nil
	}
	c.admin.Close()
	err := c.server.Stop()
	return joinFirst(err, os.RemoveAll(c.dir))
}

// joinFirst returns the first error that is not nil.
func joinFirst(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// memory returns a directory in memory with room for a cluster (1 GiB), or else the
// directory for temporary files.
func memory() string {
	const dir, room = "/dev/shm", 1 << 30
	var fs syscall.Statfs_t
	if err := syscall.Statfs(dir, &fs); err != nil || fs.Bavail*uint64(fs.Bsize) < room {
		return os.TempDir()
	}
	return dir
}

// sweep removes the directories of test binaries that were killed: those whose process
// does not exist any more.
func sweep(dir string) {
	left, _ := filepath.Glob(filepath.Join(dir, "alkalog-test-*"))
	for _, old := range left {
		pid, err := strconv.Atoi(strings.Split(filepath.Base(old), "-")[2])
		if err == nil && syscall.Kill(pid, 0) == syscall.ESRCH {
			os.RemoveAll(old)
		}
	}
}

// dirPrefix begins the names of this process's directories, so that sweep knows whose
// they are.
func dirPrefix() string { return fmt.Sprintf("alkalog-test-%d-", os.Getpid()) }
