package storage

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"time"

	"github.com/lib/pq"
)

// LogHead is the state of a chain's log, a row of log_heads.
type LogHead struct {
	// Chain is the ID of the chain.
	Chain string
	// Size is the number of entries on the log.
	Size int64
	// Root is the root hash of the tree over them.
	Root []byte
	// Position is the position of the last entry that is on the log.
	Position int64
	// Keys are the public keys that have signed the checkpoint, one per line.
	Keys string
	// Checkpoint is the signed head; empty if nothing was signed.
	Checkpoint []byte
	// Revision comes from one sequence for all chains and rises with every change of a head, so
	// that a reader finds what has changed since.
	Revision int64
	// Halted is why nothing is added to the log any more; empty: entries are added.
	Halted string
}

// LogTile is a tile of the tree of a chain's log. It grows until it is full (256
// hashes) and is never replaced by other content; a trigger refuses that.
type LogTile struct {
	Chain  string
	Level  int
	Index  int64
	Hashes []byte
}

// Pending is an audit entry that is not yet on its log.
type Pending struct {
	Chain    string
	ID       string
	Position int64
	// Body is the stored encoding, over which the leaf hash is made.
	Body []byte
}

// LogChanges is what a batch changes in the tables of the log.
type LogChanges struct {
	Heads  []LogHead
	Places []LogPlace
	Tiles  []LogTile
}

// LogPlace is the place of an entry on its chain's log, counted from 0. Places have no
// gaps, unlike positions.
type LogPlace struct {
	Chain string
	Place int64
	ID    string
}

// ErrNotLeading means that another server holds the lease. Nothing was changed.
var ErrNotLeading = errors.New("storage: another server keeps the log")

// longestLease is longer than the default lease of a server (3 s). A lease that ends
// later than that was made before the database's clock was set back. Our own choice.
const longestLease = 10 * time.Second

// AcquireLease makes the caller the leader, which puts entries on the logs, unless
// another server holds an unexpired lease. It returns the epoch of the new lease, or 0
// if another server leads. The lease ends after the given duration unless Sequence,
// Cover or another call with it renews it.
//
// holder names the server to operators, in status; it means nothing to the program. It is
// stored with the epoch that it belongs to, because a server of an older version that takes
// the lead later leaves the name alone; the name of another epoch is not shown.
//
// Each lease has a new epoch. A former leader that wakes up has an old one and can
// change nothing (Lease.hold). Time therefore only decides who may try, and never
// whether two servers can extend one log.
func AcquireLease(ctx context.Context, db *DB, lease time.Duration, holder string) (int64, error) {
	if unfenced {
		return 1, nil
	}
	var epoch int64
	err := db.inTransaction(ctx, func(tx *transaction) error {
		// A leader that was stopped in the middle of a batch holds the row. A lease
		// that ends later than any can was given before the database's clock was
		// put back; the epoch makes it safe to pass over a leader that is there.
		err := tx.GetContext(ctx, &epoch, `update log_leader set epoch = epoch + 1, lease_end = clock_timestamp() + $1 * interval '1 microsecond', holder = $3, holder_epoch = epoch + 1
			where only_row = (select only_row from log_leader where lease_end < clock_timestamp()
				or lease_end > clock_timestamp() + $2 * interval '1 microsecond' for update skip locked) returning epoch`,
			lease.Microseconds(), max(lease, longestLease).Microseconds(), holder)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		return err
	})
	if err != nil {
		return 0, err
	}
	return epoch, nil
}

// ReleaseLease ends the caller's lease at once, so that another server need not wait
// for its end. It does nothing if the epoch is not the current one.
func ReleaseLease(ctx context.Context, db *DB, epoch int64) error {
	return db.inTransaction(ctx, func(tx *transaction) error {
		_, err := tx.ExecContext(ctx, "update log_leader set lease_end = '-infinity' where epoch = $1", epoch)
		return err
	})
}

// acrossChains begins a transaction as the keeper role, which sees the logs of all
// chains. Nothing that is done for a salon needs it; TestEveryTransactionHasAScope
// lists all callers.
func (db *DB) acrossChains(ctx context.Context, opts *sql.TxOptions) (*transaction, error) {
	return db.begin(ctx, asKeeper(), opts)
}

// inTransaction runs do in a transaction of the keeper and commits it. Unlike Write, it
// does not run again after a conflict.
func (db *DB) inTransaction(ctx context.Context, do func(*transaction) error) error {
	tx, err := db.acrossChains(ctx, nil)
	if err != nil {
		return err
	}
	if err := do(tx); err != nil {
		tx.end()
		return explain(ctx, err)
	}
	return tx.commit(ctx)
}

// Lease is the right of a server to change the logs.
type Lease struct {
	// Epoch comes from AcquireLease.
	Epoch int64
	// Duration is how long the lease is extended by each use.
	Duration time.Duration
}

