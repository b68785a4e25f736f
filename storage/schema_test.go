package storage_test

import (
	"errors"
	"fmt"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// newer is a schema version of the future, and expand what its migration does without
// keeping an older server from its work.
const (
	newer  = storage.SchemaVersion + 1
	expand = `create table shelves (chain id not null, id id not null, primary key (chain, id)); call raise_wall('shelves');
		grant select, insert on shelves to alkalog_server; alter table salons add column shelf text;
		create or replace function note_uses() returns trigger language plpgsql set search_path = alkalog, pg_temp as $$ begin return null; end $$;`
)

// migrated notes that a migration of the future was applied.
func migrated(least int64) string {
	return fmt.Sprintf("insert into goose_db_version (version_id, is_applied) values (%d, true); update schema_compatibility set min_server_schema = greatest(%d, min_server_schema)", newer, least)
}

// TestServersOutliveAMigrationThatAdds: a server that runs while the schema is
// migrated works on, and so does one that starts later; what it knows must be there.
func TestServersOutliveAMigrationThatAdds(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	running := d.Open(t, storage.Config{})
	owner := d.SQL(t, storage.RoleOwner)
	do(t, owner, expand)
	do(t, owner, migrated(storage.SchemaVersion))
	started := d.Open(t, storage.Config{})
	for name, db := range map[string]*storage.DB{"running": running, "started": started} {
		if _, err := openSalon(t.Context(), db, salonRequest(name)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if err := db.Probe(t.Context()); err != nil {
			t.Errorf("%s, probed: %v", name, err)
		}
	}
	do(t, d.SQL(t, localpg.Superuser), "alter table decisions disable trigger refuse_change")
	_, err := storage.Open(t.Context(), storage.Config{DSN: d.DSN(storage.RoleServer)})
	if guards := new(storage.GuardsError); !errors.As(err, &guards) || len(guards.Gaps) != 1 {
		t.Errorf("without a guard: %v", err)
	}
}

// TestServersBelowTheMinimumDoNotWrite: the database refuses a server that is too old
// from the very next transaction, whatever that server has noticed; reads go on.
func TestServersBelowTheMinimumDoNotWrite(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	known := salonRequest("harbour")
	if _, err := openSalon(t.Context(), db, known); err != nil {
		t.Fatal(err)
	}
	do(t, d.SQL(t, storage.RoleOwner), migrated(newer))
	_, opened := storage.Open(t.Context(), storage.Config{DSN: d.DSN(storage.RoleServer)})
	_, led := storage.AcquireLease(t.Context(), db, time.Second, "test")
	_, written := openSalon(t.Context(), db, salonRequest("quay"))
	for what, err := range map[string]error{"write": written, "probe": db.Probe(t.Context()), "lead": led, "open": opened} {
		schema := new(storage.SchemaError)
		if !errors.As(err, &schema) || schema.Least != newer || schema.Want != storage.SchemaVersion || !errors.Is(err, storage.ErrUnavailable) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if got := count(t, d.SQL(t, localpg.Superuser)); got != (counted{1, 1, 1}) {
		t.Errorf("rows are %+v, want one of each", got)
	}
	err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
		_, err := storage.Salons.GetUnchecked(s, "chains/"+chain+"/salons/harbour")
		return err
	})
	if err != nil {
		t.Errorf("a read: %v", err)
	}
}

// TestMinimumIsRaisedByFinishing: a new database has no older servers; one that was
// migrated may have some until that is said to be over.
func TestMinimumIsRaisedByFinishing(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	if got := db.MinimumSchema(); got != storage.SchemaVersion {
		t.Errorf("a new database: %d", got)
	}
	do(t, d.SQL(t, storage.RoleOwner), "update schema_compatibility set min_server_schema = 18")
	if err := storage.Migrate(t.Context(), d.DSN(storage.RoleMigrator)); err != nil {
		t.Fatal(err)
	}
	db = d.Open(t, storage.Config{})
	if got := db.MinimumSchema(); got != 18 {
		t.Errorf("migrated again: %d", got)
	}
	if err := storage.FinishMigration(t.Context(), d.DSN(storage.RoleMigrator)); err != nil {
		t.Fatal(err)
	}
	if err := db.Probe(t.Context()); err != nil || db.MinimumSchema() != storage.SchemaVersion {
		t.Errorf("finished: %d, %v", db.MinimumSchema(), err)
	}
	do(t, d.SQL(t, storage.RoleOwner), "delete from goose_db_version where version_id = (select max(version_id) from goose_db_version)")
	schema := new(storage.SchemaError)
	if err := storage.FinishMigration(t.Context(), d.DSN(storage.RoleMigrator)); !errors.As(err, &schema) || schema.Have >= schema.Want {
		t.Errorf("finished too early: %v", err)
	}
}

// contracting finds statements of a migration that can break the statements of a server
// that was written before it.
var contracting = regexp.MustCompile(`(?is)\bdrop\s+(table|column|function|procedure|sequence|policy|trigger|index|constraint|domain|schema|type|not\s+null|default)\b|\brename\b|` +
	`\bset\s+not\s+null\b|\badd\s+(column\s+)?\w+\s+[^,;]*\bnot\s+null\b[^,;]*|\badd\s+(constraint|check|unique|primary|foreign)\b|\bcreate\s+unique\s+index\b|` +
	`\bcreate\s+(or\s+replace\s+)?(constraint\s+)?trigger\b|\bcreate\s+or\s+replace\s+(function|procedure)\b|\balter\s+column\s+\w+\s+(set\s+data\s+)?type\b|\brevoke\b|\btruncate\b|\bdelete\s+from\b`)

// raising finds the statement by which a migration raises the minimum.
var raising = regexp.MustCompile(`(?i)update\s+schema_compatibility\s+set\s+min_server_schema\s*=\s*(\d+)`)

// compatible is a comment by which a migration says why a statement breaks no older
// server. It is on the line of the statement.
const compatible = "-- older servers:"

// breaks returns what in a migration can break an older server without being
// explained.
func breaks(sql string) []string {
	var lines, found []string
	var made []string
	for line := range strings.Lines(sql) {
		if m := regexp.MustCompile(`(?i)create table (\w+)`).FindStringSubmatch(line); m != nil {
			made = append(made, m[1])
		}
		if !strings.Contains(line, compatible) {
			line, _, _ = strings.Cut(line, "--")
			lines = append(lines, line)
		}
	}
	for statement := range strings.SplitSeq(strings.Join(lines, "\n"), ";") {
		onNewTable := false
		for _, table := range made {
			onNewTable = onNewTable || regexp.MustCompile(`(?i)\b(on|table)\s+`+table+`\b`).MatchString(statement)
		}
		for _, hit := range contracting.FindAllString(statement, -1) {
			if withDefault := regexp.MustCompile(`(?i)^add\b.*\bdefault\b`).MatchString(hit); !onNewTable && !withDefault {
				found = append(found, strings.Join(strings.Fields(hit), " "))
			}
		}
	}
	return found
}

// TestMigrationsExpandFirst reads the migrations: one that can break the statements of
// an older server raises the minimum, at most to its own version and never down.
func TestMigrationsExpandFirst(t *testing.T) {
	t.Parallel()
	files, err := os.ReadDir("migrations")
	if err != nil {
		t.Fatal(err)
	}
	least := int64(18)
	for _, f := range files {
		number, _, _ := strings.Cut(f.Name(), "_")
		n, err := strconv.ParseInt(number, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile("migrations/" + f.Name())
		if err != nil {
			t.Fatal(err)
		}
		raised := raising.FindStringSubmatch(string(text))
		if raised == nil {
			if found := breaks(string(text)); n > least && len(found) > 0 {
				t.Errorf("%s can break older servers: %q. Only add now and take away in a later migration, "+
					"which raises min_server_schema; or say in a comment on that line, after %q, why it breaks none", f.Name(), found, compatible)
			}
			continue
		}
		to, err := strconv.ParseInt(raised[1], 10, 64)
		if err != nil || to <= least || to > n {
			t.Errorf("%s raises the minimum from %d to %s", f.Name(), least, raised[1])
		}
		least = to
	}
}

// TestMigrationRuleBites: what breaks an older server is found, what does not is left.
func TestMigrationRuleBites(t *testing.T) {
	t.Parallel()
	for sql, want := range map[string]int{
		"alter table salons drop column etag;":                                                                        1,
		"alter table salons rename column etag to tag;":                                                               1,
		"alter table salons\n\tadd column a text,\n\tadd column b bigint not null;":                                   1,
		"alter table salons\n\tadd column a text,\n\tadd column b bigint not null default 0;":                         0,
		"alter table salons alter column shelf set not null;":                                                         1,
		"create unique index x on salons (chain, shelf);":                                                             1,
		"create unique index x on salons (chain, shelf); -- older servers: never write shelf":                         0,
		"revoke update on salons from alkalog_server;":                                                                1,
		"create trigger x before insert on salons for each row execute function f();":                                 1,
		"create table a (chain id not null);\ncreate trigger x before insert on a for each row execute function f();": 0,
		"create index x on salons (chain, shelf);\n-- drop table salons;":                                             0,
		"create or replace function refuse_change() returns trigger language plpgsql as $$ begin end $$;":             1,
		"alter table salons alter column shelf type bigint;":                                                          1,
	} {
		if got := breaks(sql); len(got) != want {
			t.Errorf("%s: found %q, want %d", sql, got, want)
		}
	}
}
