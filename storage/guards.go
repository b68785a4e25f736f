package storage

import (
	"context"
	_ "embed"
	"fmt"
	"slices"
	"strings"
)

// The guards of the records in the database are its triggers with their functions,
// unique indexes and constraints, and the privileges of roles. Somebody with superuser
// rights could disable a trigger, change a record and leave no other trace. A server
// therefore starts only if all guards are as the migrations have made them. This does
// not stop such a person, but makes the change visible.

// guardsText is what the migrations make, a line each, sorted; go test ./storage
// -run TestGuards -update writes it.
//
// guardsText lists the guards that the migrations make, one per line, sorted. Write it
// with "go test ./storage -run TestGuards -update".
//
//go:embed guards.txt
var guardsText string

// guardsQuery lists the guards of a database in the same form. A role other than ours
// may have SELECT, for a backup; row-level security keeps the rows from it. It also
// reports what should not be there at all: unlogged tables, publications, rules, and
// functions with their owner's rights.
const guardsQuery = `with tables as (
	select c.oid, c.relname, c.relowner, c.relkind, c.relacl from pg_class c
	where c.relnamespace = 'alkalog'::regnamespace and c.relkind in ('r', 'p', 'S', 'v', 'm', 'f')
), given as (
	select relname as what, relowner, a.grantee, a.privilege_type from tables,
		aclexplode(coalesce(relacl, acldefault(case relkind when 'S' then 's'::"char" else 'r'::"char" end, relowner))) a
	union all select relname || '.' || attname, relowner, a.grantee, a.privilege_type from tables
		join pg_attribute on attrelid = tables.oid, aclexplode(attacl) a
	union all select 'the schema', nspowner, a.grantee, a.privilege_type from pg_namespace, aclexplode(coalesce(nspacl, acldefault('n', nspowner))) a
		where nspname = 'alkalog'
), holders as (
	select what, privilege_type, case when grantee = 0 then 'everybody' else grantee::regrole::text end as holder from given where grantee <> relowner
)
select 'trigger ' || tgname || ' on ' || relname || ' runs ' || pronamespace::regnamespace || '.' || proname || ', type ' || tgtype
	|| coalesce((select ', of ' || string_agg(attname, ' and ' order by attnum) from pg_attribute where attrelid = tgrelid and attnum = any(tgattr::int2[])), '')
	|| case when tgqual is null then '' else ', under a condition: ' || substring(pg_get_triggerdef(pg_trigger.oid) from ' WHEN \((.*)\) EXECUTE FUNCTION ') end
	|| case when tginitdeferred then ', deferred' else '' end || case tgenabled when 'A' then ', always' else ', not always' end
	from pg_trigger join tables on tgrelid = tables.oid join pg_proc p on p.oid = tgfoid where not tgisinternal
union all select 'function ' || proname || ' ' || md5(prosrc) from pg_proc where pronamespace = 'alkalog'::regnamespace
union all select 'unique index ' || i.relname || ': ' || substring(pg_get_indexdef(i.oid) from ' ON (.*)$') || case when indisvalid then '' else ', not valid' end
	from pg_index join tables on indrelid = tables.oid join pg_class i on i.oid = indexrelid where indisunique and tables.relname <> 'goose_db_version'
union all select 'constraint ' || conname || ' on ' || relname || ': ' || pg_get_constraintdef(pg_constraint.oid)
	from pg_constraint join tables on conrelid = tables.oid where contype in ('c', 'f', 'x')
union all select 'table ' || c.relname || ' is unlogged and lost in a crash' from pg_class c join tables using (oid) where c.relpersistence <> 'p'
union all select 'publication ' || pubname || ' sends table ' || tablename || ' elsewhere' from pg_publication_tables where schemaname = 'alkalog'
union all select 'function ' || pronamespace::regnamespace || '.' || proname || ' runs with the rights of ' || proowner::regrole from pg_proc
	where prosecdef and pronamespace <> 'alkalog'::regnamespace and proowner in (select relowner from tables union select oid from pg_roles
		where rolname in ('` + RoleServer + `', '` + RoleKeeper + `', '` + RoleAuditor + `', '` + RoleMigrator + `')) and proowner not in (select oid from pg_roles where rolsuper)
union all select 'rule ' || rulename || ' on ' || relname from pg_rewrite join tables on ev_class = tables.oid where rulename <> '_RETURN'
union all select holder || ' may ' || lower(privilege_type) || ' ' || what from holders
	where holder in ('everybody', '` + RoleServer + `', '` + RoleKeeper + `', '` + RoleAuditor + `', '` + RoleMigrator + `') or privilege_type not in ('SELECT', 'USAGE')
union all select '` + RoleAuditor + ` is a member of ' || r.rolname from pg_auth_members m join pg_roles r on r.oid = m.roleid
	where m.member = '` + RoleAuditor + `'::regrole`

