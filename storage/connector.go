package storage

import (
	"cmp"
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/lib/pq"
)

// connector makes the connections of the pool. They cannot hang (link), they notice a
// COMMIT that did not reach the standby (link.notice), they prepare each statement once
// (conn), and they lead only to a server that the fence admits.
type connector struct {
	cfg Config
	// hosts are those of the connection string (hosts.go).
	hosts []pq.Config
	fence *fence
	// session identifies the server and sets up a session, in one statement.
	session string
	// sessions are those of the open connections.
	sessions sessions
	// last is the host that the last connection led to, as an index.
	last atomic.Int32
	// surveying is set while a survey of the hosts runs.
	surveying atomic.Bool
}

// newConnector parses the connection string. Settings that Read and Write rely on
// override those in the string. They are set by a statement and not as parameters of the
// connection, which a pooler such as PgBouncer refuses.
//
// statement_timeout ends a statement on the server before the read deadline cuts the
// connection. idle_in_transaction_session_timeout releases the locks of a program that
// was suspended.
func newConnector(cfg Config) (*connector, error) {
	base, err := parseDSN(cfg.DSN)
	if err != nil {
		return nil, err
	}
	base.BinaryParameters = true // bytes travel as bytes
	base.ConnectTimeout = cmp.Or(base.ConnectTimeout, cfg.ReadTimeout)
	hosts, err := hostsOf(base)
	if err != nil {
		return nil, err
	}
	fence, err := newFence(cfg.StateFile)
	if err != nil {
		return nil, err
	}
	session := fmt.Sprintf(sessionQuery, schema, cfg.StatementTimeout.Milliseconds(), 2*cfg.ReadTimeout.Milliseconds())
	return &connector{cfg: cfg, hosts: hosts, fence: fence, session: session}, nil
}

// parseDSN parses a connection string. The error does not quote a string that may
// contain a password.
func parseDSN(dsn string) (pq.Config, error) {
	cfg, err := pq.NewConfig(dsn)
	if err != nil && (strings.Contains(dsn, "@") || strings.Contains(dsn, "password")) {
		err = errors.New("it is not one that PostgreSQL understands")
	}
	if err != nil {
		return pq.Config{}, fmt.Errorf("storage: connection string: %w", err)
	}
	return cfg.Clone(), nil
}

// Driver implements driver.Connector.
func (c *connector) Driver() driver.Driver { return &pq.Driver{} }

// connect makes one connection and asks the fence about the server behind it. Nothing
// else is sent on the connection before. It takes no longer than the connect timeout of
// the connection string, and ends at once with the context.
func (c *connector) connect(ctx context.Context, host pq.Config) (driver.Conn, error) {
	plain, err := pq.NewConnectorConfig(host)
	if err != nil {
		return nil, err
	}
	asked := ctx
	ctx, cancel := context.WithTimeout(ctx, host.ConnectTimeout)
	defer cancel()
	d := &dialer{cfg: c.cfg}
	finished := context.AfterFunc(ctx, d.cut)
	plain.Dialer(d)
	dc, err := plain.Connect(ctx)
	if err != nil {
		return nil, noAnswer(asked, ctx, host, err)
	}
	d.connected = true
	cn := &conn{pqConn: dc.(pqConn), link: d.link.Load(), fence: c.fence, sessions: &c.sessions, prepared: map[string]driver.Stmt{}, plans: map[string]bool{},
		named: map[string]string{}, lockTimeout: c.cfg.StatementTimeout / 2, idleTimeout: c.cfg.IdleTimeout}
	pq.SetNoticeHandler(dc, cn.link.notice)
	cn.link.setDeadline(ctx)
	err = c.fence.check(ctx, cn, c.session)
	if !finished() {
		err = noAnswer(asked, ctx, host, errors.Join(err, ctx.Err())) // the connection was cut meanwhile
	}
	if err != nil {
		cn.Close()
		return nil, err
	}
	return cn, nil
}

