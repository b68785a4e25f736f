package storage

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"fmt"
	"regexp"
	"time"
)

// scope is what a transaction can reach: the rows of one chain, or, for the few
// things that concern every chain, what the keeper's role is granted. The zero
// scope reaches no chain's rows at all. The database holds every statement of
// the transaction to it, by the policies on its tables.
type scope struct {
	chain  string
	keeper bool
	// audited transactions write only if the audit log can be written too.
	audited bool
}

// inChain reaches the rows of one chain.
func inChain(id string) scope { return scope{chain: id, audited: true} }

// asKeeper reaches what concerns every chain: which chains there are, and their
// logs. No salon's work needs it.
func asKeeper() scope { return scope{keeper: true} }

// chainID is how an id of a chain looks. Whatever else is asked for is nobody's,
// and nothing that needs quoting reaches the statement below.
var chainID = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)

// statement tells the database the scope, until the transaction ends.
func (s scope) statement() string {
	switch {
	case s.keeper:
		return "set local role " + RoleKeeper
	case chainID.MatchString(s.chain):
		return "set local alkalog.chain = '" + s.chain + "'"
	}
	return "set local alkalog.chain = ''"
}

// lockAuditLog makes a write fail before it has done anything when entries cannot
// be inserted: the privilege was revoked, or somebody else has locked the table. It
// is the lock that every insert takes, and does not block other writes.
const lockAuditLog = "lock table alkalog.audit_entries in row exclusive mode"

// begin is the message that begins a transaction in the scope: one round trip
// for all of it, and no statement can come between.
func (s scope) begin(opts driver.TxOptions, lockTimeout time.Duration) string {
	isolation, mode := "", "read write"
	if sql.IsolationLevel(opts.Isolation) == sql.LevelRepeatableRead {
		isolation = "isolation level repeatable read "
	}
	if opts.ReadOnly {
		mode = "read only"
	}
	message := fmt.Sprintf("begin %s%s; %s", isolation, mode, s.statement())
	if !opts.ReadOnly {
		// A process that holds a lock may be stopped, and then does not release it.
		message += fmt.Sprintf("; set local lock_timeout = %d", lockTimeout.Milliseconds())
	}
	if s.audits(opts) {
		message += "; " + lockAuditLog
	}
	return message
}

// audits reports whether a transaction needs the audit log to be writable.
func (s scope) audits(opts driver.TxOptions) bool { return s.audited && !opts.ReadOnly }

// BeginTx begins a transaction in the scope that the connection was given for
// it, and for no other.
func (c *conn) BeginTx(ctx context.Context, opts driver.TxOptions) (driver.Tx, error) {
	if l := sql.IsolationLevel(opts.Isolation); l != sql.LevelDefault && l != sql.LevelRepeatableRead {
		return nil, fmt.Errorf("storage: no transaction is %s", l)
	}
	message, audits := c.scope.begin(opts, c.lockTimeout), c.scope.audits(opts)
	c.scope = scope{}
	if _, err := c.pqConn.ExecContext(ctx, message, nil); err != nil {
		// A scope that was refused has left a transaction open. A connection that
		// cannot roll back is not used again.
		_ = c.pqConn.Rollback()
		if audits {
			err = auditRefusal(err)
		}
		return nil, err
	}
	return c.pqConn, nil
}
