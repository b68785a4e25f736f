package storage

import (
	"context"
	"fmt"
	"strings"
)

// IsolationError says that the database does not keep the chains apart as this
// program relies on, or would not keep this program to it.
type IsolationError struct {
	// Gaps says what is wrong, in plain words.
	Gaps []string
}

// Error says what is wrong and which command mends most of it.
func (e *IsolationError) Error() string {
	return "storage: the database does not keep the chains apart: " + strings.Join(e.Gaps, "; ") +
		": run `server migrate` and connect as " + RoleServer
}

// Unwrap makes it an ErrUnavailable.
func (e *IsolationError) Unwrap() error { return ErrUnavailable }

// isolationGapsQuery looks for everything by which a chain's rows could be reached from
// another: a table without its wall, a policy or a view that we do not know, a
// function with its owner's rights, a role that steps over walls; and triggers that
// a temporary table could mislead.
const isolationGapsQuery = `with me as (
	select rolname, oid, rolsuper, rolbypassrls from pg_roles where rolname in (session_user, current_user)
), tables as (
	select c.oid, c.relname, c.relowner, c.relrowsecurity and c.relforcerowsecurity as walled from pg_class c
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
union all select 'table ' || relname || ' has no wall' from tables where not walled
	or not exists (select from policies where tablename = relname and policyname = 'of_the_chain' and own and roles = '{public}' and cmd = 'ALL')
union all select 'policy ' || policyname || ' on ' || tablename || ' is not one of ours' from policies where permissive = 'PERMISSIVE'
	and not (policyname = 'of_the_chain' and own) and not (policyname = 'of_the_keeper' and roles = '{` + RoleKeeper + `}')
union all select distinct 'everybody may take advisory locks and so stop every write (migrate as a superuser, who can take that right away)' from pg_proc
	where pronamespace = 'pg_catalog'::regnamespace and proname ~ '^pg_(try_)?advisory_' and has_function_privilege('` + RoleAuditor + `', oid, 'execute')
union all select 'the view ' || relname from pg_class where relnamespace = 'alkalog'::regnamespace and relkind in ('v', 'm')
union all select 'function ' || proname || ' runs with the rights of its owner' from pg_proc where pronamespace = 'alkalog'::regnamespace and prosecdef
union all select 'trigger function ' || proname || ' may find tables of other schemas' from pg_proc where pronamespace = 'alkalog'::regnamespace
	and prorettype = 'trigger'::regtype and not coalesce(proconfig, '{}') @> array['search_path=alkalog, pg_temp']`

// checkIsolation answers with a *IsolationError unless the walls between chains are
// there, and stand in this program's way too.
func checkIsolation(ctx context.Context, tx *transaction) error {
	var gaps []string
	if err := tx.SelectContext(ctx, &gaps, isolationGapsQuery); err != nil {
		return fmt.Errorf("storage: walls between chains: %w", explain(ctx, err))
	}
	if len(gaps) > 0 {
		return &IsolationError{Gaps: gaps}
	}
	return nil
}
