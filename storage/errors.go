package storage

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net"

	"github.com/lib/pq"
	"github.com/lib/pq/pqerror"
	spb "google.golang.org/genproto/googleapis/rpc/status"
)

// The facts that this package reports. Every error it returns wraps one of
// them, or a context's error, or is a defect or a broken database.
var (
	// ErrNotFound: there is no such record in the chain.
	ErrNotFound = errors.New("storage: not found")
	// ErrStale: the record was changed meanwhile, again and again.
	ErrStale = errors.New("storage: changed meanwhile")
	// ErrExists: there is such a record already.
	ErrExists = errors.New("storage: exists already")
	// ErrReused: the request id was used before, for something else.
	ErrReused = errors.New("storage: request id used for another request")
	// ErrBadToken: the page token is not one that this list gave.
	ErrBadToken = errors.New("storage: page token does not belong to this list")
	// ErrUnknown: whether the write was done is not known. The same request id
	// asked again gives the answer, and nothing is done twice.
	ErrUnknown = errors.New("storage: outcome unknown, retry with the same request id")
	// ErrUnavailable: the database cannot be reached or does not answer. Nothing
	// was written.
	ErrUnavailable = errors.New("storage: database unavailable")
	// ErrAuditUnavailable: audit entries cannot be inserted. Nothing was written,
	// since nothing is recorded that the audit log would not know of.
	ErrAuditUnavailable = errors.New("storage: the audit log cannot be written")
	// ErrFenced: the server that answers is not the one that holds the records.
	ErrFenced = errors.New("storage: wrong database server")
)

// Refused is the error of a request that was answered with Changes.Refusal.
type Refused struct {
	// Status is what the caller is answered.
	Status *spb.Status
}

// Error is the message of the status.
func (r *Refused) Error() string { return r.Status.GetMessage() }

// Reasons to run a write again that never leave this package.
var (
	errClaimed  = errors.New("storage: request id claimed by another call")
	errDeadlock = errors.New("storage: deadlock or serialization failure")
)

// explain turns a driver's error into one of the facts above. Errors that are
// neither stay what they are.
func explain(ctx context.Context, err error) error {
	var refused *pq.Error
	var broken net.Error
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return fmt.Errorf("storage: %w", ctx.Err())
	case errors.Is(err, ErrFenced), errors.Is(err, ErrUnavailable), errors.Is(err, ErrAuditUnavailable), errors.Is(err, ErrStale), errors.Is(err, errClaimed):
		return err
	case errors.Is(err, sql.ErrNoRows):
		return ErrNotFound
	case errors.As(err, &refused):
		return explainRefusal(refused)
	case errors.Is(err, driver.ErrBadConn), errors.Is(err, sql.ErrConnDone), errors.As(err, &broken),
		errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return fmt.Errorf("%w: %w", ErrUnavailable, err)
	}
	return fmt.Errorf("storage: %w", err)
}

// explainRefusal goes by the SQLSTATE (PostgreSQL documentation, appendix A).
func explainRefusal(err *pq.Error) error {
	switch err.Code {
	case pqerror.UniqueViolation:
		return fmt.Errorf("%w: %w", ErrExists, err)
	case pqerror.TRSerializationFailure, pqerror.TRDeadlockDetected:
		return fmt.Errorf("%w: %w", errDeadlock, err)
	case pqerror.ReadOnlySQLTransaction, pqerror.QueryCanceled, pqerror.LockNotAvailable,
		pqerror.IdleInTransactionSessionTimeout:
		return fmt.Errorf("%w: %w", ErrUnavailable, err)
	}
	switch err.Code.Class() {
	case "08", "28", "3D", "53", "57", "58": // connection, authorization, database name, resources, operator, system
		return fmt.Errorf("%w: %w", ErrUnavailable, err)
	}
	return fmt.Errorf("storage: %w", err)
}

// auditRefusal turns the database's refusal to lock or to insert into
// audit_entries into ErrAuditUnavailable; other errors stay what they are.
func auditRefusal(err error) error {
	var refused *pq.Error
	if !errors.As(err, &refused) {
		return err
	}
	switch refused.Code {
	case pqerror.InsufficientPrivilege, pqerror.LockNotAvailable, pqerror.UndefinedTable:
		return fmt.Errorf("%w: %w", ErrAuditUnavailable, err)
	}
	return err
}
