package storage

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"strconv"

	"github.com/lib/pq"
	"github.com/lib/pq/pqerror"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

// schema is the PostgreSQL schema that holds the tables.
const schema = "alkalog"

// SchemaVersion is the schema version that this program works with: the number of the
// last migration. A server refuses a database of another version.
const SchemaVersion int64 = 18

// The roles of the database. The roles have no passwords; the administrator of the
// database configures their login.
const (
	// RoleOwner owns the tables. It cannot log in.
	RoleOwner = "alkalog_owner"
	// RoleMigrator may become the owner, and serves only for migrations.
	RoleMigrator = "alkalog_migrator"
	// RoleServer works on one chain at a time, and has no privilege to change a record that
	// must stay as it is.
	RoleServer = "alkalog_server"
	// RoleKeeper is taken on by the server for what concerns all chains: it sees which chains
	// exist and maintains their logs and counters. It cannot log in.
	RoleKeeper = "alkalog_keeper"
	// RoleAuditor reads the audit logs of the chains that it was admitted to.
	RoleAuditor = "alkalog_auditor"
)

//go:embed migrations/*.sql
var migrations embed.FS

// SchemaError means that the schema version of the database is not this program's. It
// wraps ErrUnavailable.
type SchemaError struct {
	// Have is the version of the database; 0 if it has no schema.
	Have int64
	// Want is SchemaVersion.
	Want int64
}

// Error names both versions and says what to do.
func (e *SchemaError) Error() string {
	mend := "run `server migrate` first"
	if e.Have > e.Want {
		mend = "use a newer server"
	}
	return fmt.Sprintf("storage: the database has schema version %d, this server works with version %d: %s", e.Have, e.Want, mend)
}

// Unwrap returns ErrUnavailable.
func (e *SchemaError) Unwrap() error { return ErrUnavailable }

// statementTimeoutQuery sets the statement timeout, in milliseconds, for one
// transaction.
const statementTimeoutQuery = "select set_config('statement_timeout', $1, true)"

