package storage

import (
	"context"
	"database/sql"
	"errors"
	"strconv"
	"time"

	"github.com/lib/pq"
)

// LogHead is the state of a chain's log.
type LogHead struct {
	Chain string // id of the chain
	Size  int64  // entries on the log
	Root  []byte // root hash of the tree over them
	// Position is that of the last entry that is on the log.
	Position int64
	// Keys are the public keys that have signed the checkpoint, a line each.
	Keys string
	// Checkpoint is the signed head; empty when the server has no key.
	Checkpoint []byte
	// Revision rises with every change of the head of any log.
	Revision int64
	// Halted says why the log is not built upon any more; empty: it is.
	Halted string
}

// LogTile is a tile of the tree of a chain's log. What is stored grows until
// the tile is full.
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
	Body     []byte // as stored
}

// LogChanges is what a batch puts on the logs.
type LogChanges struct {
	Heads  []LogHead
	Places []LogPlace
	Tiles  []LogTile
}

// LogPlace is the place of an entry on its chain's log, from 0.
type LogPlace struct {
	Chain string
	Place int64
	ID    string
}

// ErrNotLeading says that another server leads, and nothing was done.
var ErrNotLeading = errors.New("storage: another server keeps the log")

// longestLease is longer than the lease that servers take by default; our own choice.
const longestLease = 10 * time.Second

// TakeLead makes the caller the one that puts entries on the logs, unless
// somebody else is and was heard of within its lease. It returns the epoch that
// the caller leads in, or 0 when somebody else leads.
func TakeLead(ctx context.Context, db *DB, lease time.Duration) (int64, error) {
	var epoch int64
	err := db.inTransaction(ctx, func(tx *transaction) error {
		// A leader that was stopped in the middle of a batch holds the row. A lease
		// that ends later than any can was given before the database's clock was
		// put back; the epoch makes it safe to pass over a leader that is there.
		err := tx.GetContext(ctx, &epoch, `update log_leader set epoch = epoch + 1, lease_end = clock_timestamp() + $1 * interval '1 microsecond'
			where only_row = (select only_row from log_leader where lease_end < clock_timestamp()
				or lease_end > clock_timestamp() + $2 * interval '1 microsecond' for update skip locked) returning epoch`,
			lease.Microseconds(), max(lease, longestLease).Microseconds())
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

// YieldLead ends the caller's lead at once, for another server to take.
func YieldLead(ctx context.Context, db *DB, epoch int64) error {
	return db.inTransaction(ctx, func(tx *transaction) error {
		_, err := tx.ExecContext(ctx, "update log_leader set lease_end = '-infinity' where epoch = $1", epoch)
		return err
	})
}

// acrossChains begins a transaction that sees the logs of all chains. Nothing
// else in the program looks beyond one chain to do its work.
func (db *DB) acrossChains(ctx context.Context, opts *sql.TxOptions) (*transaction, error) {
	return db.begin(ctx, asKeeper(), opts)
}

// inTransaction commits what do does to the logs of all chains.
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

// Lead is what a server leads with.
type Lead struct {
	Epoch int64         // from TakeLead
	Lease time.Duration // how long it goes on after this batch
}

// Sequence puts up to limit entries on their logs: those before the settled
// position, which SettledBefore gave, that are not there yet. Fn works out what
// changes from the state it is given; it is committed if the caller still leads,
// and ErrNotLeading says that it does not. Sequence returns the position up to
// which entries are on their logs.
func Sequence(ctx context.Context, db *DB, lead Lead, settled int64, limit int, fn func(*Batch) (LogChanges, error)) (int64, error) {
	var reached int64
	err := db.inTransaction(ctx, func(tx *transaction) error {
		position, err := lead.hold(ctx, tx)
		if err != nil {
			return err
		}
		b := &Batch{ctx: ctx, tx: tx}
		if position >= settled {
			if position, err = b.given(position); err != nil {
				return err
			}
		}
		upTo, err := b.read(position, settled, limit)
		if err != nil {
			return err
		}
		if err := b.change(fn); err != nil {
			return err
		}
		reached = max(position, upTo)
		_, err = tx.ExecContext(ctx, "update log_leader set position = $1", reached)
		return err
	})
	return reached, err
}

// VanishedLogs returns those of the chains that have no log.
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

// Revise changes the heads of logs without new entries, as when they are signed
// by other keys: those of up to limit chains behind one, in the order of chains.
// It returns the last of these chains, or an empty one when there are none left.
func Revise(ctx context.Context, db *DB, lead Lead, after string, limit int, fn func(*Batch) (LogChanges, error)) (string, error) {
	var last string
	err := db.inTransaction(ctx, func(tx *transaction) error {
		if _, err := lead.hold(ctx, tx); err != nil {
			return err
		}
		b := &Batch{ctx: ctx, tx: tx, Heads: map[string]LogHead{}}
		var heads []LogHead
		err := tx.SelectContext(ctx, &heads, "select "+headColumns+" from log_heads where chain > $1 order by chain limit $2", after, limit)
		if err != nil {
			return err
		}
		for _, h := range heads {
			b.Heads[h.Chain], last = h, h.Chain
		}
		return b.change(fn)
	})
	return last, err
}

// hold locks the row of the leader, if the caller still is it, and returns the
// position up to which entries are on their logs. A leader that falls asleep
// with the row in its hands loses it, with its connection, at the end of the
// lease.
func (l Lead) hold(ctx context.Context, tx *transaction) (int64, error) {
	held := struct {
		Position int64
		Patience string
	}{}
	err := tx.GetContext(ctx, &held, `update log_leader set lease_end = clock_timestamp() + $2 * interval '1 microsecond'
		where epoch = $1 returning position, set_config('idle_in_transaction_session_timeout', $3, true) as patience`,
		l.Epoch, l.Lease.Microseconds(), strconv.FormatInt(max(1000, l.Lease.Milliseconds()), 10))
	if errors.Is(err, sql.ErrNoRows) {
		return 0, ErrNotLeading
	}
	return held.Position, err
}
