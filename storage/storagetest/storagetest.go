// Package storagetest gives every test a database of its own, on a real
// PostgreSQL.
//
// A test binary runs one private cluster, in memory where there is room, and
// migrates one database in it. Each test gets a copy of that, which takes some
// milliseconds and is dropped afterwards. A package that uses it has
//
//	func TestMain(m *testing.M) { os.Exit(storagetest.Run(m)) }
//
// so that the cluster is stopped at the end. There is no skipping: without
// PostgreSQL the tests fail.
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

// Database is one database of a cluster. It is migrated, and empty otherwise.
type Database struct {
	// Cluster is the cluster it is in; for a durable one the test's own.
	Cluster *localpg.Cluster
	// Name is the name of the database.
	Name string
	// Dir is the directory of a durable one's cluster.
	Dir string
}

// DSN is the connection string for a role.
func (d Database) DSN(role string) string { return d.Cluster.DSN(d.Name, role) }

// Open opens the database as the server does, and closes it after the test.
// The configuration may say more than nothing; the DSN is filled in.
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

// Keys are the keys that every test's database has unless it says otherwise, so
// that a database can be opened more than once.
func Keys() *keyring.Ring {
	return &keyring.Ring{Read: func() ([]string, error) { return []string{KeyLine}, nil }}
}

// KeyLine is the key file of Keys: secrets that are none.
const KeyLine = "clients 00 AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// SQL opens the database for plain statements as a role, to look at what is
// there or to do damage. As the owner nobody can log in; the migrator becomes it.
func (d Database) SQL(t testing.TB, role string) *sql.DB {
	t.Helper()
	return d.SQLIn(t, role, "")
}

// SQLIn is SQL where every statement is for a chain, by its id; empty: for none.
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

// openSQL opens a database so that statements find the tables.
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

// NewDatabase makes a database of the test's own, for a test that opens it in
// a way of its own or more than once.
func NewDatabase(t testing.TB) Database {
	t.Helper()
	return shared.database(t, template)
}

// NewUnmigrated makes a database in which nothing is yet.
func NewUnmigrated(t testing.TB) Database {
	t.Helper()
	return shared.database(t, "template0")
}

// NewDurable makes a cluster of the test's own, on disk and with every commit
// forced to it, for a test that kills or freezes it.
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

// StartDurable starts a cluster on the data in a directory, and stops it after
// the test.
func StartDurable(t testing.TB, dir string) Database {
	t.Helper()
	cluster, err := localpg.Start(t.Context(), localpg.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cluster.Stop() }) // an error if the test has killed it
	return Database{Cluster: cluster, Name: localpg.Superuser, Dir: dir}
}

// Restart stops a durable database's cluster, if it still runs, and starts it
// again with the data it has.
func (d Database) Restart(t testing.TB) Database {
	t.Helper()
	d.Cluster.Stop() // an error if the test has killed it
	return StartDurable(t, d.Dir)
}

// Run runs the tests of a package, stops the cluster if one was started, and
// returns the exit code.
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

// cluster starts when the first test wants a database.
type cluster struct {
	mu      sync.Mutex
	running bool // TestMain has called Run
	dir     string
	server  *localpg.Cluster
	admin   *sql.DB
	made    atomic.Int64 // databases so far
}

// database copies a database for a test.
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

// start starts the cluster once. Starting may fail again for each test, so
// that each says why.
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

// prepareTemplate makes and migrates the template.
func prepareTemplate(ctx context.Context, admin *sql.DB, dsn string) error {
	if _, err := admin.ExecContext(ctx, "create database "+template); err != nil {
		return err
	}
	return storage.Migrate(ctx, dsn)
}

// stop stops the cluster and removes it.
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

// joinFirst is the first error that is one.
func joinFirst(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// memory is a directory in memory with room for a cluster, or the usual one.
func memory() string {
	const dir, room = "/dev/shm", 1 << 30
	var fs syscall.Statfs_t
	if err := syscall.Statfs(dir, &fs); err != nil || fs.Bavail*uint64(fs.Bsize) < room {
		return os.TempDir()
	}
	return dir
}

// sweep removes what killed test binaries have left in a directory.
func sweep(dir string) {
	left, _ := filepath.Glob(filepath.Join(dir, "alkalog-test-*"))
	for _, old := range left {
		pid, err := strconv.Atoi(strings.Split(filepath.Base(old), "-")[2])
		if err == nil && syscall.Kill(pid, 0) == syscall.ESRCH {
			os.RemoveAll(old)
		}
	}
}

// dirPrefix marks a directory as this process's.
func dirPrefix() string { return fmt.Sprintf("alkalog-test-%d-", os.Getpid()) }