// CheckSchema returns a *SchemaError unless the schema version fits this program, an
// *IsolationError unless row-level security separates the chains, and a *GuardsError
// unless triggers and privileges are those of the migrations.
func (db *DB) CheckSchema(ctx context.Context) error {
	tx, err := db.begin(ctx, scope{}, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.end()
	// The catalog queries may take longer than a call may; they run once, at the start.
	limit := db.cfg.ReadTimeout * 4 / 5
	if _, err := tx.ExecContext(ctx, statementTimeoutQuery, strconv.FormatInt(limit.Milliseconds(), 10)); err != nil {
		return explain(ctx, err)
	}
	if err := checkVersion(ctx, tx); err != nil {
		return err
	}
	if err := checkIsolation(ctx, tx); err != nil || db.cfg.Inspect {
		return err
	}
	gaps, err := guardGaps(ctx, tx)
	if err == nil && len(gaps) > 0 {
		err = &GuardsError{Gaps: gaps}
	}
	return err
}

// checkVersion returns a *SchemaError unless the schema version fits this program.
func checkVersion(ctx context.Context, tx *transaction) error {
	var have int64
	err := tx.GetContext(ctx, &have, "select coalesce(max(version_id), 0) from goose_db_version where is_applied")
	if err != nil && !pqError(err, pqerror.UndefinedTable) {
		return explain(ctx, err)
	}
	if have != SchemaVersion {
		return &SchemaError{Have: have, Want: SchemaVersion}
	}
	return nil
}

// pqError reports whether the server answered with a SQLSTATE.
func pqError(err error, code pqerror.Code) bool {
	var refused *pq.Error
	return errors.As(err, &refused) && refused.Code == code
}

// Migrate creates missing roles and brings the schema up to SchemaVersion, never down.
// The first time, the connection string must be that of a superuser; afterwards that of
// RoleMigrator suffices. Concurrent migrations wait for each other. Each migration is
// one transaction, so that an interrupted run is continued by the next.
func Migrate(ctx context.Context, ownerDSN string) error {
	if err := asOwner(ctx, ownerDSN, "", makeRoles); err != nil {
		return err
	}
	return asOwner(ctx, ownerDSN, RoleOwner, migrateUp)
}

// asOwner calls do with a connection pool of its own. If role is not empty, every
// connection takes it on, so that it owns what is created.
func asOwner(ctx context.Context, dsn, role string, do func(context.Context, *sql.DB) error) error {
	cfg, err := parseDSN(dsn)
	if err != nil {
		return err
	}
	cfg.Runtime["search_path"] = schema
	cfg.Runtime["lock_timeout"] = "10s" // a migration must not hold up the salon
	if role != "" {
		cfg.Runtime["role"] = role
	}
	connector, err := pq.NewConnectorConfig(cfg)
	if err != nil {
		return fmt.Errorf("storage: connection string: %w", err)
	}
	pool := sql.OpenDB(connector)
	defer pool.Close()
	err = do(ctx, pool)
	if refused := new(pq.Error); errors.As(err, &refused) && refused.Code == "42501" { // insufficient_privilege
		return fmt.Errorf("storage: migrate the first time as a superuser, who makes the roles, and afterwards as %s: %w", RoleMigrator, err)
	}
	if err != nil {
		return fmt.Errorf("storage: migrate: %w", err)
	}
	return nil
}

// rolesStatement brings the roles into the required state, and changes nothing if they
// are. The server's role does not inherit the rights of the keeper: it must take that
// role on with "set local role", and the policies for the keeper apply only while it
// does.
const rolesStatement = `do $$
declare r record;
begin
	perform pg_advisory_xact_lock(hashtext('alkalog roles')); -- others in this database wait
	for r in select * from (values ('alkalog_owner', 'nologin'), ('alkalog_migrator', 'login noinherit'), ('alkalog_server', 'login noinherit'),
		('alkalog_keeper', 'nologin'), ('alkalog_auditor', 'login')) as wanted (name, options) loop
		begin
			if not exists (select from pg_roles where rolname = r.name) then execute format('create role %I %s', r.name, r.options); end if;
		exception when duplicate_object or unique_violation then null; -- made for another database at this moment
		end;
	end loop;
	if exists (select from pg_roles where rolname = 'alkalog_owner' and rolcanlogin) then alter role alkalog_owner nologin; end if;
	if exists (select from pg_roles where rolname = 'alkalog_server' and rolinherit) then alter role alkalog_server noinherit; end if;
	for r in select * from (values ('alkalog_owner', 'alkalog_migrator'), ('alkalog_keeper', 'alkalog_server')) as wanted (role, member) loop
		begin
			if not pg_has_role(r.member, r.role, 'member') then execute format('grant %I to %I', r.role, r.member); end if;
		exception when unique_violation then null;
		end;
	end loop;
	-- A role that may take advisory locks can stop every write; see SettledBefore. Only
	-- a superuser may change that.
	if (select rolsuper from pg_roles where rolname = current_user) then
		for r in select oid::regprocedure as name from pg_proc where pronamespace = 'pg_catalog'::regnamespace and proname ~ '^pg_(try_)?advisory_'
			and (has_function_privilege('public', oid, 'execute') or not has_function_privilege('alkalog_server', oid, 'execute')) loop
			execute format('revoke execute on function %s from public', r.name);
			execute format('grant execute on function %s to alkalog_server, alkalog_owner, alkalog_migrator', r.name);
		end loop;
	end if;
end $$`

// makeRoles creates the roles and the schema. Roles belong to the whole cluster, so the
// migration of another database may be creating them at the same time.
func makeRoles(ctx context.Context, pool *sql.DB) error {
	tx, err := pool.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // without effect after the commit
	if _, err := tx.ExecContext(ctx, rolesStatement); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, fmt.Sprintf(`do $$ begin
		if to_regnamespace(%s) is null then create schema %s authorization %s; end if;
	exception when duplicate_schema or unique_violation then null; end $$`, pq.QuoteLiteral(schema), schema, RoleOwner))
	if err != nil {
		return err
	}
	return tx.Commit()
}

// migrateUp applies the missing migrations. A session lock makes concurrent migrations
// wait, up to five minutes.
func migrateUp(ctx context.Context, pool *sql.DB) error {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return err
	}
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 300))
	if err != nil {
		return err
	}
	provider, err := goose.NewProvider(goose.DialectPostgres, pool, files,
		goose.WithSessionLocker(locker), goose.WithDisableGlobalRegistry(true), goose.WithAllowOutofOrder(true))
	if err != nil {
		return err
	}
	have, err := provider.GetDBVersion(ctx)
	if err != nil {
		return err
	}
	if have > SchemaVersion {
		return &SchemaError{Have: have, Want: SchemaVersion}
	}
	_, err = provider.Up(ctx)
	return err
}
