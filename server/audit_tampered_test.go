package main

import (
	"database/sql"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"alkalog/storage/localpg"
)

// TestTamperedDatabaseOnTheCommandLine: somebody edits search columns and deletes
// an entry in the stopped server's database. A copy from before still holds, and
// compared with the database it tells what was done; lists warn.
func TestTamperedDatabaseOnTheCommandLine(t *testing.T) {
	t.Parallel()
	data := publicDir(t)
	p := start(t, "--data-dir", data, "--address", "127.0.0.1:0")
	recalls(t, p.healthy(t), 8)
	copied := filepath.Join(t.TempDir(), "copy")
	exits := func(want int, args ...string) (out, problems string) {
		t.Helper()
		code, out, problems := command(t, args...)
		if code != want {
			t.Errorf("%s: exit code %d, want %d\n%s%s", strings.Join(args, " "), code, want, out, problems)
		}
		return out, problems
	}
	exits(0, "audit", "export", "ebb", "--address="+p.address, "--out", copied)
	p.signal(t, syscall.SIGTERM)
	live := []string{"audit", "verify", copied, "--live", "--data-dir", data}
	exits(0, live...)

	tamper(t, data, "alter table audit_entries disable trigger all",
		"update audit_entries set kind = 'ENTRY_KIND_ALARM' where id = (select id from log_entries where place = 2)")
	out, problems := exits(3, live...)
	if !strings.Contains(out, "HOLDS  "+copied) || !strings.Contains(out, "DATABASE  the search columns of 1 entries") || !strings.Contains(out, "entry 2, ") || !strings.Contains(problems, "is valid") {
		t.Errorf("edited columns:\n%s%s", out, problems)
	}
	exits(3, "audit", "export", "ebb", "--data-dir", data, "--out", filepath.Join(t.TempDir(), "later"))

	tamper(t, data, "alter table log_entries disable trigger all", "alter table audit_entries disable trigger all",
		"delete from audit_entries where id = (select id from log_entries where place = 5)", "delete from log_entries where place = 5")
	if out, _ = exits(3, live...); !strings.Contains(out, "HOLDS  "+copied) || !strings.Contains(out, "entry 5, ") || !strings.Contains(out, "it is missing") {
		t.Errorf("a deleted entry:\n%s", out)
	}
	exits(0, "audit", "verify", copied)
}

// tamper runs statements on the private database in a directory as its superuser.
func tamper(t *testing.T, dir string, statements ...string) {
	t.Helper()
	cluster, err := localpg.Start(t.Context(), localpg.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("postgres", cluster.DSN("", localpg.Superuser)+" search_path=alkalog")
	if err != nil {
		t.Fatal(err)
	}
	// Who hides what he did puts the guards back.
	const guardsBack = `do $$ declare t record; begin
		for t in select tgrelid::regclass as name, tgname from pg_trigger where not tgisinternal and tgrelid::regclass::text in ('audit_entries', 'log_entries') loop
			execute format('alter table %s enable always trigger %I', t.name, t.tgname);
		end loop; end $$`
	for _, s := range append(statements, guardsBack) {
		if _, err := db.ExecContext(t.Context(), s); err != nil {
			t.Errorf("%s: %v", s, err)
		}
	}
	db.Close()
	if err := cluster.Stop(); err != nil {
		t.Fatal(err)
	}
}
