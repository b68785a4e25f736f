package integration

import (
	"database/sql"
	"errors"
	"testing"

	"github.com/lib/pq"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
)

// TestRowLevelSecurity: two chains have worked; a client that logs in as the
// server or as the auditor and asks without a condition gets the rows of the
// chain that was named and no other, and none when none was named.
func TestRowLevelSecurity(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	for _, id := range []string{"ebb-and-flow", "low-tide"} {
		st := s.newFixture(t, id)
		st.signed(t, st.students(t))
		if _, err := s.sql.Exec("insert into auditor_chains values ($1, 'alkalog_auditor')", id); err != nil {
			t.Fatal(err)
		}
	}
	for _, role := range []string{storage.RoleServer, storage.RoleAuditor} {
		for _, chain := range []string{"", "ebb-and-flow", "low-tide", "nobody"} {
			pool, own := s.database.SQLIn(t, role, chain), 0
			for _, table := range s.tablesOfChains(t) {
				if n := countRows(t, pool, table+" where chain <> $1", chain); n > 0 {
					t.Errorf("%s in %q sees %d rows of %s that are another's", role, chain, n, table)
				}
				own += max(countRows(t, pool, table), 0)
			}
			if works := chain == "ebb-and-flow" || chain == "low-tide"; works != (own > 0) {
				t.Errorf("%s in %q sees %d rows", role, chain, own)
			}
		}
	}
	if n := countRows(t, s.sql, "audit_entries where kind = $1", pb.EntryKind_ENTRY_KIND_COUNTERSIGNED.String()); n != 2 {
		t.Errorf("%d signatures on the logs", n)
	}
}

// tablesOfChains are the tables with a chain.
func (s *testServer) tablesOfChains(t *testing.T) (tables []string) {
	t.Helper()
	rows, err := s.sql.Query(`select c.relname from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attname = 'chain'
		where c.relnamespace = 'alkalog'::regnamespace and c.relkind = 'r' order by 1`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var table string
		if err := rows.Scan(&table); err != nil {
			t.Fatal(err)
		}
		tables = append(tables, table)
	}
	if len(tables) < 15 {
		t.Fatalf("tables %v", tables)
	}
	return tables
}

// countRows counts the rows of a query that says what to count; -1: the role may
// not look.
func countRows(t *testing.T, pool *sql.DB, from string, args ...any) (n int) {
	t.Helper()
	err := pool.QueryRow("select count(*) from "+from, args...).Scan(&n)
	var refused *pq.Error
	if errors.As(err, &refused) && refused.Code == "42501" {
		return -1
	}
	if err != nil {
		t.Fatal(err)
	}
	return n
}
