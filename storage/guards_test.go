package storage_test

import (
	"errors"
	"flag"
	"os"
	"slices"
	"strings"
	"testing"

	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

var update = flag.Bool("update", false, "write the golden files again")

// TestGuards compares the list of triggers and privileges with what the migrations
// make.
func TestGuards(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{Inspect: true})
	if *update {
		lines, err := storage.ReadGuards(t.Context(), db)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile("guards.txt", []byte(strings.Join(lines, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if gaps, err := db.Guards(t.Context()); err != nil || len(gaps) > 0 {
		t.Errorf("%v, %v; look at them and run go test ./storage -run TestGuards -update", err, gaps)
	}
	text, err := os.ReadFile("guards.txt")
	if err != nil || strings.Contains(string(text), "everybody") {
		t.Errorf("everybody may something: %v", err)
	}
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "trigger re") && strings.Contains(line, "not always") { // refuse_ and require_
			t.Errorf("a session can be told to step over it: %s", line)
		}
	}
}

// TestOpenLooksAtGuards: a server starts only where triggers and privileges are as
// they were migrated, and says what is not.
func TestOpenLooksAtGuards(t *testing.T) {
	t.Parallel()
	for damage, want := range map[string]string{
		"alter table decisions disable trigger refuse_change":    "missing: trigger refuse_change on decisions runs refuse_change",
		"alter table audit_entries enable trigger refuse_change": "not one of ours: trigger refuse_change on audit_entries runs refuse_change, type 58, not always",
		"drop trigger refuse_change on outcomes":                 "missing: trigger refuse_change on outcomes",
		"create or replace function refuse_change() returns trigger language plpgsql set search_path = alkalog, pg_temp as $$ begin return null; end $$": "not one of ours: function refuse_change",
		"create trigger also before insert on decisions for each row execute function refuse_change()":                                                   "not one of ours: trigger also on decisions",
		"create rule keep as on delete to requests do instead nothing":                                                                                   "not one of ours: rule keep on requests",
		"grant update on decisions to alkalog_server":                                                                                                    "not one of ours: alkalog_server may update decisions",
		"grant update (body) on audit_entries to alkalog_server":                                                                                         "not one of ours: alkalog_server may update audit_entries.body",
		"grant select on decisions to alkalog_auditor":                                                                                                   "not one of ours: alkalog_auditor may select decisions",
		"grant insert on log_writes to alkalog_server":                                                                                                   "not one of ours: alkalog_server may insert log_writes",
		"grant delete on sessions to public":                                                                                                             "not one of ours: everybody may delete sessions",
		"grant create on schema alkalog to alkalog_server":                                                                                               "not one of ours: alkalog_server may create the schema",
		"grant update on sequence audit_entries_position_seq to alkalog_keeper":                                                                          "not one of ours: alkalog_keeper may update audit_entries_position_seq",
		"revoke insert on requests from alkalog_server":                                                                                                  "missing: alkalog_server may insert requests",
	} {
		t.Run(damage, func(t *testing.T) {
			t.Parallel()
			d := storagetest.NewDatabase(t)
			do(t, d.SQL(t, localpg.Superuser), damage)
			_, err := storage.Open(t.Context(), storage.Config{DSN: d.DSN(storage.RoleServer)})
			var guards *storage.GuardsError
			if !errors.As(err, &guards) || !errors.Is(err, storage.ErrUnavailable) || !slices.ContainsFunc(guards.Gaps, func(gap string) bool { return strings.HasPrefix(gap, want) }) {
				t.Errorf("got %v, want %s", err, want)
			}
			db := d.Open(t, storage.Config{Inspect: true})
			if gaps, err := db.Guards(t.Context()); err != nil || len(gaps) == 0 {
				t.Errorf("opened to look at it: %v, %v", gaps, err)
			}
		})
	}
}
