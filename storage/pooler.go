package storage

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
)

// ErrPooled: connections share sessions of PostgreSQL, as behind a pooler in transaction
// or statement mode. Statements that are prepared, settings and locks of a session would
// reach another caller.
var ErrPooled = errors.New("storage: connections share sessions of PostgreSQL, as behind a pooler in transaction or statement mode; use session mode, or connect past the pooler")

// errPooled is ErrPooled as it is returned: to a caller the database is unavailable.
var errPooled = fmt.Errorf("%w (%w)", ErrPooled, ErrUnavailable)

// sessions are the PostgreSQL sessions that this program's open connections have. Two
// connections that are open at a time never have the same one, unless a pooler is in
// between that gives a session to the client that sends next.
type sessions struct {
	mu   sync.Mutex
	open map[string]bool
}

// add notes the session of a new connection, or returns ErrPooled if an open one has it.
// The name of a session has the server's and its own start time in it, so that it is
// never used again, unlike a process ID.
func (s *sessions) add(name string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.open[name] {
		return errPooled
	}
	if s.open == nil {
		s.open = map[string]bool{}
	}
	s.open[name] = true
	return nil
}

// remove forgets the session of a connection that is closed.
func (s *sessions) remove(name string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.open, name)
}

// names returns the names of the sessions of all open connections.
func (s *sessions) names() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Collect(maps.Keys(s.open))
}

// sessionName names the session that a statement runs in.
const sessionName = `pg_postmaster_start_time()::text || ' ' || pg_backend_pid()::text || ' ' || (select backend_start::text from pg_stat_get_activity(pg_backend_pid()))`

// askSessionQuery names the session of a connection.
const askSessionQuery = "select " + sessionName

// checkSessions returns ErrPooled if two connections share sessions. A pooler in
// transaction mode gives the session that was used last to the client that sends next, so that
// already the second connection gets that of the first, and is refused when it connects.
// Others may use the pooler at the same moment; so both are also asked, while both are in a
// transaction, whether they still have the session that they had at first.
func (db *DB) checkSessions(ctx context.Context) error {
	if db.maxConns < 2 {
		return nil
	}
	first, err := db.pool.Connx(ctx)
	if err != nil {
		return explain(ctx, err)
	}
	second, err := db.pool.Connx(ctx)
	first.Close()
	if err != nil {
		return explain(ctx, err)
	}
	second.Close()
	for range 2 {
		tx, err := db.begin(ctx, scope{}, &sql.TxOptions{ReadOnly: true})
		if err != nil {
			return err
		}
		defer tx.end()
		if err := tx.staysInSession(ctx); err != nil {
			return err
		}
	}
	return nil
}

// staysInSession returns ErrPooled if a connection is in another session than at first.
func (t *transaction) staysInSession(ctx context.Context) error {
	var now, first string
	if err := t.GetContext(ctx, &now, askSessionQuery); err != nil {
		return explain(ctx, err)
	}
	// The function cannot fail.
	_ = t.conn.Raw(func(dc any) error {
		first = dc.(*conn).session
		return nil
	})
	if now != first {
		return errPooled
	}
	return nil
}

// Close implements driver.Conn.
func (c *conn) Close() error {
	c.fence.forget(c.link)
	if c.session != "" {
		c.sessions.remove(c.session)
	}
	return c.pqConn.Close()
}

// enter notes the session of a new connection.
func (c *conn) enter(name driver.Value) error {
	session, ok := name.(string)
	if !ok {
		return fmt.Errorf("storage: cannot read the session from %T", name)
	}
	if err := c.sessions.add(session); err != nil {
		return err
	}
	c.session = session
	return nil
}
