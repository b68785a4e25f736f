// Package storage keeps the records of alkalog in PostgreSQL.
//
// # Transactions
//
// All of a salon's work goes through two functions. Read runs a function on a read-only
// snapshot of one chain. Write runs a function on such a snapshot, ends that
// transaction, and then commits what the function returned in a second one: records,
// audit entries, the answer and the request ID, all or nothing. So no row is locked
// while the function decides. Packages outside this one cannot reach the connection
// pool.
//
// The request ID is the idempotency key. The row that claims it is inserted first:
// concurrent calls with the same ID wait there, and a later call gets the stored
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
//   - The result of a failed COMMIT is unknown until the request ID has been looked up.
//   - A replaced server that comes back, or a different database, is detected on
//     connecting and refused (fence.go).
//
// # What commits with what
//
// One transaction of Write contains, in this order: the shared lock for the sequencer
// and key-share locks on the clients' keys, the claim of the request ID with request,
// answer and manifest, new or deleted keys of clients, records and audit entries, and
// the index by which clients are found. Constraint triggers refuse a commit that has a
// refusal, referral, override, signature or incident without its audit entry, or an entry of a decision, override or signature without
// its cause.
//
// If the program crashes before COMMIT, nothing happened. If it crashes after COMMIT,
// everything happened, and a retry with the same request ID gets the stored answer.
// Three things are made later, each from a durable queue, so that a crash only delays
// them: the place on the log (audit_entries), coverage (requests.manifest) and counters
// (tally_queue).
//
// # Locks
//
// A write takes the table lock on audit_entries (row exclusive), then the shared
// advisory lock and the key rows of its clients, then the row of the claim, then the records in the
// order of Changes.Records. Two writes that replace the same records in another order
// can deadlock; PostgreSQL ends one, and it runs again. A write that has lost several
// times takes the records first, and then decides (turn.go). The leader of the logs locks
// its row in log_leader before anything else.
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
// Each chain has an append-only log of audit entries. Records without an entry of their
// own are covered by digests that the leader puts on the log (coverage.go). Counters
// for summaries are computed after the commit, from a queue (counters.go).
//
// # Errors
//
// Functions return the sentinel errors of errors.go, wrapped; package fault maps them
// to statuses. An error of a function that was passed in is returned unchanged. Error
// texts name tables, resource names and settings, never the content of a record.
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

// Config says which database to use and how long to wait for it. Only DSN is required.
type Config struct {
	// DSN is a PostgreSQL connection string. Of several hosts, the newest primary is used.
	// connect_timeout bounds the time to connect to one; the default is ReadTimeout.
	DSN string
	// ReadTimeout bounds every single wait for the server. 0 means 10 s.
	ReadTimeout time.Duration
	// StatementTimeout makes the server give up a statement; it must be shorter
	// than ReadTimeout. 0 means four fifths of it.
	StatementTimeout time.Duration
	// IdleTimeout is after which time the server ends a write whose COMMIT does not come. 0
	// means a fifth of ReadTimeout.
	IdleTimeout time.Duration
	// MaxConns bounds the connections, and so the transactions at a time and the
	// commits that outlive their callers. 0 means 16. A write that has lost to others several
	// times uses one more (turn.go).
	MaxConns int
	// Writers bounds the batches of writes of a chain that are committed at a time (batch.go).
	// 0 means 2.
	Writers int
	// StateFile keeps the highest system identifier and timeline ever seen, so
	// that a restart still refuses an old server. Empty keeps it in memory only.
	StateFile string
	// Keys wraps the keys that records of clients are sealed with. Nil: such records can be
	// neither read nor written.
	Keys Keys
	// Inspect opens a database even if its triggers and privileges do not guard the records, so
	// that an operator can examine it.
	Inspect bool
	// MayReplay reports whether the caller, who is in the snapshot's context, may have the
	// stored answer to a repeated request. If not, the result is ErrReused, as for any other
	// request with that ID: a request ID must not become a way to read another caller's answer.
	// Nil: every caller may.
	MayReplay func(s *Snapshot, req Request, answer proto.Message) (bool, error)
	// Dial replaces the dialer, for tests that stand between the program and the server.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
}

// DB is an open database. Use it through Read and Write. It is safe for concurrent use.
type DB struct {
	pool     *sqlx.DB
	cfg      Config
	maxConns int
	// commits counts COMMITs in progress. Close waits for them, because a caller whose deadline
	// passed does not.
	commits sync.WaitGroup
	// batches gathers writes for group commit.
	batches batches
	// turns lets one write at a time lock what it relies on before it decides (turn.go).
	turns turns

	// compressor is shared by all records.
	compressor *compressor

	// records are bodies of records in clear, for the statements of plans.
	records *recordCache
	// facts are opened events of sessions, for the statements of plans.
	facts *memory[*sessionFacts]
	// decided is what was made of recent decisions of clients.
	decided *memory[*foldedDecisions]

	// practitionerCounts are figures that were counted and not yet written.
	practitionerCounts practitionerCounts

	// settled is what is known to be settled. See KnownSettled.
	settled settledMemory
	// writeListeners are told of every write. See OnWrite.
	writeListeners writeListeners

	// forbidden is why nothing may be written; nil: writes are allowed. See Forbid.
	forbidden atomic.Pointer[string]
	// erased are the clients whose keys must not be used. See MarkErased.
	erased erasedClients
	// conflicts counts attempts that another write defeated. See Stats.
	conflicts atomic.Int64
	// minimumSchema is the oldest schema version whose servers may write. See MinimumSchema.
	minimumSchema atomic.Int64
	// missedPlans counts functions that read something that their plan did not have.
	missedPlans atomic.Int64
	fence       *fence
	connector   *connector
}

