// Package storage keeps the records of alkalog in PostgreSQL.
//
// # Transactions
//
// All of a salon's work goes through two functions. Read runs a function on a
// read-only snapshot of one chain. Write runs a function on such a snapshot, ends that
// transaction, and then commits what the function returned in a second one: records,
// audit entries, the answer and the request id, all or nothing. So no row is locked
// while the function decides. Packages outside this one cannot reach the connection
// pool.
//
// The request id is the idempotency key. The row that claims it is inserted first:
// concurrent calls with the same id wait there, and a later call gets the stored
// answer. If a record that the function read was changed in the meantime, the function
// runs again on a fresh snapshot, at most maxAttempts times.
//
// The write path keeps five promises that a driver does not:
//
//   - Nothing is written outside an explicit transaction. database/sql silently runs
//     an auto-committed statement again when the reply is lost.
//   - COMMIT cannot be cancelled. A COMMIT that did not wait for the synchronous
//     standby counts as unknown, never as done.
//   - Every network read has a deadline, because a context alone does not release a
//     caller from a server that has stopped answering.
//   - The result of a failed COMMIT is unknown until the request id has been looked up.
//   - A replaced server that comes back, or a different database, is detected on
//     connecting and refused (fence.go).
//
// # Isolation and sealing
//
// Row-level security keeps chains apart: the message that begins a transaction also
// sets its chain with "set local", and the policies of the tables compare every row
// with it. Records of a client are sealed with a key of that client. Deleting the key
// erases the client, also from copies of the tables that do not include the keys.
//
// # Audit log
//
// Each chain has an append-only log of audit entries. Records without an entry of
// their own are covered by digests that the leader puts on the log (coverage.go).
// Counters for summaries are computed after the commit, from a queue (counters.go).
package storage

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"github.com/jmoiron/sqlx"
	"github.com/lib/pq"
	"google.golang.org/protobuf/proto"
)

// Config says which database to use and how patient to be. Only DSN is
// required.
type Config struct {
	// DSN is a PostgreSQL connection string; several hosts are tried in order.
	DSN string
	// ReadTimeout bounds every single wait for the server. 0 means 10 s.
	ReadTimeout time.Duration
	// StatementTimeout makes the server give up a statement; it must be shorter
	// than ReadTimeout. 0 means four fifths of it.
	StatementTimeout time.Duration
	// MaxConns bounds the connections, and so the transactions at a time and the
	// commits that outlive their callers. 0 means 16.
	MaxConns int
	// StateFile keeps the highest system identifier and timeline ever seen, so
	// that a restart still refuses an old server. Empty keeps it in memory only.
	StateFile string
	// Keys wraps the keys that records of clients are sealed with. Nil: these can
	// be neither read nor written.
	Keys Keys
	// Inspect opens a database also where its triggers and privileges do not guard
	// the records, to look at what is there.
	Inspect bool
	// MayReplay reports whether the caller, whom the snapshot's context names, may
	// have the stored answer to a request that is repeated; if not, the answer is
	// ErrReused, as for any other request of that id. Nil: everybody may.
	MayReplay func(s *Snapshot, req Request, answer proto.Message) (bool, error)
	// Dial replaces the dialer, for tests that stand between us and the server.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
}

// DB is an open database. Use it through Read and Write.
type DB struct {
	pool     *sqlx.DB
	cfg      Config
	maxConns int
	commits  sync.WaitGroup // commits in flight, with or without their caller

	compressor *compressor // for what is sealed

	whatIfs whatIfs // not written yet

	forbidden atomic.Pointer[string] // why nothing is written; nil: all is
	erased    erasedClients          // whose keys are not used
	conflicts atomic.Int64           // see Stats
	fence     *fence
}

// Open connects, and refuses a database whose schema this program does not
// fit with a *SchemaError, and one that does not keep chains apart with a
// *IsolationError.
func Open(ctx context.Context, cfg Config) (*DB, error) {
	cfg, err := cfg.complete()
	if err != nil {
		return nil, err
	}
	connector, err := newConnector(cfg)
	if err != nil {
		return nil, err
	}
	db := &DB{pool: sqlx.NewDb(sql.OpenDB(connector), "postgres"), cfg: cfg, maxConns: cfg.MaxConns, compressor: newCompressor(), fence: connector.fence}
	db.pool.SetMaxOpenConns(cfg.MaxConns)
	db.pool.SetMaxIdleConns(cfg.MaxConns)
	if err := db.CheckSchema(ctx); err != nil {
		db.pool.Close()
		return nil, err
	}
	return db, nil
}

// Close waits for the commits in flight, which the read timeout bounds, and
// closes the connections.
func (db *DB) Close() error {
	db.commits.Wait()
	return db.pool.Close()
}