// noAnswer returns what to say about a failed attempt to connect. A host that accepts a
// connection and then says nothing, as a stopped PostgreSQL does, ends with the
// connection being cut here; the error of that would say nothing about the cause. Other
// errors of a host that answers are passed on as they are, and so is the end of a caller's
// own patience, which says nothing about the host.
func noAnswer(asked, connecting context.Context, host pq.Config, err error) error {
	if asked.Err() != nil || connecting.Err() == nil {
		return err
	}
	where := host.Host
	if !strings.HasPrefix(where, "/") {
		where = net.JoinHostPort(where, strconv.Itoa(int(host.Port)))
	}
	return fmt.Errorf("%w: PostgreSQL at %s did not answer within %v", ErrUnavailable, where, host.ConnectTimeout)
}

// dialer serves one attempt to connect and the life of its connection. It exists because
// lib/pq dials by itself and shows nothing of the network connection, which has to be cut
// from outside when its server says nothing any more.
//
// It dials for one connection: first the connection itself, later the short
// connections by which lib/pq asks the server to cancel a statement.
type dialer struct {
	cfg  Config
	link atomic.Pointer[link]
	// connected is set when the first dial has succeeded; all later ones are for cancel
	// requests.
	connected bool
}

// cut closes the connection, if there is one already.
func (d *dialer) cut() {
	if l := d.link.Load(); l != nil {
		l.Close()
	}
}

// cancelTimeout limits a cancel request. The caller waits for it, and a server that
// does not answer within this time will not answer at all. Our own choice.
const cancelTimeout = 500 * time.Millisecond

// DialContext implements pq.DialerContext. It keeps the link of the connection itself.
func (d *dialer) DialContext(ctx context.Context, network, address string) (net.Conn, error) {
	if d.connected {
		ctx, cancel := context.WithTimeout(ctx, cancelTimeout)
		defer cancel()
		nc, err := d.cfg.Dial(ctx, network, address)
		if err != nil {
			return nil, err
		}
		return &link{Conn: nc, readTimeout: cancelTimeout}, nil
	}
	nc, err := d.cfg.Dial(ctx, network, address)
	if err != nil {
		return nil, err
	}
	l := &link{Conn: nc, readTimeout: d.cfg.ReadTimeout}
	l.setDeadline(ctx)
	d.link.Store(l)
	return l, nil
}

// Dial implements pq.Dialer; lib/pq prefers DialContext.
func (d *dialer) Dial(network, address string) (net.Conn, error) {
	return d.DialContext(context.Background(), network, address)
}

// DialTimeout implements pq.Dialer; lib/pq prefers DialContext.
func (d *dialer) DialTimeout(network, address string, timeout time.Duration) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(context.Background(), timeout)
	defer cancel()
	return d.DialContext(ctx, network, address)
}

// link is the network connection under a database connection. Every read and write on
// it has a deadline: the read timeout from now, or the caller's deadline plus grace if
// that is earlier. A context alone does not release a caller from a server that has
// stopped answering.
type link struct {
	net.Conn
	readTimeout time.Duration
	// until is the caller's deadline plus grace; nil: none.
	until atomic.Pointer[time.Time]
	// notReplicated is set when the server warned that COMMIT did not wait for its standby.
	notReplicated atomic.Bool
}

// grace is how long a cancelled statement may take to return before its connection is
// given up. Our own choice.
const grace = 500 * time.Millisecond

// setDeadline makes every wait end shortly after the caller's deadline.
func (l *link) setDeadline(ctx context.Context) {
	l.until.Store(nil)
	if deadline, ok := ctx.Deadline(); ok {
		deadline = deadline.Add(grace)
		l.until.Store(&deadline)
	}
}

// endWith ends every wait shortly after a context, which the driver's cancel request does
// not do if the server has stopped answering. The caller calls the returned function before
// the link is used for anything else.
func (l *link) endWith(ctx context.Context) (stop func()) {
	ended := make(chan struct{})
	cancel := context.AfterFunc(ctx, func() {
		defer close(ended)
		soon := time.Now().Add(grace)
		l.until.Store(&soon)
		_ = l.SetDeadline(soon) // a wait under way; a link that is closed has none
	})
	return func() {
		if !cancel() {
			<-ended
		}
	}
}

// clearDeadline removes the caller's deadline, which applies neither to the next user
// of the connection nor to closing it.
func (l *link) clearDeadline() { l.until.Store(nil) }

