package storage_test

import (
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/lib/pq"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// chainTables are the tables with a chain, each with its columns that can be written
// and a value for each, read from the catalogue.
func chainTables(t *testing.T, super *sql.DB) map[string]map[string]string {
	t.Helper()
	rows, err := super.QueryContext(t.Context(), `select c.relname, a.attname, format_type(coalesce(nullif(y.typbasetype, 0), a.atttypid), null)
		from pg_class c join pg_attribute a on a.attrelid = c.oid join pg_type y on y.oid = a.atttypid
		where c.relnamespace = 'alkalog'::regnamespace and c.relkind in ('r', 'p') and a.attnum > 0 and not a.attisdropped and a.attidentity = '' and a.attgenerated = ''
		and exists (select from pg_attribute k where k.attrelid = c.oid and k.attname = 'chain' and not k.attisdropped)`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	values := map[string]string{"text": "'x'", "bytea": "sha256('x')", "bigint": "1", "integer": "1", "smallint": "1", "boolean": "true",
		"timestamp with time zone": "now()", "date": "now()", "text[]": "array['x']", "double precision": "1"}
	tables := map[string]map[string]string{}
	for rows.Next() {
		var table, column, kind string
		if err := rows.Scan(&table, &column, &kind); err != nil {
			t.Fatal(err)
		}
		if values[kind] == "" {
			t.Fatalf("%s.%s is of type %s: add a value for it", table, column, kind)
		}
		if tables[table] == nil {
			tables[table] = map[string]string{}
		}
		tables[table][column] = values[kind]
	}
	if err := rows.Err(); err != nil || len(tables) < 15 {
		t.Fatalf("%d tables, %v", len(tables), err)
	}
	return tables
}

// insertRow is the statement that inserts a row of a chain.
func insertRow(table, chain string, values map[string]string) string {
	columns, list := []string{"chain"}, []string{pq.QuoteLiteral(chain)}
	for column, value := range values {
		if column != "chain" {
			columns, list = append(columns, column), append(list, value)
		}
	}
	return fmt.Sprintf("insert into %s (%s) values (%s)", table, strings.Join(columns, ", "), strings.Join(list, ", "))
}

// TestEveryTableHasItsPolicy reads the catalogue: a table with a chain and without
// row-level security fails here.
func TestEveryTableHasItsPolicy(t *testing.T) {
	t.Parallel()
	super := storagetest.NewDatabase(t).SQL(t, localpg.Superuser)
	for table := range chainTables(t, super) {
		n := rowsWhere(t, super, "pg_class where oid = $1::regclass and relrowsecurity and relforcerowsecurity", table)
		of := rowsWhere(t, super, "pg_policies where tablename = $1 and policyname = 'of_the_chain' and cmd = 'ALL' and roles = '{public}'", table)
		if n != 1 || of != 1 {
			t.Errorf("%s: no forced row-level security policy; its migration must call raise_wall", table)
		}
	}
	// What has no chain has nothing of one.
	rest := rowsWhere(t, super, `pg_class c where relnamespace = 'alkalog'::regnamespace and relkind in ('r', 'p') and relname not in ('goose_db_version', 'schema_compatibility', 'log_leader', 'tally_turn')
		and not exists (select from pg_attribute k where k.attrelid = c.oid and k.attname = 'chain' and not k.attisdropped)`)
	if rest != 0 {
		t.Errorf("%d more tables have no chain: say here why not", rest)
	}
}

// denied reports whether a statement had no effect: it was refused, or there was
// nothing to do it to.
func denied(t *testing.T, pool *sql.DB, statement string) bool {
	t.Helper()
	result, err := pool.ExecContext(t.Context(), statement)
	var refused *pq.Error
	switch {
	case errors.As(err, &refused):
		return refused.Code == "42501"
	case err != nil:
		t.Fatal(err)
	}
	n, err := result.RowsAffected()
	return err == nil && n == 0
}

// TestPlainSQLIsConfinedToItsChain goes round the program: statements of the roles,
// on every table, without a chain, with an empty one and with another. Rows of
// two chains are there; a superuser sees both, which is stated and not hidden.
func TestPlainSQLIsConfinedToItsChain(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	super := d.SQL(t, localpg.Superuser)
	tables := chainTables(t, super)
	for table, values := range tables {
		do(t, super, "alter table "+table+" disable trigger user")
		do(t, super, insertRow(table, "harbour", values))
		do(t, super, insertRow(table, "low-tide", values))
	}
	do(t, super, "delete from auditor_chains")
	for _, chain := range []string{"harbour", "low-tide"} {
		do(t, super, "insert into auditor_chains values ('"+chain+"', 'alkalog_auditor')")
	}
	before := everything(t, super, tables)
	for _, role := range []string{storage.RoleServer, storage.RoleAuditor, storage.RoleOwner} {
		for what, set := range map[string]string{"no chain": "", "an empty chain": "''", "another chain": "elsewhere", "a quoted one": "$$'harbour$$"} {
			pool := d.SQLIn(t, role, set)
			for table, values := range tables {
				t.Run(fmt.Sprintf("%s, %s, %s", role, what, table), func(t *testing.T) {
					seesOf(t, pool, table, 0)
					writesNothing(t, pool, table, values)
				})
			}
		}
		own := d.SQLIn(t, role, "harbour")
		for table, values := range tables {
			seesOf(t, own, table, 1)
			if seen := selected(t, own, table+" where chain = 'low-tide'"); seen > 0 {
				t.Errorf("%s in a chain sees %d rows of another's %s", role, seen, table)
			}
			if statement := insertRow(table, "low-tide", values); !denied(t, own, statement) {
				t.Errorf("%s in a chain: %s was done", role, statement)
			}
			for _, statement := range []string{"update %s set chain = chain where chain = 'low-tide'", "delete from %s where chain = 'low-tide'", "update %s set chain = 'low-tide'"} {
				if statement = fmt.Sprintf(statement, table); !denied(t, own, statement) {
					t.Errorf("%s in a chain: %s was done", role, statement)
				}
			}
		}
	}
	if after := everything(t, super, tables); after != before {
		t.Errorf("rows were\n%s\nand are\n%s", before, after)
	}
	for table := range tables {
		if seen := selected(t, super, table); seen != 2 {
			t.Errorf("a superuser sees %d rows of %s", seen, table)
		}
	}
	wantRefused(t, d.SQLIn(t, storage.RoleServer, "harbour row_security=off"), "select from salons", "row-level security")
}

// seesOf fails unless a role sees so many rows of a table, or may not look.
func seesOf(t *testing.T, pool *sql.DB, table string, want int) {
	t.Helper()
	if seen := selected(t, pool, table); seen != want && seen >= 0 {
		t.Errorf("%d rows of %s are seen, want %d", seen, table, want)
	}
}

// selected counts rows; -1: the role may not look.
func selected(t *testing.T, pool *sql.DB, from string) int {
	t.Helper()
	n := 0
	err := pool.QueryRowContext(t.Context(), "select count(*) from "+from).Scan(&n)
	var refused *pq.Error
	if errors.As(err, &refused) && refused.Code == "42501" {
		return -1
	}
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// writesNothing fails if a role changes anything of any chain.
func writesNothing(t *testing.T, pool *sql.DB, table string, values map[string]string) {
	t.Helper()
	for _, statement := range []string{insertRow(table, "harbour", values), insertRow(table, "", values), insertRow(table, "third", values),
		"update " + table + " set chain = 'third'", "delete from " + table, insertRow(table, "harbour", values) + " on conflict do nothing"} {
		if !denied(t, pool, statement) {
			t.Errorf("%s was done", statement)
		}
	}
}

// everything is a digest of all rows of the tables, a line each.
func everything(t *testing.T, super *sql.DB, tables map[string]map[string]string) string {
	t.Helper()
	var lines []string
	for table := range tables {
		var line string
		err := super.QueryRowContext(t.Context(), fmt.Sprintf("select '%[1]s ' || count(*) || ' ' || md5(string_agg(r::text, '|' order by r::text)) from %[1]s r", table)).Scan(&line)
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, line)
	}
	slices.Sort(lines)
	return strings.Join(lines, "\n")
}

// do runs a statement.
func do(t *testing.T, pool *sql.DB, statement string) {
	t.Helper()
	if _, err := pool.ExecContext(t.Context(), statement); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}

// TestAuditorSeesAdmittedChainsOnly: somebody who logs in to look at the logs can
// name any chain, and sees one that they were admitted to.
func TestAuditorSeesAdmittedChainsOnly(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	for _, chain := range []string{"harbour", "low-tide"} {
		if err := storage.AppendEntries(t.Context(), db, chain, &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: at(1)}); err != nil {
			t.Fatal(err)
		}
	}
	auditor := func(chain string) int { return selected(t, d.SQLIn(t, storage.RoleAuditor, chain), "audit_entries") }
	if n := auditor("harbour"); n != 0 {
		t.Errorf("an auditor admitted to nothing sees %d entries", n)
	}
	do(t, super, "insert into auditor_chains values ('harbour', 'alkalog_auditor'), ('low-tide', 'somebody_else')")
	if own, other := auditor("harbour"), auditor("low-tide"); own != 1 || other != 0 {
		t.Errorf("admitted to one chain, an auditor sees %d entries of it and %d of another", own, other)
	}
}

// TestScopeEndsWithItsTransaction uses one connection for everything: after a
// commit, a rollback, an error of the database, a panic and a refused scope it
// is nobody's, and the next transaction sees its own chain alone.
func TestScopeEndsWithItsTransaction(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{MaxConns: 1})
	own := func(chain string) error {
		req := salonRequest(storage.NewID())
		req.Parent = "chains/" + chain
		_, err := storage.Write(t.Context(), db, chain, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
			return newSalon(s, req)
		})
		return err
	}
	for name, use := range map[string]func() error{
		"a write": func() error { return own("harbour") },
		"a read that panics": func() (err error) {
			defer func() { err = fmt.Errorf("%v", recover()) }()
			return storage.Read(t.Context(), db, "harbour", func(*storage.Snapshot) error { panic("on purpose") })
		},
		"a write that panics": func() (err error) {
			defer func() { err = fmt.Errorf("%v", recover()) }()
			_, err = storage.Write(t.Context(), db, "harbour", salonRequest("x"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) { panic("on purpose") })
			return err
		},
		"a read that fails": func() error {
			return storage.Read(t.Context(), db, "harbour", func(*storage.Snapshot) error { return errors.New("on purpose") })
		},
		"a write that is refused by the database": func() error {
			return storage.AppendEntries(t.Context(), db, "harbour", &pb.AuditEntry{Name: "chains/harbour/entries/e", RecordTime: at(1), Summary: strings.Repeat("x", 70000)})
		},
		"the keeper": func() error { _, _, err := storage.ListChains(t.Context(), db, storage.Page{}); return err },
	} {
		t.Run(name, func(t *testing.T) {
			if err := errors.Join(own("harbour"), own("low-tide")); err != nil {
				t.Fatal(err)
			}
			reported := use()
			if after, err := storage.OutOfScope(t.Context(), db); err != nil || after.Chain != "" || after.Role != storage.RoleServer || len(after.Sees) > 0 {
				t.Errorf("after it (%v): %+v, %v", reported, after, err)
			}
			for _, chain := range []string{"low-tide", "harbour"} {
				if in, err := storage.InScope(t.Context(), db, chain); err != nil || in.Chain != chain || !slices.Equal(in.Sees, []string{chain}) {
					t.Errorf("in %s after it: %+v, %v", chain, in, err)
				}
			}
			for _, chain := range []string{"", "nobody", "HARBOUR", "harbour'; reset role; --", "harbour\x00", "%"} {
				if in, err := storage.InScope(t.Context(), db, chain); err != nil || len(in.Sees) > 0 {
					t.Errorf("in %q after it: %+v, %v", chain, in, err)
				}
			}
		})
	}
}

