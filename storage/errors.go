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

// The errors of this package. Every error that it returns wraps one of them or a
// context's error, or is a programming error or a damaged database.
var (
	// ErrNotFound: there is no such record in the chain. Records of other chains and of erased
	// clients give the same error.
	ErrNotFound = errors.New("storage: not found")
	// ErrStale: the record was changed by others in each of maxAttempts attempts.
	ErrStale = errors.New("storage: changed meanwhile")
	// ErrExists: a record with that key, or another unique value, already exists.
	ErrExists = errors.New("storage: exists already")
	// ErrReused: the request ID was used for another request.
	ErrReused = errors.New("storage: request id used for another request")
	// ErrBadToken: the page token was not issued for this list.
	ErrBadToken = errors.New("storage: page token does not belong to this list")
	// ErrUnknown: it is not known whether the write was committed. A retry with the same
	// request ID gets the answer and does nothing twice.
	ErrUnknown = errors.New("storage: outcome unknown, retry with the same request id")
	// ErrUnavailable: the database cannot be reached or does not answer. Nothing was written.
	ErrUnavailable = errors.New("storage: database unavailable")
	// ErrAuditUnavailable: audit entries cannot be inserted. Nothing was written, because no
	// record may exist without its entry.
	ErrAuditUnavailable = errors.New("storage: the audit log cannot be written")
	// ErrFenced: the server that answers is not the one that holds the newest records
	// (fence.go).
	ErrFenced = errors.New("storage: wrong database server")
)

// Refused is the error of a request that was answered with Changes.Refusal. Unlike
// other errors, it was committed: a retry gets the same one.
type Refused struct {
	// Status is the answer to the caller.
	Status *spb.Status
}

// Error returns the message of the status.
func (r *Refused) Error() string { return r.Status.GetMessage() }

// Reasons to run a write again. They do not leave this package: after the last attempt
// they become ErrStale.
var (
	// errClaimed: another call has claimed the request ID, or a client of the write was erased.
	errClaimed = errors.New("storage: request id claimed by another call")
	// errDeadlock: PostgreSQL ended the transaction for a deadlock or a serialization failure.
	errDeadlock = errors.New("storage: deadlock or serialization failure")
)

// explain maps a driver's error to one of the errors above. The context is checked
// first, because a cancelled statement fails in many ways. Errors that it does not know
// are passed on and become INTERNAL.
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

// explainRefusal maps an error that the server reported, by its SQLSTATE (PostgreSQL
// documentation, appendix A). A timeout on a lock or a statement counts as unavailable:
// the statement did nothing and may succeed later.
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

// auditRefusal maps the server's refusal to lock or to insert into audit_entries to
// ErrAuditUnavailable. Other errors are returned unchanged.
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