// Open connects and checks the database. It returns a *SchemaError if the schema does
// not suit this program, an *IsolationError if row-level security does not
// separate the chains, and a *GuardsError if triggers or privileges differ from those
// of the migrations (unless Config.Inspect is set). All three wrap ErrUnavailable.
func Open(ctx context.Context, cfg Config) (*DB, error) {
	cfg, err := cfg.complete()
	if err != nil {
		return nil, err
	}
	connector, err := newConnector(cfg)
	if err != nil {
		return nil, err
	}
	db := &DB{pool: sqlx.NewDb(sql.OpenDB(connector), "postgres"), cfg: cfg, maxConns: cfg.MaxConns,
		batches: batches{most: cfg.Writers, stalledAfter: stalledAfter}, fence: connector.fence, connector: connector}
	db.compressor = newCompressor(func() bool { return db.MinimumSchema() >= dictionariesSince })
	db.records, db.facts, db.decided = newRecordCache(), newMemory[*sessionFacts](maxFactBytes), newMemory[*foldedDecisions](maxDecisionBytes)
	db.pool.SetMaxOpenConns(cfg.MaxConns)
	db.pool.SetMaxIdleConns(cfg.MaxConns)
	if len(connector.hosts) > 1 {
		connector.survey() // an old primary that answers first must not be taken
	}
	if err := db.checkSessions(ctx); err != nil {
		db.pool.Close()
		return nil, err
	}
	if err := db.CheckSchema(ctx); err != nil {
		db.pool.Close()
		return nil, err
	}
	db.turns = newTurns(connector)
	return db, nil
}

// Close waits for the COMMITs in progress, at most one read timeout, and closes the
// connections.
func (db *DB) Close() error {
	db.commits.Wait()
	return errors.Join(db.turns.pool.Close(), db.pool.Close())
}

// complete fills in the defaults and refuses settings that cannot work. The statement
// timeout must be shorter than the read timeout: otherwise the connection is cut before
// the server can report why it stopped.
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
	if cfg.IdleTimeout == 0 {
		cfg.IdleTimeout = max(cfg.ReadTimeout/5, time.Millisecond)
	}
	if cfg.Writers == 0 {
		cfg.Writers = 2
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
	case cfg.Writers < 0:
		return cfg, fmt.Errorf("storage: %d writers", cfg.Writers)
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

// transaction is a database transaction with its connection. Every transaction must be
// ended by commit or end; otherwise its connection is lost to the pool.
type transaction struct {
	*sqlx.Tx
	db   *DB
	conn *sqlx.Conn
	link *link
	// told means that OnWrite tells of the commit.
	told bool
}

// begin waits for a connection as long as the caller does and begins a transaction in a
// scope.
//
// The caller's context does not cancel the transaction. lib/pq would pass a
// cancellation on to a COMMIT that waits for its standby, and the server would then
// report success. Each statement gets the caller's context instead.
//
// A connection that died in the pool fails here, where nothing has happened yet. It is replaced, at most
// once per connection of the pool.
func (db *DB) begin(ctx context.Context, in scope, opts *sql.TxOptions) (*transaction, error) {
	for stale := 0; ; stale++ {
		conn, err := in.connection(ctx, db)
		if err != nil {
			return nil, explain(ctx, err)
		}
		if in.message != nil && in.message.ready != nil {
			if err := in.message.ready(); err != nil {
				conn.Close()
				return nil, err
			}
		}
		t := &transaction{db: db, conn: conn, link: setScope(conn, in), told: in.audited && (opts == nil || !opts.ReadOnly)}
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

// connectionLost reports whether a connection was cut, as all connections of a pool are
// when the server restarts. A server that does not answer in time is a different case:
// trying again would double the wait.
func connectionLost(err error) bool {
	var broken net.Error
	return errors.Is(err, driver.ErrBadConn) || errors.As(err, &broken) && !broken.Timeout()
}

// setScope sets the scope of the next transaction of a pooled connection, and returns
// the link under it.
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

// end rolls a transaction back and returns its connection. What it has read stays
// valid.
func (t *transaction) end() {
	// A rollback that fails leaves a connection that is closed, and a server
	// that rolls back by itself.
	_ = t.Rollback()
	t.link.clearDeadline()
	t.conn.Close()
}

// errNotReplicated stands for the warning that COMMIT did not wait for the synchronous
// standby.
var errNotReplicated = errors.New("the server stopped waiting for its synchronous standby")

// commit commits, and returns at the caller's deadline at the latest; the COMMIT itself
// continues. An error that wraps ErrUnknown leaves open whether the transaction was
// committed. Any other error means that it was not.
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

// finish sends COMMIT and waits as long as the read timeout allows. Only an error of
// class 23 (integrity constraint violation) or 40 (transaction rollback) proves that
// the server has rolled back. After every other error the result is unknown.
func (t *transaction) finish() error {
	defer t.conn.Close()
	t.link.beginCommit()
	ended := make(chan struct{})
	slow := time.AfterFunc(slowCommit, func() { t.db.connector.surveyUntil(ended) })
	err := t.sendCommit()
	slow.Stop()
	close(ended)
	if t.told { // also if the result is unknown: a look does no harm
		t.db.writeListeners.tell()
	}
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