// beginCommit prepares the link for COMMIT, which no deadline of a caller may
// interrupt. Only the read timeout limits it.
func (l *link) beginCommit() {
	l.until.Store(nil)
	l.notReplicated.Store(false)
}

// deadline returns when a wait that begins now must end.
func (l *link) deadline() time.Time {
	latest := time.Now().Add(l.readTimeout)
	if until := l.until.Load(); until != nil && until.Before(latest) {
		return *until
	}
	return latest
}

// Read implements net.Conn with a deadline.
func (l *link) Read(p []byte) (int, error) {
	if err := l.SetReadDeadline(l.deadline()); err != nil {
		return 0, err
	}
	return l.Conn.Read(p)
}

// Write implements net.Conn with a deadline: a suspended server also stops reading, and
// the send buffer fills up.
func (l *link) Write(p []byte) (int, error) {
	if err := l.SetWriteDeadline(l.deadline()); err != nil {
		return 0, err
	}
	return l.Conn.Write(p)
}

// notice handles the server's warnings. Two of them say that COMMIT returned before the
// standby had the transaction: 01000 after a cancel request, and 57P01 after an
// administrator's shutdown (PostgreSQL, src/backend/replication/syncrep.c,
// SyncRepWaitForLSN).
func (l *link) notice(w *pq.Error) {
	if w.Code == "01000" || w.Code == "57P01" {
		l.notReplicated.Store(true)
	}
}

// pqConn lists the interfaces of lib/pq's connections that conn passes on. A missing
// one would make database/sql fall back to a slower way silently.
type pqConn interface {
	driver.Conn
	driver.Tx
	driver.ConnBeginTx
	driver.ConnPrepareContext
	driver.ExecerContext
	driver.QueryerContext
	driver.NamedValueChecker
	driver.Pinger
	driver.SessionResetter
	driver.Validator
}

// conn is a connection of the pool: lib/pq's, with its link and its prepared
// statements. The statements of this package are few and fixed, so each is prepared
// once per connection.
type conn struct {
	pqConn
	link     *link
	fence    *fence
	sessions *sessions
	// session is the name of the connection's session; empty until it is known.
	session  string
	prepared map[string]driver.Stmt
	// plans are the names of the statements of plans that the server has prepared. There are
	// as many as there are kinds of calls with a plan.
	plans map[string]bool
	// named are the statements of messages that were prepared, by query; names counts them.
	named map[string]string
	names int
	// scope applies to the transaction that is about to begin; BeginTx resets it.
	scope scope

	// lockTimeout is how long a write waits for a lock.
	lockTimeout time.Duration
	// idleTimeout is how long the server waits for the COMMIT of a write.
	idleTimeout time.Duration
}

// maxPrepared bounds the prepared statements of a connection. Searches are composed
// from the filter, so their number is not bounded otherwise. When it is reached, all
// are closed. Our own choice.
const maxPrepared = 200

// ExecContext runs a statement, prepared if it has arguments.
func (c *conn) ExecContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Result, error) {
	if len(args) == 0 {
		return c.pqConn.ExecContext(ctx, query, args)
	}
	stmt, err := c.prepare(ctx, query)
	if err != nil {
		return nil, err
	}
	return stmt.(driver.StmtExecContext).ExecContext(ctx, args)
}

// QueryContext runs a query, prepared if it has arguments.
func (c *conn) QueryContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Rows, error) {
	if len(args) == 0 {
		return c.pqConn.QueryContext(ctx, query, args)
	}
	stmt, err := c.prepare(ctx, query)
	if err != nil {
		return nil, err
	}
	return stmt.(driver.StmtQueryContext).QueryContext(ctx, args)
}

// prepare returns this connection's prepared statement for a query.
func (c *conn) prepare(ctx context.Context, query string) (driver.Stmt, error) {
	if stmt, ok := c.prepared[query]; ok {
		return stmt, nil
	}
	if len(c.prepared) == maxPrepared {
		for old, stmt := range c.prepared {
			if err := stmt.Close(); err != nil {
				return nil, err
			}
			delete(c.prepared, old)
		}
	}
	stmt, err := c.PrepareContext(ctx, query)
	if err != nil {
		return nil, err
	}
	c.prepared[query] = stmt
	return stmt, nil
}
