package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strconv"

	"github.com/lib/pq"
	"github.com/lib/pq/pqerror"
)

// A server works with the schema version that it was written for and with newer ones
// that still admit it, so that old and new servers can run side by side while an
// installation is upgraded. The admission is checked at the start, by every probe of
// the health service, and by the database itself at the beginning of every transaction
// that may write: a server that was too slow to notice a migration writes nothing.

// SchemaError means that the schema of the database does not suit this program. It wraps
// ErrUnavailable.
type SchemaError struct {
	// Have is the version of the database; 0 if it has no schema, -1 if it was not read.
	Have int64
	// Want is SchemaVersion.
	Want int64
	// Least is the oldest version whose servers may write; 0 if the database is too old to
	// say so.
	Least int64
}

// Error names both versions and says what to do.
func (e *SchemaError) Error() string {
	if e.Least > e.Want {
		return fmt.Sprintf("storage: the database only lets servers of schema version %d or newer write, this server has version %d: use a newer server", e.Least, e.Want)
	}
	mend := "run `alkalog migrate` first"
	return fmt.Sprintf("storage: the database has schema version %d, this server works with version %d: %s", e.Have, e.Want, mend)
}

// Unwrap returns ErrUnavailable.
func (e *SchemaError) Unwrap() error { return ErrUnavailable }

// statementTimeoutQuery sets the statement timeout, in milliseconds, for one
// transaction.
const statementTimeoutQuery = "select set_config('statement_timeout', $1, true)"

// CheckSchema returns a *SchemaError unless the schema of the database suits this
// program, an *IsolationError unless row-level security separates the chains, and a
// *GuardsError unless triggers and privileges are those of the migrations. Of a newer
// schema it knows only a part: whatever it knows must be there.
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
	version, err := db.checkVersion(ctx, tx)
	if err != nil {
		return err
	}
	if unguarded {
		return nil
	}
	if err := checkIsolation(ctx, tx); err != nil || db.cfg.Inspect {
		return err
	}
	gaps, err := guardGaps(ctx, tx, version.Have > SchemaVersion)
	if err == nil && len(gaps) > 0 {
		err = &GuardsError{Gaps: gaps}
	}
	return err
}

// firstWithLeast is the first schema version that says which servers may write.
const firstWithLeast = 19

// Schema is the schema of a database.
type Schema struct {
	// Have is its version; 0: there is no schema.
	Have int64
	// Least is the oldest version whose servers may write; 0: it is too old to say so.
	Least int64
}

// versionQuery reads the number of the last migration.
const versionQuery = "select coalesce(max(version_id), 0) from goose_db_version where is_applied"

// readSchema reads the schema version and the servers that it admits. The table of the
// latter is younger than the schema, so it is asked for separately.
func readSchema(ctx context.Context, tx *transaction) (Schema, error) {
	var s Schema
	err := tx.GetContext(ctx, &s.Have, versionQuery)
	if pqError(err, pqerror.UndefinedTable) {
		return s, nil
	}
	if err == nil && s.Have >= firstWithLeast {
		err = tx.GetContext(ctx, &s.Least, "select min_server_schema from schema_compatibility")
	}
	return s, explain(ctx, err)
}

// checkVersion returns a *SchemaError unless servers of SchemaVersion may work with the
// schema. It remembers the oldest version whose servers may write.
func (db *DB) checkVersion(ctx context.Context, tx *transaction) (Schema, error) {
	s, err := readSchema(ctx, tx)
	if err == nil && (s.Have < SchemaVersion || s.Least > SchemaVersion) {
		err = &SchemaError{Have: s.Have, Want: SchemaVersion, Least: s.Least}
	}
	if err == nil {
		db.minimumSchema.Store(s.Least)
	}
	return s, err
}

// MinimumSchema returns the oldest schema version whose servers may still write to the
// database, as of the last probe. It never falls. What a server of that version could
// not read must not be written: use a format that came with migration N only if
// MinimumSchema is at least N.
func (db *DB) MinimumSchema() int64 { return db.minimumSchema.Load() }

// tooOld is the SQLSTATE by which admit_server refuses a server.
const tooOld = "ALK01"

// admissionQuery fails on a schema that does not let this program write.
var admissionQuery = fmt.Sprintf("select alkalog.admit_server(%d)", SchemaVersion)

// admissionRefusal maps the refusal of admissionQuery to a *SchemaError, also where the
// schema is too old to have the function. Other errors are returned unchanged.
func admissionRefusal(err error) error {
	var refused *pq.Error
	if !errors.As(err, &refused) {
		return err
	}
	switch refused.Code {
	case tooOld:
		least, _ := strconv.ParseInt(refused.Detail, 10, 64) // the function writes a number
		return &SchemaError{Have: -1, Want: SchemaVersion, Least: least}
	case pqerror.UndefinedFunction, pqerror.InvalidSchemaName:
		return &SchemaError{Have: -1, Want: SchemaVersion}
	}
	return err
}

// pqError reports whether the server answered with a SQLSTATE.
func pqError(err error, code pqerror.Code) bool {
	var refused *pq.Error
	return errors.As(err, &refused) && refused.Code == code
}