// TestRefusedScopeLeavesNothingOpen: a keeper's transaction that may not begin
// leaves its connection as it was.
func TestRefusedScopeLeavesNothingOpen(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDurable(t) // roles are the cluster's
	db := d.Open(t, storage.Config{MaxConns: 1})
	do(t, d.SQL(t, localpg.Superuser), "revoke alkalog_keeper from alkalog_server")
	if _, _, err := storage.ListChains(t.Context(), db, storage.Page{}); err == nil {
		t.Error("the chains are listed without the keeper's role")
	}
	if _, err := openSalon(t.Context(), db, salonRequest("harbour")); err != nil {
		t.Errorf("and then: %v", err)
	}
}

// TestChainsShareConnections has many chains at once on two connections.
func TestChainsShareConnections(t *testing.T) {
	t.Parallel()
	db := storagetest.NewDatabase(t).Open(t, storage.Config{MaxConns: 2})
	var wg sync.WaitGroup
	for i := range 12 {
		chain := fmt.Sprintf("chain-%d", i)
		wg.Go(func() {
			for range 10 {
				req := salonRequest(storage.NewID())
				req.Parent = "chains/" + chain
				_, err := storage.Write(t.Context(), db, chain, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
					return newSalon(s, req)
				})
				in, seen := storage.InScope(t.Context(), db, chain)
				if err != nil || seen != nil || !slices.Equal(in.Sees, []string{chain}) {
					t.Errorf("%s: %v, %v, %+v", chain, err, seen, in)
				}
			}
		})
	}
	wg.Wait()
}

