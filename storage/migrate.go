package storage

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	"github.com/lib/pq"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

// schema is the PostgreSQL schema that holds the tables.
const schema = "alkalog"

// SchemaVersion is the schema version that this program was written for: the number of
// the last migration. A server refuses a database of an older version, and one of a
// newer version that no longer admits it (schema_compatibility).
const SchemaVersion int64 = 25

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

// Migrate creates missing roles and brings the schema up to SchemaVersion, never down.
// Servers of older versions go on writing, as far as the migrations allow, until
// FinishMigration.
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
	-- Only a superuser may change the following. Statements of the server hold sealed bodies,
	-- and their parameters wrapped keys of clients; PostgreSQL can log both, and a log outlives
	-- an erasure. And a role that may take advisory locks can stop every write; see
	-- SettledBefore.
	if (select rolsuper from pg_roles where rolname = current_user) then
		for r in select * from (values ('log_min_error_statement', 'panic'), ('log_parameter_max_length', '0'), ('log_parameter_max_length_on_error', '0')) as wanted (name, value) loop
			if not exists (select from pg_roles where rolname = 'alkalog_server' and r.name || '=' || r.value = any(rolconfig)) then
				execute format('alter role alkalog_server set %I = %L', r.name, r.value);
			end if;
		end loop;
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
		return &SchemaError{Have: have, Want: SchemaVersion, Least: have}
	}
	if _, err = provider.Up(ctx); err != nil || have > 0 {
		return err
	}
	return finish(ctx, pool) // no server has ever worked with it
}

// FinishMigration ends an upgrade: from now on, only servers of SchemaVersion or newer
// may write. It returns a *SchemaError if the schema is not yet of that version. Call it
// when no older server runs any more; one that does is refused by the database.
func FinishMigration(ctx context.Context, ownerDSN string) error {
	return asOwner(ctx, ownerDSN, RoleOwner, finish)
}

// finish raises the minimum to SchemaVersion. It never lowers it.
func finish(ctx context.Context, pool *sql.DB) error {
	tx, err := pool.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // without effect after the commit
	var have int64
	if err := tx.QueryRowContext(ctx, versionQuery).Scan(&have); err != nil {
		return err
	}
	if have < SchemaVersion {
		return &SchemaError{Have: have, Want: SchemaVersion}
	}
	_, err = tx.ExecContext(ctx, "update schema_compatibility set min_server_schema = $1 where min_server_schema < $1", SchemaVersion)
	if err != nil {
		return err
	}
	return tx.Commit()
}
