package storage

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	"github.com/lib/pq"
	"github.com/lib/pq/pqerror"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

// schema is the PostgreSQL schema that holds the tables.
const schema = "alkalog"

// SchemaVersion is the version of the schema that this program works with: the
// number of the last migration.
const SchemaVersion int64 = 2

// The roles of the database. The owner owns the tables and migrates them, the
// server does the work and can change no record that must stay, the auditor
// reads the audit log. None has a password; how they log in is for the
// database's administrator to say.
const (
	RoleOwner   = "alkalog_owner"
	RoleServer  = "alkalog_server"
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

// CheckSchema answers with a *SchemaError unless the schema is the one that
// this program works with.
func (db *DB) CheckSchema(ctx context.Context) error {
	tx, err := db.begin(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.end()
	var have int64
	err = tx.GetContext(ctx, &have, "select coalesce(max(version_id), 0) from goose_db_version where is_applied")
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
// SchemaVersion, never down. The DSN's role must be a superuser; alkalog_owner
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
	if err := do(ctx, pool); err != nil {
		return fmt.Errorf("storage: migrate: %w", err)
	}
	return nil
}

// makeRoles makes the roles and the schema. Roles belong to the whole cluster,
// so another database's migration may be making them at this moment.
func makeRoles(ctx context.Context, pool *sql.DB) error {
	tx, err := pool.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // without effect after the commit
	for _, role := range []string{RoleOwner, RoleServer, RoleAuditor} {
		_, err := tx.ExecContext(ctx, fmt.Sprintf(`do $$ begin
			if not exists (select from pg_roles where rolname = %s) then create role %s login; end if;
		exception when duplicate_object or unique_violation then null; end $$`, pq.QuoteLiteral(role), pq.QuoteIdentifier(role)))
		if err != nil {
			return err
		}
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
		goose.WithSessionLocker(locker), goose.WithDisableGlobalRegistry(true))
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
