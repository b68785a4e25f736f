package storage

import (
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

// connector makes connections that cannot hang, that notice an unsure COMMIT,
// that prepare each statement once, and that lead to the right server.
type connector struct {
	cfg   Config
	hosts []pq.Config
	fence *fence
}

// newConnector reads the connection string. Everything the doors rely on is
// set here, whatever the string says.
func newConnector(cfg Config) (*connector, error) {
	base, err := parseDSN(cfg.DSN)
	if err != nil {
		return nil, err
	}
	base.Runtime["search_path"] = schema
	base.Runtime["statement_timeout"] = strconv.FormatInt(cfg.StatementTimeout.Milliseconds(), 10)
	base.Runtime["idle_in_transaction_session_timeout"] = strconv.FormatInt(2*cfg.ReadTimeout.Milliseconds(), 10)
	base.BinaryParameters = true // bytes travel as bytes
	base.ConnectTimeout = cfg.ReadTimeout
	fence, err := newFence(cfg.StateFile)
	if err != nil {
		return nil, err
	}
	return &connector{cfg: cfg, hosts: hostsOf(base), fence: fence}, nil
}

// parseDSN reads a connection string. What is wrong with one that may hold a
// password is not told, since that would quote it.
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

// hostsOf splits a configuration with several hosts. lib/pq would settle on
// the first that answers, which may be the one that the fence refuses.
func hostsOf(base pq.Config) []pq.Config {
	others := base.Multi
	base.Multi = nil
	hosts := []pq.Config{base}
	for _, other := range others {
		host := base.Clone()
		host.Host, host.Hostaddr, host.Port = other.Host, other.Hostaddr, other.Port
		hosts = append(hosts, host)
	}
	return hosts
}

// Driver returns lib/pq's, as database/sql asks for.
func (c *connector) Driver() driver.Driver { return &pq.Driver{} }

// Connect returns a connection to the first host that answers and that the
// fence admits.
func (c *connector) Connect(ctx context.Context) (driver.Conn, error) {
	var problems []error
	for _, host := range c.hosts {
		conn, err := c.connect(ctx, host)
		if err == nil {
			return conn, nil
		}
		problems = append(problems, err)
	}
	return nil, errors.Join(problems...)
}

// connect makes one connection and checks where it leads.
func (c *connector) connect(ctx context.Context, host pq.Config) (driver.Conn, error) {
	plain, err := pq.NewConnectorConfig(host)
	if err != nil {
		return nil, err
	}
	d := &dialer{cfg: c.cfg}
	plain.Dialer(d)
	dc, err := plain.Connect(ctx)
	if err != nil {
		return nil, err
	}
	d.connected = true
	cn := &conn{pqConn: dc.(pqConn), link: d.link, prepared: map[string]driver.Stmt{}, lockTimeout: c.cfg.StatementTimeout / 2}
	pq.SetNoticeHandler(dc, cn.link.notice)
	cn.link.setDeadline(ctx)
	if err := c.fence.check(ctx, cn); err != nil {
		cn.Close()
		return nil, err
	}
	return cn, nil
}

// dialer dials for one connection: first the connection itself, later the
// short calls by which lib/pq asks the server to cancel a statement of it.
type dialer struct {
	cfg       Config
	link      *link
	connected bool
}

// cancelTimeout bounds a call that asks for a cancellation. The caller waits
// for it, and a server that does not answer it in this time will not.
const cancelTimeout = 500 * time.Millisecond

// DialContext dials, and remembers the link when it is the connection itself.
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
	d.link = &link{Conn: nc, readTimeout: d.cfg.ReadTimeout}
	d.link.setDeadline(ctx)
	return d.link, nil
}

// Dial is part of pq.Dialer; lib/pq prefers DialContext.
func (d *dialer) Dial(network, address string) (net.Conn, error) {
	return d.DialContext(context.Background(), network, address)
}

// DialTimeout is part of pq.Dialer; lib/pq prefers DialContext.
func (d *dialer) DialTimeout(network, address string, timeout time.Duration) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(context.Background(), timeout)
	defer cancel()
	return d.DialContext(ctx, network, address)
}

// link is the network connection under a database connection. Every wait on
// it ends.
type link struct {
	net.Conn
	readTimeout   time.Duration
	until         atomic.Pointer[time.Time] // the caller's deadline with some grace
	notReplicated atomic.Bool               // COMMIT did not wait for its standby
}

// grace is how long a cancelled statement may take to come back before its
// connection is given up.
const grace = 500 * time.Millisecond

// setDeadline makes every wait end shortly after the caller's deadline.
func (l *link) setDeadline(ctx context.Context) {
	l.until.Store(nil)
	if deadline, ok := ctx.Deadline(); ok {
		deadline = deadline.Add(grace)
		l.until.Store(&deadline)
	}
}

// clearDeadline forgets the caller's deadline, which is not that of the next user, nor of what closes
// the connection next.
func (l *link) clearDeadline() { l.until.Store(nil) }

// beginCommit readies the link for a COMMIT, which no caller's deadline may cut.
func (l *link) beginCommit() {
	l.until.Store(nil)
	l.notReplicated.Store(false)
}

// deadline is when a wait that begins now must end.
func (l *link) deadline() time.Time {
	latest := time.Now().Add(l.readTimeout)
	if until := l.until.Load(); until != nil && until.Before(latest) {
		return *until
	}
	return latest
}

// Read reads within the deadline.
func (l *link) Read(p []byte) (int, error) {
	if err := l.SetReadDeadline(l.deadline()); err != nil {
		return 0, err
	}
	return l.Conn.Read(p)
}

// Write writes within the deadline: a frozen server stops reading, too.
func (l *link) Write(p []byte) (int, error) {
	if err := l.SetWriteDeadline(l.deadline()); err != nil {
		return 0, err
	}
	return l.Conn.Write(p)
}

// notice hears the server's warnings. Two of them say that COMMIT returned
// before the standby had it: 01000 after a cancel request and 57P01 after an
// administrator's (PostgreSQL, src/backend/replication/syncrep.c,
// SyncRepWaitForLSN).
func (l *link) notice(w *pq.Error) {
	if w.Code == "01000" || w.Code == "57P01" {
		l.notReplicated.Store(true)
	}
}

// pqConn is what lib/pq's connections can do, so that ours can do it too.
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

// conn is lib/pq's connection with its link and its prepared statements: the
// statements of this package are few and fixed, so each is prepared once per
// connection.
type conn struct {
	pqConn
	link     *link
	prepared map[string]driver.Stmt
	scope    scope // of the transaction that is about to begin

	lockTimeout time.Duration // how long a write waits for a lock
}

// maxPrepared bounds the statements of a connection: searches are put together
// from what is asked, so their number is not known.
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

// prepare returns the statement of this connection for a query.
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
