package storage

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"fmt"
	"time"

	"github.com/jmoiron/sqlx"
)

// scope is what a transaction can reach: the rows of one chain, or, for the few tasks
// that concern all chains, what the keeper's role is granted. The zero scope reaches no
// rows of any chain. PostgreSQL enforces the scope for every statement of the
// transaction, by the row-level security policies of the tables; a forgotten condition
// in a query therefore finds nothing of another chain.
type scope struct {
	// chain is the ID of the chain.
	chain string
	// keeper means that the transaction takes on RoleKeeper.
	keeper bool
	// audited means that the transaction writes only if the audit log can be written too.
	audited bool
	// lead is the lease of a transaction that changes the logs; nil: another transaction.
	lead *Lease
	// message holds the statements that are sent with the BEGIN; nil: none.
	message *message
	// pool is where the connection comes from; nil: DB.pool.
	pool *sqlx.DB
}

// during is the scope with a connection for reading during a turn, if there is one.
func (s scope) during(t *turn) scope {
	if t != nil {
		s.pool = t.turns.pool
	}
	return s
}

// with is the scope with statements that are sent with the BEGIN of the transaction.
func (s scope) with(m *message) scope {
	s.message = m
	return s
}

// connection takes a connection from the scope's pool.
func (s scope) connection(ctx context.Context, db *DB) (*sqlx.Conn, error) {
	if s.pool != nil {
		return s.pool.Connx(ctx)
	}
	return db.pool.Connx(ctx)
}

// inChain is the scope of one chain.
func inChain(id string) scope { return scope{chain: id, audited: true} }

// asKeeper is the scope of what concerns all chains: which chains exist, and their logs
// and counters. No work of a salon needs it.
func asKeeper() scope { return scope{keeper: true} }

// asLeader is the scope of the keeper while it holds the lead. The transaction begins
// with Lease.hold, and fails with ErrNotLeading if another server leads.
func asLeader(lead Lease) scope { return scope{keeper: true, lead: &lead} }

// isChainID reports whether a text has the form of the ID of a chain: up to 63 letters,
// digits and hyphens, the first of them no hyphen. Anything else becomes the empty ID, which
// no row has, so that nothing that needs quoting gets into the statement.
func isChainID(id string) bool {
	for i := range len(id) {
		c := id[i]
		if !('a' <= c && c <= 'z' || '0' <= c && c <= '9' || c == '-' && i > 0) {
			return false
		}
	}
	return 0 < len(id) && len(id) <= 63
}

// statement returns the statement that sets the scope until the end of the transaction.
func (s scope) statement() string {
	switch {
	case s.keeper:
		return "set local role " + RoleKeeper
	case isChainID(s.chain):
		return "set local alkalog.chain = '" + s.chain + "'"
	}
	return "set local alkalog.chain = ''"
}

// lockAuditLog makes a write fail at once if entries cannot be inserted, because the
// privilege was revoked or somebody has locked the table. It is the lock that every
// INSERT takes, and does not conflict with other writes.
const lockAuditLog = "lock table alkalog.audit_entries in row exclusive mode"

// begin returns the message that begins a transaction in the scope. It is one message,
// so that it costs one round trip and no statement can run before the scope is set.
func (s scope) begin(opts driver.TxOptions, lockTimeout time.Duration) string {
	isolation, mode := "", "read write"
	if sql.IsolationLevel(opts.Isolation) == sql.LevelRepeatableRead {
		isolation = "isolation level repeatable read "
	}
	if opts.ReadOnly {
		mode = "read only"
	}
	message := fmt.Sprintf("begin %s%s; %s", isolation, mode, s.statement())
	if s.message != nil {
		// Nothing but COMMIT follows. If this program is stopped before it, what it has
		// locked must be free before others give up waiting.
		message += fmt.Sprintf("; set local idle_in_transaction_session_timeout = %d", s.message.idleTimeout.Milliseconds())
		if s.message.lockTimeout != 0 {
			lockTimeout = s.message.lockTimeout
		}
	}
	if !opts.ReadOnly {
		// A process that holds a lock may be stopped, and then does not release it.
		message += fmt.Sprintf("; set local lock_timeout = %d", lockTimeout.Milliseconds())
	}
	if s.audits(opts) {
		message += "; " + lockAuditLog
	}
	if !opts.ReadOnly {
		message += "; " + admissionQuery
	}
	if s.lead != nil {
		message += "; " + s.lead.hold()
	}
	return message
}

// audits reports whether a transaction needs a writable audit log.
func (s scope) audits(opts driver.TxOptions) bool { return s.audited && !opts.ReadOnly }

// BeginTx implements driver.ConnBeginTx. It uses the scope that setScope has stored,
// once: a transaction without one gets the zero scope. Only the default isolation level
// and REPEATABLE READ exist.
func (c *conn) BeginTx(ctx context.Context, opts driver.TxOptions) (driver.Tx, error) {
	if l := sql.IsolationLevel(opts.Isolation); l != sql.LevelDefault && l != sql.LevelRepeatableRead {
		return nil, fmt.Errorf("storage: no transaction is %s", l)
	}
	in := c.scope
	c.scope = scope{}
	if err := c.beginIn(ctx, in, opts); err != nil {
		// A scope that was refused has left a transaction open. A connection that
		// cannot roll back is not used again.
		_ = c.pqConn.Rollback()
		return nil, err
	}
	return c.pqConn, nil
}

// beginIn sends the message that begins a transaction in a scope.
func (c *conn) beginIn(ctx context.Context, in scope, opts driver.TxOptions) error {
	if in.message != nil {
		in.message.idleTimeout = c.idleTimeout
	}
	begin := in.begin(opts, c.lockTimeout)
	if in.message != nil {
		return c.send(in.message, begin)
	}
	last, err := c.pqConn.ExecContext(ctx, begin, nil)
	if err == nil && in.lead != nil {
		err = heldLead(last)
	}
	if err != nil && !opts.ReadOnly {
		err = admissionRefusal(err)
	}
	if err != nil && in.audits(opts) {
		err = auditRefusal(err)
	}
	return err
}