// TestOpenRefusesGaps breaks the row-level security policies one by one: the server does not start.
func TestOpenRefusesGaps(t *testing.T) {
	t.Parallel()
	const mine = "chain = nullif(current_setting('alkalog.chain', true), '')"
	for statement, gap := range map[string]string{
		"alter table salons no force row level security":                                                         "table salons has no row-level security policy",
		"alter table salons disable row level security":                                                          "table salons has no row-level security policy",
		"drop policy of_the_chain on salons":                                                                     "table salons has no row-level security policy",
		"alter policy of_the_chain on salons using (true) with check (true)":                                     "table salons has no row-level security policy",
		"alter policy of_the_chain on salons using (" + mine + " or true)":                                       "table salons has no row-level security policy",
		"alter policy of_the_chain on salons with check (true)":                                                  "table salons has no row-level security policy",
		"alter policy of_the_chain on salons to alkalog_auditor":                                                 "table salons has no row-level security policy",
		"alter function require_entry() reset search_path":                                                       "trigger function require_entry may find tables of other schemas",
		"create table more (chain id)":                                                                           "table more has no row-level security policy",
		"create policy wide on salons using (true)":                                                              "policy wide on salons is not one of ours",
		"create policy of_the_keeper on salons to alkalog_server using (true)":                                   "policy of_the_keeper on salons is not one of ours",
		"create view beyond as select * from salons":                                                             "the view beyond",
		"create materialized view beyond as select * from salons":                                                "the view beyond",
		"create function beyond() returns bigint language sql security definer as 'select count(*) from salons'": "function beyond runs with the rights of its owner",
	} {
		t.Run(statement, func(t *testing.T) {
			t.Parallel()
			d := storagetest.NewDatabase(t)
			do(t, d.SQL(t, localpg.Superuser), statement)
			_, err := storage.Open(t.Context(), storage.Config{DSN: d.DSN(storage.RoleServer)})
			var gaps *storage.IsolationError
			if !errors.As(err, &gaps) || !strings.Contains(err.Error(), gap) || !errors.Is(err, storage.ErrUnavailable) {
				t.Errorf("got %v, want %s", err, gap)
			}
		})
	}
}

