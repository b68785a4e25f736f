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

// SchemaVersion is the version of the schema that this program works with: the
// number of the last migration.
const SchemaVersion int64 = 16

// The roles of the database. None has a password; how those that may log in do
// so is for the database's administrator to say.
const (
	// RoleOwner owns the tables. Nobody logs in as it.
	RoleOwner = "alkalog_owner"
	// RoleMigrator may become the owner, and is for nothing but migrations.
	RoleMigrator = "alkalog_migrator"
	// RoleServer does the work of one chain at a time, and can change no record
	// that must stay.
	RoleServer = "alkalog_server"
	// RoleKeeper is what the server takes on for what concerns all chains: it sees
	// which there are, and keeps their logs. Nobody logs in as it.
	RoleKeeper = "alkalog_keeper"
	// RoleAuditor reads the audit logs of the chains that it was admitted to.
	RoleAuditor = "alkalog_auditor"
)

//go:embed migrations/*.sql
var migrations embed.FS

// SchemaError says that the database's schema is not this program's.
type SchemaError struct {
	// Have is the version of the database, 0 when it has none.
	Have int64
	// Want is SchemaVersion.
	Want int64
}

// Error says what is wrong and which command mends it.
func (e *SchemaError) Error() string {
	mend := "run `server migrate` first"
	if e.Have > e.Want {
		mend = "use a newer server"
	}
	return fmt.Sprintf("storage: the database has schema version %d, this server works with version %d: %s", e.Have, e.Want, mend)
}

// Unwrap makes it an ErrUnavailable.
func (e *SchemaError) Unwrap() error { return ErrUnavailable }

// statementTimeoutQuery sets the statement timeout of one transaction.
const statementTimeoutQuery = "select set_config('statement_timeout', $1, true)"

// CheckSchema answers with a *SchemaError unless the schema is the one that
// this program works with, with a *IsolationError unless it keeps chains apart, and
// with a *GuardsError unless its triggers and privileges guard the records.
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

// checkVersion answers with a *SchemaError unless the schema is this program's.
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

// pqError reports whether the server answered with that SQLSTATE.
func pqError(err error, code pqerror.Code) bool {
	var refused *pq.Error
	return errors.As(err, &refused) && refused.Code == code
}

// Migrate makes the roles that are missing and brings the schema up to
// SchemaVersion, never down. The DSN's role must be a superuser; alkalog_migrator
// will do once the roles and the schema are there. Migrations at the same time
// wait for each other.
func Migrate(ctx context.Context, ownerDSN string) error {
	if err := asOwner(ctx, ownerDSN, "", makeRoles); err != nil {
		return err
	}
	return asOwner(ctx, ownerDSN, RoleOwner, migrateUp)
}

// asOwner runs do on a connection pool of its own; role, if not empty, is taken
// on, so that it owns what is made.
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

// rolesStatement makes the roles what they must be, and changes nothing when
// they are. The server's role does not inherit what the keeper's may: it must
// take that role on, and the policies for it hold only while it does.
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

// makeRoles makes the roles and the schema. Roles belong to the whole cluster,
// so another database's migration may be making them at this moment.
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

// migrateUp applies the migrations that are missing, each in its transaction.
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
