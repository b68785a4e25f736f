package storage

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"fmt"
	"regexp"
)

// scope is what a transaction can reach: the rows of one chain, or, for the few
// things that concern every chain, what the keeper's role is granted. The zero
// scope reaches no chain's rows at all. The database holds every statement of
// the transaction to it, by the policies on its tables.
type scope struct {
	chain  string
	keeper bool
}

// inChain reaches the rows of one chain.
func inChain(id string) scope { return scope{chain: id} }

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

// begin is the message that begins a transaction in the scope: one round trip
// for both, and no statement can come between.
func (s scope) begin(opts driver.TxOptions) string {
	isolation, mode := "", "read write"
	if sql.IsolationLevel(opts.Isolation) == sql.LevelRepeatableRead {
		isolation = "isolation level repeatable read "
	}
	if opts.ReadOnly {
		mode = "read only"
	}
	return fmt.Sprintf("begin %s%s; %s", isolation, mode, s.statement())
}

// BeginTx begins a transaction in the scope that the connection was given for
// it, and for no other.
func (c *conn) BeginTx(ctx context.Context, opts driver.TxOptions) (driver.Tx, error) {
	if l := sql.IsolationLevel(opts.Isolation); l != sql.LevelDefault && l != sql.LevelRepeatableRead {
		return nil, fmt.Errorf("storage: no transaction is %s", l)
	}
	message := c.scope.begin(opts)
	c.scope = scope{}
	if _, err := c.pqConn.ExecContext(ctx, message, nil); err != nil {
		// A scope that was refused has left a transaction open. A connection that
		// cannot roll back is not used again.
		_ = c.pqConn.Rollback()
		return nil, err
	}
	return c.pqConn, nil
}
