package storage

import (
	"context"
	"fmt"
	"strings"
)

// IsolationError means that row-level security in the database does not separate the
// chains, or does not apply to this program's role. It wraps ErrUnavailable.
type IsolationError struct {
	// Gaps lists what is wrong.
	Gaps []string
}

// Error lists the gaps and the command that closes most of them.
func (e *IsolationError) Error() string {
	return "storage: the database does not keep the chains apart: " + strings.Join(e.Gaps, "; ") +
		": run `alkalog migrate` and connect as " + RoleServer
}

// Unwrap returns ErrUnavailable.
func (e *IsolationError) Unwrap() error { return ErrUnavailable }

// isolationGapsQuery looks for every way by which rows of another chain could be
// reached: a table with a column chain and without its row-level security policy, a
// policy or a view that the migrations have not made, a function with its owner's
// rights, and a role that row-level security does not apply to. It also finds trigger
// functions that a temporary table could mislead, and roles that could stop every write
// with an advisory lock.
const isolationGapsQuery = `with me as (
	select rolname, oid, rolsuper, rolbypassrls from pg_roles where rolname in (session_user, current_user)
), tables as (
	select c.oid, c.relname, c.relowner, c.relrowsecurity and c.relforcerowsecurity as secured from pg_class c
	join pg_attribute a on a.attrelid = c.oid and a.attname = 'chain' and not a.attisdropped
	where c.relnamespace = 'alkalog'::regnamespace and c.relkind in ('r', 'p')
), policies as (
	select tablename, policyname, roles::text as roles, permissive, cmd,
		qual ~ 'chain.* = .*NULLIF\(current_setting\(''alkalog.chain''' and qual !~* '\mor\M' and with_check = qual as own
	from pg_policies where schemaname = 'alkalog'
)
select 'role ' || rolname || ' is a superuser or has BYPASSRLS' from me where rolsuper or rolbypassrls
union all select distinct 'role ' || rolname || ' may become the owner of tables' from me, tables
	where pg_has_role(me.oid, relowner, 'member') and not rolsuper
union all select 'role ' || rolname || ' has the rights of ` + RoleKeeper + ` without taking it on' from me
	where pg_has_role(me.oid, '` + RoleKeeper + `', 'usage') and not rolsuper
union all select 'table ' || relname || ' has no row-level security policy' from tables where not secured
	or not exists (select from policies where tablename = relname and policyname = 'of_the_chain' and own and roles = '{public}' and cmd = 'ALL')
union all select 'policy ' || policyname || ' on ' || tablename || ' is not one of ours' from policies where permissive = 'PERMISSIVE'
	and not (policyname = 'of_the_chain' and own) and not (policyname = 'of_the_keeper' and roles = '{` + RoleKeeper + `}')
union all select distinct 'everybody may take advisory locks and so stop every write (migrate as a superuser, who can take that right away)' from pg_proc
	where pronamespace = 'pg_catalog'::regnamespace and proname ~ '^pg_(try_)?advisory_' and has_function_privilege('` + RoleAuditor + `', oid, 'execute')
union all select 'the view ' || relname from pg_class where relnamespace = 'alkalog'::regnamespace and relkind in ('v', 'm')
union all select 'function ' || proname || ' runs with the rights of its owner' from pg_proc where pronamespace = 'alkalog'::regnamespace and prosecdef
union all select 'trigger function ' || proname || ' may find tables of other schemas' from pg_proc where pronamespace = 'alkalog'::regnamespace
	and prorettype = 'trigger'::regtype and not coalesce(proconfig, '{}') @> array['search_path=alkalog, pg_temp']`

// checkIsolation returns an *IsolationError unless the row-level security policies
// exist and apply to this program's role. Open calls it, so no server runs without
// them.
func checkIsolation(ctx context.Context, tx *transaction) error {
	var gaps []string
	if err := tx.SelectContext(ctx, &gaps, isolationGapsQuery); err != nil {
		return fmt.Errorf("storage: row-level security: %w", explain(ctx, err))
	}
	if len(gaps) > 0 {
		return &IsolationError{Gaps: gaps}
	}
	return nil
}
