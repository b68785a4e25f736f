package storage_test

import (
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/lib/pq"

	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// kept are the tables whose rows are never changed.
var kept = []string{"requests", "decisions", "policy_texts", "overrides", "countersignatures", "session_events", "outcomes", "audit_entries", "imported_records", "mark_sheets"}

// wantRefused fails unless the server refuses a statement for want of
// privilege.
func wantRefused(t *testing.T, pool *sql.DB, statement, why string) {
	t.Helper()
	_, err := pool.ExecContext(t.Context(), statement)
	var refused *pq.Error
	if !errors.As(err, &refused) || refused.Code != "42501" || !strings.Contains(refused.Message, why) {
		t.Errorf("%s: got %v, want 42501 %s", statement, err, why)
	}
}

// TestWhatIsOnRecordStays tries to change what was recorded, as the server and
// as the owner of the tables.
func TestWhatIsOnRecordStays(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	answer, err := openSalon(t.Context(), db, salonRequest("harbour"))
	if err != nil {
		t.Fatal(err)
	}
	server, owner, auditor := d.SQLIn(t, storage.RoleServer, chain), d.SQLIn(t, storage.RoleOwner, chain), d.SQLIn(t, storage.RoleAuditor, chain)
	if _, err := d.SQL(t, localpg.Superuser).ExecContext(t.Context(), "insert into auditor_chains values ($1, $2)", chain, storage.RoleAuditor); err != nil {
		t.Fatal(err)
	}
	for _, table := range kept {
		for _, statement := range []string{"update %s set body = ''", "update %s set chain = ''", "delete from %s", "truncate %s"} {
			statement = fmt.Sprintf(statement, table)
			if table == "requests" {
				statement = strings.Replace(statement, "body", "answer", 1)
			}
			why := "permission denied"
			if table == "requests" && strings.HasPrefix(statement, "delete") {
				why = "never changed" // not yet: see TestPurge
			}
			wantRefused(t, server, statement, why)
			wantRefused(t, owner, statement, "never changed")
			wantRefused(t, owner, "set session_replication_role = replica", "permission denied")
		}
		wantRefused(t, server, "alter table "+table+" disable trigger all", "must be owner")
		if table != "audit_entries" {
			wantRefused(t, auditor, "select from "+table, "permission denied")
		}
	}
	wantRefused(t, server, "create table more ()", "permission denied")
	wantRefused(t, server, "set role alkalog_owner", "permission denied")
	wantRefused(t, auditor, "insert into audit_entries default values", "permission denied")
	if n := rowsWhere(t, auditor, "audit_entries"); n != 1 {
		t.Errorf("the auditor sees %d entries, want 1", n)
	}
	wantOnce(t, db, server, answer)
}

// TestGrants compares what the roles may do with the rule: the server may read
// and add everywhere, and change what is mutable; the keeper writes the logs, and
// the auditor may read them.
func TestGrants(t *testing.T) {
	t.Parallel()
	pool := storagetest.NewDatabase(t).SQL(t, "postgres")
	rows, err := pool.QueryContext(t.Context(), `select c.relname, r.rolname, p.privilege
		from pg_class c, pg_roles r, unnest(array['SELECT', 'INSERT', 'UPDATE', 'DELETE', 'TRUNCATE', 'REFERENCES', 'TRIGGER']) as p (privilege)
		where c.relnamespace = 'alkalog'::regnamespace and c.relkind = 'r' and r.rolname in ('alkalog_server', 'alkalog_auditor', 'alkalog_keeper')
		and has_table_privilege(r.oid, c.oid, p.privilege) order by 1, 2, 3`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	may := map[string][]string{}
	for rows.Next() {
		var table, role, privilege string
		if err := rows.Scan(&table, &role, &privilege); err != nil {
			t.Fatal(err)
		}
		may[role+" on "+table] = append(may[role+" on "+table], privilege)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	for _, table := range []string{"audit_entries", "log_heads", "log_handovers", "log_entries", "log_tiles", "auditor_chains"} {
		what := "alkalog_auditor on " + table
		if !slices.Equal(may[what], []string{"SELECT"}) {
			t.Errorf("%s: %v", what, may[what])
		}
		delete(may, what)
	}
	for table, want := range map[string][]string{"log_heads": {"INSERT", "SELECT", "UPDATE"}, "log_handovers": {"INSERT", "SELECT", "UPDATE"},
		"log_tiles": {"INSERT", "SELECT", "UPDATE"}, "log_entries": {"INSERT", "SELECT"}, "log_leader": {"SELECT", "UPDATE"},
		"tally_queue": {"DELETE", "INSERT", "SELECT"}, "log_writes": {"INSERT", "SELECT"}, "log_baselines": {"INSERT", "SELECT"}, "log_baseline": {"SELECT"}, "schema_compatibility": {"SELECT"}, "audit_entries": {"INSERT"}, "tally_turn": {"SELECT", "UPDATE"}, "tally_decisions": {"INSERT", "SELECT", "UPDATE"},
		"tally_days": {"INSERT", "SELECT", "UPDATE"}, "tally_entries": {"INSERT", "SELECT", "UPDATE"}, "tally_figures": {"INSERT", "SELECT", "UPDATE"},
		"tally_months": {"INSERT", "SELECT", "UPDATE"}, "tally_month_entries": {"INSERT", "SELECT", "UPDATE"}, "tally_month_figures": {"INSERT", "SELECT", "UPDATE"}} {
		what := "alkalog_keeper on " + table
		if !slices.Equal(may[what], want) {
			t.Errorf("%s: %v", what, may[what])
		}
		delete(may, what)
	}
	for what, privileges := range may {
		table, isServer := strings.CutPrefix(what, "alkalog_server on ")
		want := []string{"INSERT", "SELECT", "UPDATE"}
		switch {
		case table == "client_keys": // to be destroyed
			want = []string{"DELETE", "INSERT", "SELECT", "UPDATE"}
		case table == "client_index", table == "external_ids", table == "requests": // the latter when their time has come
			want = []string{"DELETE", "INSERT", "SELECT"}
		case table == "goose_db_version", table == "schema_compatibility", strings.HasPrefix(table, "log_"):
			want = []string{"SELECT"}
		case strings.HasPrefix(table, "tally_") && table != "tally_queue":
			want = []string{"SELECT"}
		case slices.Contains(kept, table), table == "session_uses", table == "tally_queue":
			want = []string{"INSERT", "SELECT"}
		}
		if !isServer || !slices.Equal(privileges, want) {
			t.Errorf("%s: %v, want %v", what, privileges, want)
		}
	}
	if len(may) < 14 {
		t.Errorf("%d tables seen: %v", len(may), may)
	}
}

// ofAllChains are the indexes that do not begin with the chain: the keeper of the
// logs looks for what is new in all chains at once, and so does who counts.
var ofAllChains = []string{"audit_entries_by_position", "log_heads_by_revision", "log_leader_pkey", "requests_by_position", "tally_queue_pkey", "tally_turn_pkey", "schema_compatibility_pkey"}

// TestKeysBeginWithTheChain reads the catalogue: every key and every index has
// the chain first, so that no chain's rows are found, or in the way, in
// another's.
func TestKeysBeginWithTheChain(t *testing.T) {
	t.Parallel()
	pool := storagetest.NewDatabase(t).SQL(t, "postgres")
	rows, err := pool.QueryContext(t.Context(), `select i.indexrelid::regclass::text, a.attname from pg_index i
		join pg_class c on c.oid = i.indrelid and c.relnamespace = 'alkalog'::regnamespace and c.relkind = 'r'
		join pg_attribute a on a.attrelid = i.indrelid and a.attnum = i.indkey[0]
		where c.relname <> 'goose_db_version'`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	seen := 0
	for rows.Next() {
		var index, first string
		if err := rows.Scan(&index, &first); err != nil {
			t.Fatal(err)
		}
		seen++
		if first != "chain" && !slices.Contains(ofAllChains, index) {
			t.Errorf("%s begins with %s", index, first)
		}
	}
	if err := rows.Err(); err != nil || seen < 14 {
		t.Errorf("%d indexes seen, %v", seen, err)
	}
}
