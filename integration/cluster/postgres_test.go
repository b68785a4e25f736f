package cluster

import (
	"database/sql"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/lib/pq"
)

// startPostgres starts a PostgreSQL that listens on a loopback address, with an empty
// database alkalog, and returns the address.
func startPostgres(t testing.TB) string {
	t.Helper()
	bin, dir, address := programsOfPostgres(t), sharedDir(t), freeAddress(t)
	data := filepath.Join(dir, "data")
	initdb := exec.Command(filepath.Join(bin, "initdb"), "-D", data, "-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
	initdb.Dir, initdb.SysProcAttr = dir, &syscall.SysProcAttr{Credential: ownerOf(t, dir)}
	if text, err := initdb.CombinedOutput(); err != nil {
		t.Fatalf("initdb: %v: %s", err, text)
	}
	p := startProcess(t, dir, "postgres", syscall.SIGINT, nil, filepath.Join(bin, "postgres"), "-D", data,
		"-c", "listen_addresses=127.0.0.1", "-c", "port="+port(address), "-c", "unix_socket_directories="+dir, "-c", "fsync=off")
	eventually(t, "PostgreSQL to be ready", func() bool {
		if !p.running() {
			t.Fatalf("PostgreSQL ended: %s", p.said())
		}
		db := openSQL(dsn("postgres", "postgres", address))
		defer db.Close()
		_, err := db.Exec("create database alkalog")
		return err == nil
	})
	return address
}

// openSQL opens a database for plain statements.
func openSQL(dsn string) *sql.DB {
	connector, err := pq.NewConnector(dsn)
	if err != nil {
		panic(err) // the strings are ours
	}
	return sql.OpenDB(connector)
}

// sql opens the site's database as the superuser.
func (s *site) sql(t testing.TB) *sql.DB {
	t.Helper()
	db := openSQL(s.dsn("postgres"))
	t.Cleanup(func() { db.Close() })
	return db
}

// listens reports whether somebody accepts connections at an address.
func listens(address string) bool {
	conn, err := net.Dial("tcp", address)
	if err == nil {
		conn.Close()
	}
	return err == nil
}

// page is the page whose settings and commands are tested here.
const page = "../../server/TOPOLOGIES.md"

// block returns the text of the block of the page that has a line in it.
func block(t testing.TB, line string) string {
	t.Helper()
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	for i, part := range strings.Split("\n"+string(text), "\n```") {
		if _, body, _ := strings.Cut(part, "\n"); i%2 == 1 && strings.Contains("\n"+body+"\n", "\n"+line+"\n") {
			return body + "\n"
		}
	}
	t.Fatalf("no block of %s has the line %q", page, line)
	return ""
}
