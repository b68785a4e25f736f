package faults

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"time"

	"alkalog/storage"
)

// newerSchema kills a migration at random statements and runs it again, and lets
// the schema under running servers become one that they do not know.
func newerSchema(w *world) {
	w.killMigrations()
	began := time.Now()
	w.pg().exec("update alkalog.schema_compatibility set min_server_schema = min_server_schema + 1000")
	for i, p := range w.probes {
		w.wait("writes to be refused", func() bool { return p.write(5*time.Second) != nil })
		w.wait("the server to say that the schema is the cause", func() bool {
			return p.readiness(w.servers[i].cfg.Metrics) == "schema"
		})
	}
	w.t.Logf("all servers said so after %v", time.Since(began).Round(time.Millisecond))
	before := w.pg().number("select count(*) from alkalog.requests")
	w.hold(500*time.Millisecond, 10*time.Second)
	if after := w.pg().number("select count(*) from alkalog.requests"); after != before {
		w.t.Errorf("%d writes under a schema that the servers do not know", after-before)
	}
	w.pg().exec("update alkalog.schema_compatibility set min_server_schema = min_server_schema - 1000")
	w.recovered(soonest)
}

// goldenDump is a database of the first revision, with records of all kinds.
const goldenDump = "../testdata/golden/before-revisions/database.sql.gz"

// killMigrations migrates an old database with records, and cuts the connection at a
// statement; then it migrates again. Schema and records are the same as without the
// cut.
func (w *world) killMigrations() {
	w.makeDatabase("golden", "template0")
	dump := unpacked(w, goldenDump)
	restore := exec.Command(program("psql"), "-q", "-v", "ON_ERROR_STOP=1", unmigrated(w.pg().addr(), "golden"))
	restore.Stdin = bytes.NewReader(dump)
	if out, err := restore.CombinedOutput(); err != nil {
		w.t.Fatalf("restoring %s: %v: %s", goldenDump, err, out)
	}
	wire := newProxy(w.t, w.pg().addr(), true)
	w.makeDatabase("whole", "golden")
	counted := wire.strike(anyStatement, 1<<30, 1, nil)
	if err := storage.Migrate(context.Background(), unmigrated(wire.addr(), "whole")); err != nil {
		w.t.Fatal(err)
	}
	_ = counted
	statements := 1<<30 - wire.skipped()
	want := w.contents("whole")
	tries := 3
	if w.inLongRun() {
		tries = min(25, statements)
	}
	for n := range tries {
		at := n * statements / tries
		at += w.random.IntN(max(1, statements/tries))
		w.makeDatabase("cut", "golden")
		wire.strike(anyStatement, at, 1, nil)
		err := storage.Migrate(context.Background(), unmigrated(wire.addr(), "cut"))
		wire.heal()
		wire.cut()
		if err == nil {
			w.t.Errorf("the migration was not cut at statement %d of %d", at, statements)
		}
		if err := storage.Migrate(context.Background(), unmigrated(w.pg().addr(), "cut")); err != nil {
			w.t.Errorf("cut at statement %d of %d, and again: %v", at, statements, err)
		}
		if got := w.contents("cut"); got != want {
			w.t.Errorf("cut at statement %d of %d: schema or records differ: %s", at, statements, firstDifference(got, want))
		}
	}
	w.t.Logf("a migration of %d statements was cut at %d of them", statements, tries)
}

// unmigrated is the superuser's connection string of another database.
func unmigrated(address, database string) string {
	return strings.Replace(dsnAt(superuser, address), "dbname=postgres", "dbname="+database, 1)
}

// makeDatabase makes a database, again if it is there.
func (w *world) makeDatabase(name, template string) {
	w.t.Helper()
	w.pg().exec("drop database if exists "+name+" with (force)", "create database "+name+" template "+template)
}

// unpacked reads a compressed file.
func unpacked(w *world, name string) []byte {
	w.t.Helper()
	f, err := os.Open(name)
	if err != nil {
		w.t.Fatal(err)
	}
	defer f.Close()
	reader, err := gzip.NewReader(f)
	if err != nil {
		w.t.Fatal(err)
	}
	text, err := io.ReadAll(reader)
	if err != nil {
		w.t.Fatal(err)
	}
	return text
}

// contents is schema and records of a database as text, without what says when it
// was migrated.
func (w *world) contents(database string) string {
	w.t.Helper()
	dump := exec.Command(program("pg_dump"), "--exclude-table-data=*.goose_db_version*", unmigrated(w.pg().addr(), database))
	text, err := dump.Output()
	if err != nil {
		w.t.Fatalf("%v: %v", dump, err)
	}
	var kept []string
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, `\restrict`) && !strings.HasPrefix(line, `\unrestrict`) && !strings.Contains(line, "goose_db_version_id_seq") {
			kept = append(kept, line)
		}
	}
	return strings.Join(kept, "")
}

// firstDifference shows where two texts begin to differ.
func firstDifference(a, b string) string {
	one, other := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := range min(len(one), len(other)) {
		if one[i] != other[i] {
			return fmt.Sprintf("line %d: %.200q, want %.200q", i+1, one[i], other[i])
		}
	}
	return fmt.Sprintf("%d lines, want %d", len(one), len(other))
}