// GuardsError means that the guards of the records differ from those of the migrations.
// It wraps ErrUnavailable.
type GuardsError struct {
	// Gaps lists the differences.
	Gaps []string
}

// gapsShown is how many gaps the error text names. Our own choice.
const gapsShown = 10

// Error lists the first gaps and says what to do about them.
func (e *GuardsError) Error() string {
	shown := strings.Join(e.Gaps[:min(len(e.Gaps), gapsShown)], "; ")
	if more := len(e.Gaps) - gapsShown; more > 0 {
		shown += fmt.Sprintf("; and %d more", more)
	}
	return "storage: the triggers or privileges that guard the records are not as the migrations have made them: " + shown +
		": put them back, find out who has changed them, and run `alkalog audit verify --records`"
}

// Unwrap returns ErrUnavailable.
func (e *GuardsError) Unwrap() error { return ErrUnavailable }

// readGuards reads the guards of a database, sorted.
func readGuards(ctx context.Context, tx *transaction) ([]string, error) {
	var lines []string
	if err := tx.SelectContext(ctx, &lines, guardsQuery); err != nil {
		return nil, fmt.Errorf("storage: triggers and privileges: %w", explain(ctx, err))
	}
	slices.Sort(lines)
	return lines, nil
}

// guardGaps compares the guards of a database with guardsText, in both directions: a
// missing guard and an unknown trigger or privilege are both gaps. A newer schema may
// have more guards, and other functions of the same names.
func guardGaps(ctx context.Context, tx *transaction, newer bool) ([]string, error) {
	have, err := readGuards(ctx, tx)
	if err != nil {
		return nil, err
	}
	if newer {
		return missingGuards(have), nil
	}
	want := strings.Split(strings.TrimSpace(guardsText), "\n")
	var gaps []string
	for _, line := range want {
		if _, found := slices.BinarySearch(have, line); !found {
			gaps = append(gaps, "missing: "+line)
		}
	}
	for _, line := range have {
		if _, found := slices.BinarySearch(want, line); !found {
			gaps = append(gaps, "not one of ours: "+line)
		}
	}
	return gaps, nil
}

// missingGuards returns the guards of guardsText that a newer schema lacks. Of functions
// it compares the names only.
func missingGuards(have []string) []string {
	there := map[string]bool{}
	for _, line := range have {
		there[withoutDigest(line)] = true
	}
	var gaps []string
	for line := range strings.Lines(guardsText) {
		if line = strings.TrimSpace(line); !there[withoutDigest(line)] {
			gaps = append(gaps, "missing: "+line)
		}
	}
	return gaps
}

// withoutDigest returns a guard without the digest of its text, if it is a function.
func withoutDigest(guard string) string {
	if name, is := strings.CutPrefix(guard, "function "); is {
		name, _, _ = strings.Cut(name, " ")
		return "function " + name
	}
	return guard
}

// Guards returns the gaps in the guards of a database that was opened with
// Config.Inspect; none if all is well.
func (db *DB) Guards(ctx context.Context) ([]string, error) {
	tx, err := db.begin(ctx, scope{}, nil)
	if err != nil {
		return nil, err
	}
	defer tx.end()
	return guardGaps(ctx, tx, false)
}
