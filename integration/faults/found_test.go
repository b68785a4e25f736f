package faults

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"alkalog/storage"

	pb "alkalog/proto/alkalogv1"
)

// found is what is there after a run: in the tables, at the auditor's API, and by the
// commands that an auditor uses. It is kept beside the history, so that both can be
// checked again later.
type found struct {
	Requests []storedRequest `json:"requests"`
	Records  []storedRecord  `json:"records"`
	Entries  []storedEntry   `json:"entries"`
	// Listed are the names of the entries that the API lists, and Exported those in the
	// copy of the log, by chain and in order.
	Listed   map[string][]string `json:"listed"`
	Exported map[string][]string `json:"exported"`
	// Heads are the logs at the end, by chain.
	Heads map[string]storedHead `json:"heads"`
	// Commands are those that have found something, with what they printed.
	Commands map[string]string `json:"commands,omitempty"`
	// Walls are what is wrong with the isolation of the chains.
	Walls []string `json:"walls,omitempty"`
}

// storedRequest is a row of the answered requests. Tx is its transaction.
type storedRequest struct {
	Chain, ID, Tx string
	Refused       bool
}

// storedRecord is a row of a table of records, by the name of the record.
type storedRecord struct {
	Name, Table, Tx string
	Digest          []byte // SHA-256 of what is stored
	Verdict         string // of a decision
}

// storedEntry is an audit entry. Place is its place on the log; -1: it is not on it.
type storedEntry struct {
	Chain, ID, Tx string
	Place         int64
	Body          []byte
}

// storedHead is the head of a log.
type storedHead struct {
	Size   int64
	Root   []byte
	Halted string
}

// recordTables are the tables of the records that the load makes. Those whose names are
// part of other names come first.
var recordTables = []string{"clients", "consultations", "decisions", "sessions", "session_events", "outcomes", "incidents",
	"overrides", "products", "salons", "practitioners", "house_policies"}

// place is what a run is checked at, when everything works again.
type place struct {
	// targets are servers; all of them must work.
	targets []target
	// admin is the database as its superuser, which is only used to become other roles.
	admin *sql.DB
	// dsn is the connection string of the servers, and keys the directory of their keys.
	dsn, keys string
	// binary is the server program, for the commands of auditors, and settings their
	// environment.
	binary   string
	settings []string
}

// gather reads everything.
func gather(t testing.TB, dir string, chains []string, at place) found {
	t.Helper()
	f := found{Listed: map[string][]string{}, Exported: map[string][]string{}, Heads: map[string]storedHead{}, Commands: map[string]string{}}
	db := at.reader(t)
	f.readTables(t, db)
	f.readLog(t, db)
	f.readWalls(t, db, at, chains)
	for _, chain := range chains {
		f.list(t, at, "chains/"+chain)
		f.export(t, at, dir, chain)
	}
	f.run(at, "replay", "--all", "--database", at.dsn, "--keys-dir", at.keys)
	f.run(at, "audit", "verify", "--records", "--database", at.dsn, "--keys-dir", at.keys)
	if err := writeJSON(filepath.Join(dir, "found.json"), f); err != nil {
		t.Fatal(err)
	}
	return f
}

// each runs a query and hands over its rows.
func each(t testing.TB, db *sql.Conn, query string, row func(scan func(...any) error) error) {
	t.Helper()
	rows, err := db.QueryContext(t.Context(), query)
	if err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows.Scan); err != nil {
			t.Fatalf("%s: %v", query, err)
		}
	}
	if err := rows.Err(); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
}

// readTables reads requests and records.
func (f *found) readTables(t testing.TB, db *sql.Conn) {
	t.Helper()
	each(t, db, "select chain, id, xmin::text, refused from requests", func(scan func(...any) error) error {
		var r storedRequest
		err := scan(&r.Chain, &r.ID, &r.Tx, &r.Refused)
		f.Requests = append(f.Requests, r)
		return err
	})
	owners := map[string]string{} // clients of sessions and decisions, which are not in the names of what belongs to those
	for _, table := range recordTables {
		verdict := "''"
		if table == "decisions" {
			verdict = "verdict"
		}
		each(t, db, "select chain, parent, id, xmin::text, sha256(body), "+verdict+" from "+table, func(scan func(...any) error) error {
			var chain, parent, id string
			r := storedRecord{Table: table}
			err := scan(&chain, &parent, &id, &r.Tx, &r.Digest, &r.Verdict)
			r.Name = recordName(table, chain, parent, id, owners)
			f.Records = append(f.Records, r)
			return err
		})
	}
}

// recordName is the name of a record as answers have it. The owners of records are met
// before what belongs to them.
func recordName(table, chain, parent, id string, owners map[string]string) string {
	at := "chains/" + chain
	switch table {
	case "session_events":
		return owners[chain+"/sessions/"+parent] + "/events/" + id
	case "overrides":
		return owners[chain+"/decisions/"+parent] + "/overrides/" + id
	case "consultations", "decisions", "sessions", "outcomes", "incidents":
		at += "/clients/" + parent
	case "house_policies":
		return at + "/policies/" + id
	}
	name := at + "/" + table + "/" + id
	owners[chain+"/"+table+"/"+id] = name
	return name
}