// TestOpenRefusesRoles that row-level security does not apply to.
func TestOpenRefusesRoles(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDurable(t) // roles are the cluster's
	super := d.SQL(t, localpg.Superuser)
	refused := func(role, gap string) {
		t.Helper()
		_, err := storage.Open(t.Context(), storage.Config{DSN: d.DSN(role)})
		if err == nil || !strings.Contains(err.Error(), gap) {
			t.Errorf("as %s: got %v, want %s", role, err, gap)
		}
	}
	refused(localpg.Superuser, "role postgres is a superuser or has BYPASSRLS")
	for _, c := range []struct{ do, gap, undo string }{
		{"alter role alkalog_server superuser", "is a superuser or has BYPASSRLS", "alter role alkalog_server nosuperuser"},
		{"alter role alkalog_server bypassrls", "is a superuser or has BYPASSRLS", "alter role alkalog_server nobypassrls"},
		{"grant alkalog_owner to alkalog_server", "may become the owner of tables", "revoke alkalog_owner from alkalog_server"},
		{"grant alkalog_migrator to alkalog_server", "may become the owner of tables", "revoke alkalog_migrator from alkalog_server"},
		{"alter role alkalog_server inherit; revoke alkalog_keeper from alkalog_server; grant alkalog_keeper to alkalog_server",
			"has the rights of alkalog_keeper", "alter role alkalog_server noinherit; revoke alkalog_keeper from alkalog_server; grant alkalog_keeper to alkalog_server"},
	} {
		do(t, super, c.do)
		refused(storage.RoleServer, c.gap)
		do(t, super, c.undo)
	}
	d.Open(t, storage.Config{})
}

// TestKeeperSeesLittle takes on the keeper's role, as the server may: of what
// salons record it sees which chains there are and what goes on their logs, and
// changes none of it.
func TestKeeperSeesLittle(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	super, keeper := d.SQL(t, localpg.Superuser), d.SQLIn(t, storage.RoleServer, "harbour role="+storage.RoleKeeper)
	own := []string{"log_", "tally_"} // what it keeps, by how the tables' names begin
	some := map[string]string{"chains": "chain, parent, id, body", "audit_entries": "chain, id, position, kind, client, body", "requests": "chain, id, position, claim_time, manifest"}
	for table, values := range chainTables(t, super) {
		if slices.ContainsFunc(own, func(prefix string) bool { return strings.HasPrefix(table, prefix) }) {
			continue
		}
		wantRefused(t, keeper, "select * from "+table, "permission denied")
		if table == "audit_entries" { // of all chains, but entries of coverage only
			wantRefused(t, d.SQLIn(t, storage.RoleServer, "'' role="+storage.RoleKeeper), insertRow(table, "harbour", values), "row-level security")
		} else {
			wantRefused(t, keeper, insertRow(table, "harbour", values), "permission denied")
		}
		wantRefused(t, keeper, "update "+table+" set chain = chain", "permission denied")
		wantRefused(t, keeper, "delete from "+table, "permission denied")
		if some[table] != "" {
			do(t, keeper, "select "+some[table]+" from "+table)
			continue
		}
		wantRefused(t, keeper, "select chain from "+table, "permission denied")
	}
	wantRefused(t, keeper, "select actor from audit_entries", "permission denied")
	wantRefused(t, keeper, "create table more ()", "permission denied")
}
