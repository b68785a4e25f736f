package storage_test

import (
	"errors"
	"flag"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

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
		"alter table decisions disable trigger refuse_change":    "missing: trigger refuse_change on decisions runs alkalog.refuse_change",
		"alter table audit_entries enable trigger refuse_change": "not one of ours: trigger refuse_change on audit_entries runs alkalog.refuse_change, type 58, not always",
		"drop trigger refuse_change on outcomes":                 "missing: trigger refuse_change on outcomes",
		"create or replace function refuse_change() returns trigger language plpgsql set search_path = alkalog, pg_temp as $$ begin return null; end $$": "not one of ours: function refuse_change",
		"create trigger also before insert on decisions for each row execute function refuse_change()":                                                   "not one of ours: trigger also on decisions",
		"create schema other; create function other.require_entry() returns trigger language plpgsql as $$ begin return null; end $$; drop trigger require_entry on overrides; create constraint trigger require_entry after insert on overrides deferrable initially deferred for each row execute function other.require_entry(); alter table overrides enable always trigger require_entry": "not one of ours: trigger require_entry on overrides runs other.require_entry",
		"drop trigger require_incident_entry on incidents; create constraint trigger require_incident_entry after insert or update of salon on incidents deferrable initially deferred for each row execute function require_incident_entry(); alter table incidents enable always trigger require_incident_entry":                                                                             "not one of ours: trigger require_incident_entry on incidents runs alkalog.require_incident_entry, type 21, of salon",
		"drop trigger require_entry on decisions; create constraint trigger require_entry after insert on decisions deferrable initially deferred for each row when (new.verdict = 'x') execute function require_entry(); alter table decisions enable always trigger require_entry":                                                                                                           "not one of ours: trigger require_entry on decisions runs alkalog.require_entry, type 5, under a condition",
		"drop index sessions_sole":                                     "missing: unique index sessions_sole",
		"alter table incidents drop constraint incidents_pkey":         "missing: unique index incidents_pkey",
		"alter table decisions add constraint more check (body <> '')": "not one of ours: constraint more on decisions",
		"alter table audit_entries set unlogged":                       "not one of ours: table audit_entries is unlogged",
		"create publication p for table client_keys":                   "not one of ours: publication p sends table client_keys",
		"create function public.other() returns void language sql security definer as 'select'; alter function public.other owner to alkalog_migrator": "not one of ours: function public.other runs with the rights of alkalog_migrator",
		"create rule keep as on delete to requests do instead nothing":                                                                                 "not one of ours: rule keep on requests",
		"grant update on decisions to alkalog_server":                                                                                                  "not one of ours: alkalog_server may update decisions",
		"grant update (body) on audit_entries to alkalog_server":                                                                                       "not one of ours: alkalog_server may update audit_entries.body",
		"grant select on decisions to alkalog_auditor":                                                                                                 "not one of ours: alkalog_auditor may select decisions",
		"grant insert on log_writes to alkalog_server":                                                                                                 "not one of ours: alkalog_server may insert log_writes",
		"grant delete on sessions to public":                                                                                                           "not one of ours: everybody may delete sessions",
		"grant create on schema alkalog to alkalog_server":                                                                                             "not one of ours: alkalog_server may create the schema",
		"grant update on sequence audit_entries_position_seq to alkalog_keeper":                                                                        "not one of ours: alkalog_keeper may update audit_entries_position_seq",
		"revoke insert on requests from alkalog_server":                                                                                                "missing: alkalog_server may insert requests",
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

// TestOpenWithAShortStatementTimeout: the checks at the start take longer than a
// statement of a call may on a busy machine; opening must not fail for that. The
// other statements are given several tries, because the machine is busy.
func TestOpenWithAShortStatementTimeout(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	var err error
	for range 50 {
		var db *storage.DB
		if db, err = storage.Open(t.Context(), storage.Config{DSN: d.DSN(storage.RoleServer), StatementTimeout: 3 * time.Millisecond}); err == nil {
			db.Close()
			return
		}
	}
	t.Error(err)
}