// complete fills in what was left out, and refuses what cannot work.
func (cfg Config) complete() (Config, error) {
	if cfg.ReadTimeout == 0 {
		cfg.ReadTimeout = 10 * time.Second
	}
	if cfg.StatementTimeout == 0 {
		cfg.StatementTimeout = cfg.ReadTimeout * 4 / 5
	}
	if cfg.MaxConns == 0 {
		cfg.MaxConns = 16
	}
	if cfg.Keys == nil {
		cfg.Keys = noKeys{}
	}
	if cfg.Dial == nil {
		cfg.Dial = (&net.Dialer{KeepAlive: 15 * time.Second}).DialContext
	}
	switch {
	case cfg.DSN == "":
		return cfg, errors.New("storage: no DSN")
	case cfg.MaxConns < 0:
		return cfg, fmt.Errorf("storage: %d connections", cfg.MaxConns)
	case cfg.StatementTimeout < time.Millisecond:
		return cfg, fmt.Errorf("storage: statement timeout %v is below a millisecond", cfg.StatementTimeout)
	case cfg.StatementTimeout >= cfg.ReadTimeout:
		return cfg, fmt.Errorf("storage: statement timeout %v is not below the read timeout %v",
			cfg.StatementTimeout, cfg.ReadTimeout)
	}
	return cfg, nil
}

// transaction is a database transaction together with its connection. It must
// be ended with commit or end.
type transaction struct {
	*sqlx.Tx
	db   *DB
	conn *sqlx.Conn
	link *link
}

// begin waits for a connection as long as the caller does, and then begins a
// transaction that the caller's context does not cancel: lib/pq would pass a
// cancellation on to a COMMIT that waits for its standby, and the server would then
// report success. Each statement gets the caller's context instead.
func (db *DB) begin(ctx context.Context, in scope, opts *sql.TxOptions) (*transaction, error) {
	for stale := 0; ; stale++ {
		conn, err := db.pool.Connx(ctx)
		if err != nil {
			return nil, explain(ctx, err)
		}
		t := &transaction{db: db, conn: conn, link: setScope(conn, in)}
		t.link.setDeadline(ctx)
		t.Tx, err = conn.BeginTxx(context.WithoutCancel(ctx), opts)
		if err == nil {
			return t, nil
		}
		t.link.clearDeadline()
		conn.Close()
		// Connections that died in the pool show it here, where nothing was done.
		if !connectionLost(err) || stale == db.maxConns {
			return nil, explain(ctx, err)
		}
	}
}

// connectionLost reports whether a connection was cut, as all of a pool are when the
// server restarts. A server that does not answer is another matter.
func connectionLost(err error) bool {
	var broken net.Error
	return errors.Is(err, driver.ErrBadConn) || errors.As(err, &broken) && !broken.Timeout()
}

// setScope gives a pooled connection the scope of its next transaction, and finds
// the network connection under it.
func setScope(c *sqlx.Conn, in scope) *link {
	var l *link
	// The function cannot fail, and a connection that is bad fails at BEGIN.
	_ = c.Raw(func(dc any) error {
		cn := dc.(*conn)
		cn.scope, l = in, cn.link
		return nil
	})
	return l
}

// end gives up a transaction. What it has read stays valid; what it has
// written is undone.
func (t *transaction) end() {
	// A rollback that fails leaves a connection that is closed, and a server
	// that rolls back by itself.
	_ = t.Rollback()
	t.link.clearDeadline()
	t.conn.Close()
}

// errNotReplicated stands for the warning that COMMIT did not wait for the
// synchronous standby.
var errNotReplicated = errors.New("the server stopped waiting for its synchronous standby")

// commit commits, and answers at the caller's deadline at the latest, while
// the commit itself goes on. An error that wraps ErrUnknown leaves open
// whether the transaction was committed; any other means that it was not.
func (t *transaction) commit(ctx context.Context) error {
	done := make(chan error, 1)
	t.db.commits.Go(func() { done <- t.finish() })
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("%w: %w", ErrUnknown, ctx.Err())
	}
}

// finish sends COMMIT and waits as long as the read timeout allows.
func (t *transaction) finish() error {
	defer t.conn.Close()
	t.link.beginCommit()
	err := t.Commit()
	if err == nil && t.link.notReplicated.Load() {
		err = errNotReplicated
	}
	var refused *pq.Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &refused) && (refused.Code.Class() == "23" || refused.Code.Class() == "40"):
		// The server itself says that it rolled back.
		return explain(context.Background(), err)
	}
	return fmt.Errorf("%w: %w", ErrUnknown, err)
}