// readLog reads entries, with their places, and heads. The leader makes entries of its
// own, so it reads until it finds all entries on their logs. One that never comes there is
// for the checker to report; so the wait has an end. Our own choice: several leases of a
// leader and the interval of coverage.
func (f *found) readLog(t testing.TB, db *sql.Conn) {
	t.Helper()
	eventually(20*time.Second, 50*time.Millisecond, func() bool {
		f.readEntries(t, db)
		return !slices.ContainsFunc(f.Entries, func(e storedEntry) bool { return e.Place < 0 })
	})
	each(t, db, "select chain, size, root, halted from log_heads", func(scan func(...any) error) error {
		var chain string
		var h storedHead
		err := scan(&chain, &h.Size, &h.Root, &h.Halted)
		f.Heads[chain] = h
		return err
	})
}

// readEntries reads the entries, with their places.
func (f *found) readEntries(t testing.TB, db *sql.Conn) {
	t.Helper()
	f.Entries = nil
	each(t, db, `select e.chain, e.id, e.xmin::text, coalesce(l.place, -1), e.body from audit_entries e
		left join log_entries l on l.chain = e.chain and l.id = e.id order by e.chain, l.place`, func(scan func(...any) error) error {
		var e storedEntry
		err := scan(&e.Chain, &e.ID, &e.Tx, &e.Place, &e.Body)
		f.Entries = append(f.Entries, e)
		return err
	})
}

// readWalls looks at the isolation of the chains as somebody would who reaches the
// tables as their owner: every table of chains must be behind forced row-level security,
// and in the scope of one chain no row of another may be seen.
func (f *found) readWalls(t testing.TB, db *sql.Conn, at place, chains []string) {
	t.Helper()
	var tables []string
	each(t, db, `select c.relname, c.relrowsecurity and c.relforcerowsecurity from pg_class c
		join pg_attribute a on a.attrelid = c.oid and a.attname = 'chain' and not a.attisdropped
		where c.relnamespace = 'alkalog'::regnamespace and c.relkind in ('r', 'p')`, func(scan func(...any) error) error {
		var table string
		var forced bool
		err := scan(&table, &forced)
		if tables = append(tables, table); !forced {
			f.Walls = append(f.Walls, "table "+table+" is not behind forced row-level security")
		}
		return err
	})
	owner := at.as(t, "set role "+storage.RoleOwner, "set search_path = alkalog", "set alkalog.chain = '"+chains[0]+"'")
	for _, table := range tables {
		var seen int
		err := owner.QueryRowContext(t.Context(), "select count(*) from "+table+" where chain <> $1", chains[0]).Scan(&seen)
		if err != nil && !strings.Contains(err.Error(), "permission denied") {
			t.Fatal(err)
		}
		if seen > 0 {
			f.Walls = append(f.Walls, fmt.Sprintf("table %s shows %d rows of other chains", table, seen))
		}
	}
}

// list lists the entries of a chain with the auditor's API, oldest first.
func (f *found) list(t testing.TB, at place, chain string) {
	t.Helper()
	caller := newCaller(nil, "list", time.Now(), at.targets)
	_, conn, err := caller.pick(newRandom(), "")
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	who := "role=auditor name=" + chain + "/auditors/vesna"
	for token := ""; ; {
		ctx, cancel := context.WithTimeout(identified(who), time.Minute)
		page, err := pb.NewAuditServiceClient(conn).ListEntries(ctx, &pb.ListEntriesRequest{Parent: chain, PageSize: 500, PageToken: token})
		cancel()
		if err != nil {
			f.Commands["listing the entries of "+chain] = err.Error()
			return
		}
		for _, e := range page.Entries {
			f.Listed[chain] = append(f.Listed[chain], e.Name)
		}
		if token = page.NextPageToken; token == "" {
			return
		}
	}
}

// export copies and verifies a log by the commands that an auditor uses.
func (f *found) export(t testing.TB, at place, dir, chain string) {
	t.Helper()
	out := filepath.Join(dir, "export-"+chain)
	os.RemoveAll(out) // of an earlier check of this history
	f.run(at, "audit", "export", "chains/"+chain, "--out", out, "--address", at.targets[0].Address)
	f.run(at, "audit", "verify", out)
	names, err := exportedNames(out)
	if err != nil {
		f.Commands["reading "+out] = err.Error()
	}
	f.Exported["chains/"+chain] = names
}

// run runs a command and keeps what it printed if it fails.
func (f *found) run(at place, args ...string) {
	command := exec.Command(at.binary, args...)
	command.Env = append(os.Environ(), at.settings...)
	text, err := command.CombinedOutput()
	if err != nil {
		f.Commands[strings.Join(args[:2], " ")+": "+err.Error()] = string(text)
	}
}

// reader opens the database as a role that sees the rows of all chains and can change
// nothing.
func (at place) reader(t testing.TB) *sql.Conn {
	t.Helper()
	_, err := at.admin.ExecContext(t.Context(), `do $$ begin
		create role fault_reader login bypassrls in role pg_read_all_data;
		exception when duplicate_object or unique_violation then null; -- another test made it
		end $$`)
	if err != nil {
		t.Fatal(err)
	}
	return at.as(t, "set role fault_reader", "set default_transaction_read_only = on", "set search_path = alkalog")
}

// as opens a session with settings of its own.
func (at place) as(t testing.TB, settings ...string) *sql.Conn {
	t.Helper()
	conn, err := at.admin.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		// The settings must not come back to the pool with the session.
		conn.Raw(func(any) error { return driver.ErrBadConn })
		conn.Close()
	})
	for _, setting := range settings {
		if _, err := conn.ExecContext(t.Context(), setting); err != nil {
			t.Fatalf("%s: %v", setting, err)
		}
	}
	return conn
}

// entryOf decodes a stored entry.
func (e storedEntry) entryOf() (*pb.AuditEntry, error) {
	entry := &pb.AuditEntry{}
	return entry, proto.Unmarshal(e.Body, entry)
}