// hold returns the statements that lock the leader's row, if the epoch is still the
// current one, and extend the lease. They are part of the message that begins a
// transaction, so they cost no round trip. The lock is held to the end of the
// transaction, so that no other server can become the leader and change a log
// meanwhile. A leader that is suspended with the lock loses it at the end of the lease,
// when the server closes its idle transaction.
func (l Lease) hold() string {
	if unfenced {
		return "values (1)"
	}
	return fmt.Sprintf(`set local idle_in_transaction_session_timeout = %d;
		update log_leader set lease_end = clock_timestamp() + %d * interval '1 microsecond' where epoch = %d`,
		max(1000, l.Duration.Milliseconds()), l.Duration.Microseconds(), l.Epoch)
}

// heldLead returns ErrNotLeading unless the last statement of hold has found the row.
func heldLead(last driver.Result) error {
	n, err := last.RowsAffected()
	if err == nil && n != 1 {
		err = ErrNotLeading
	}
	return err
}

// leading runs do in a transaction of the leader and commits it. If another server
// leads, the error is ErrNotLeading and do is not called.
func (db *DB) leading(ctx context.Context, lead Lease, do func(*transaction) error) error {
	tx, err := db.begin(ctx, asLeader(lead), nil)
	if err != nil {
		return err
	}
	if err := do(tx); err != nil {
		tx.end()
		return explain(ctx, err)
	}
	return tx.commit(ctx)
}

// RenewLease extends a lease. If another server leads, the error is ErrNotLeading.
func RenewLease(ctx context.Context, db *DB, lead Lease) error {
	return db.leading(ctx, lead, func(*transaction) error { return nil })
}

// Sequence puts up to limit entries on their logs: those that are not there yet, before
// the position settled, which SettledBefore returned. fn computes the changes from the
// state that it is given, and must not depend on anything else. They are committed only
// if the caller still holds the lease; otherwise the error is ErrNotLeading.
//
// It returns the position up to which entries are on their logs. If the caller crashes,
// the batch is either committed or absent, and the next leader continues from the state
// in the database.
//
// A batch costs four round trips however many chains it has: the lock, one statement
// that reads, one that writes, and COMMIT. If the tables refuse what is written, they
// were changed by somebody else; the batch is then done again, log by log, so that
// only the log that is refused is halted.
func Sequence(ctx context.Context, db *DB, lead Lease, settled int64, limit int, fn func(*Batch) (LogChanges, error)) (int64, error) {
	reached, err := sequence(ctx, db, lead, settled, limit, fn, (*Batch).writeAll)
	if errors.Is(err, errNotGrowing) {
		reached, err = sequence(ctx, db, lead, settled, limit, fn, (*Batch).writeApart)
	}
	return reached, err
}

// sequence is Sequence with one of the two ways to write a batch.
func sequence(ctx context.Context, db *DB, lead Lease, settled int64, limit int,
	fn func(*Batch) (LogChanges, error), write func(*Batch, LogChanges, int64) error) (reached int64, err error) {
	err = db.leading(ctx, lead, func(tx *transaction) error {
		b := &Batch{ctx: ctx, tx: tx}
		if reached, err = b.read(settled, limit); err != nil {
			return err
		}
		changes, err := fn(b)
		if err != nil {
			return err
		}
		return write(b, changes, reached)
	})
	return reached, err
}

// VanishedLogs returns those of the given chains that have no log.
func VanishedLogs(ctx context.Context, db *DB, chains []string) ([]string, error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer tx.end()
	var gone []string
	err = tx.SelectContext(ctx, &gone, "select c.chain from unnest($1::text[]) as c (chain) where not exists (select from log_heads h where h.chain = c.chain)",
		pq.Array(chains))
	return gone, explain(ctx, err)
}

// Revise changes the heads of logs without new entries, as when they are signed with
// other keys: those of up to limit chains after one, in the order of chains. It returns
// the last of these chains; empty when there are none left.
func Revise(ctx context.Context, db *DB, lead Lease, after string, limit int, fn func(*Batch) (LogChanges, error)) (string, error) {
	var last string
	err := db.leading(ctx, lead, func(tx *transaction) error {
		b := &Batch{ctx: ctx, tx: tx, Heads: map[string]LogHead{}}
		var heads []LogHead
		err := tx.SelectContext(ctx, &heads, "select "+headColumns+" from log_heads where chain > $1 order by chain limit $2", after, limit)
		if err != nil {
			return err
		}
		for _, h := range heads {
			b.Heads[h.Chain], last = h, h.Chain
		}
		changes, err := fn(b)
		if err != nil {
			return err
		}
		return b.writeApart(changes, 0)
	})
	return last, err
}
