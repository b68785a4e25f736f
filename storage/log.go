package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
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

// TakeLead makes the caller the one that puts entries on the logs, unless
// somebody else is and was heard of within its lease. It returns the epoch that
// the caller leads in, or 0 when somebody else leads.
func TakeLead(ctx context.Context, db *DB, lease time.Duration) (int64, error) {
	var epoch int64
	err := db.inTransaction(ctx, func(tx *transaction) error {
		// A leader that was stopped in the middle of a batch holds the row.
		err := tx.GetContext(ctx, &epoch, `update log_leader set epoch = epoch + 1, lease_end = clock_timestamp() + $1 * interval '1 microsecond'
			where only_row = (select only_row from log_leader where lease_end < clock_timestamp() for update skip locked) returning epoch`, lease.Microseconds())
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

// Batch is a batch of entries with the heads of their logs, read under the lock
// that only one server has at a time.
type Batch struct {
	Pending []Pending          // in order of position
	Heads   map[string]LogHead // by chain; a chain without a log yet has none
	ctx     context.Context
	tx      *transaction
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
		l.Epoch, l.Lease.Microseconds(), strconv.FormatInt(max(1, l.Lease.Milliseconds()), 10))
	if errors.Is(err, sql.ErrNoRows) {
		return 0, ErrNotLeading
	}
	return held.Position, err
}

// change writes what fn works out.
func (b *Batch) change(fn func(*Batch) (LogChanges, error)) error {
	changes, err := fn(b)
	if err != nil {
		return err
	}
	return b.write(changes)
}

// read reads the pending entries and the heads of their logs, and returns the
// position up to which it has looked.
func (b *Batch) read(position, settled int64, limit int) (int64, error) {
	err := b.tx.SelectContext(b.ctx, &b.Pending, `select chain, id, position, body from audit_entries
		where position > $1 and position < $2 order by position limit $3`, position, settled, limit)
	if err != nil {
		return 0, err
	}
	upTo := settled - 1
	if len(b.Pending) == limit {
		upTo = b.Pending[limit-1].Position
	}
	chains := map[string]bool{}
	var ids []string
	for _, p := range b.Pending {
		if !chains[p.Chain] {
			chains[p.Chain] = true
			ids = append(ids, p.Chain)
		}
	}
	var heads []LogHead
	if len(ids) > 0 {
		err = b.tx.SelectContext(b.ctx, &heads, "select "+headColumns+" from log_heads where chain = any($1)", pq.Array(ids))
	}
	b.Heads = map[string]LogHead{}
	for _, h := range heads {
		b.Heads[h.Chain] = h
	}
	return upTo, err
}

const headColumns = "chain, size, root, position, keys, checkpoint, revision, halted"

// Tiles reads tiles; one that is not there is left out.
func (b *Batch) Tiles(wanted []LogTile) ([]LogTile, error) {
	return readTiles(b.ctx, b.tx, wanted)
}

// readTiles reads tiles by chain, level and index.
func readTiles(ctx context.Context, tx *transaction, wanted []LogTile) ([]LogTile, error) {
	chains, levels, indexes := make([]string, len(wanted)), make([]int64, len(wanted)), make([]int64, len(wanted))
	for i, w := range wanted {
		chains[i], levels[i], indexes[i] = w.Chain, int64(w.Level), w.Index
	}
	var found []LogTile
	err := tx.SelectContext(ctx, &found, `select t.chain, t.level, t.index, t.hashes from log_tiles t
		join unnest($1::text[], $2::smallint[], $3::bigint[]) as w (chain, level, index)
		on t.chain = w.chain and t.level = w.level and t.index = w.index`, pq.Array(chains), pq.Array(levels), pq.Array(indexes))
	return found, err
}

// write writes what a batch changes.
func (b *Batch) write(c LogChanges) error {
	if err := b.writePlaces(c.Places); err != nil {
		return err
	}
	if err := b.writeTiles(c.Tiles); err != nil {
		return err
	}
	return b.writeHeads(c.Heads)
}

func (b *Batch) writePlaces(places []LogPlace) error {
	if len(places) == 0 {
		return nil
	}
	chains, at, ids := make([]string, len(places)), make([]int64, len(places)), make([]string, len(places))
	for i, p := range places {
		chains[i], at[i], ids[i] = p.Chain, p.Place, p.ID
	}
	_, err := b.tx.ExecContext(b.ctx, "insert into log_entries (chain, place, id) select * from unnest($1::text[], $2::bigint[], $3::text[])",
		pq.Array(chains), pq.Array(at), pq.Array(ids))
	return err
}

func (b *Batch) writeTiles(tiles []LogTile) error {
	if len(tiles) == 0 {
		return nil
	}
	chains, levels, indexes, hashes := make([]string, len(tiles)), make([]int64, len(tiles)), make([]int64, len(tiles)), make([][]byte, len(tiles))
	for i, t := range tiles {
		chains[i], levels[i], indexes[i], hashes[i] = t.Chain, int64(t.Level), t.Index, t.Hashes
	}
	_, err := b.tx.ExecContext(b.ctx, `insert into log_tiles (chain, level, index, hashes)
		select * from unnest($1::text[], $2::smallint[], $3::bigint[], $4::bytea[])
		on conflict (chain, level, index) do update set hashes = excluded.hashes`,
		pq.Array(chains), pq.Array(levels), pq.Array(indexes), pq.Array(hashes))
	return err
}

// writeHeads writes heads, and keeps a checkpoint whose keys are replaced.
func (b *Batch) writeHeads(heads []LogHead) error {
	for _, h := range heads {
		_, err := b.tx.ExecContext(b.ctx, `with was as (
			insert into log_handovers (chain, keys, checkpoint, revision)
			select chain, keys, checkpoint, revision from log_heads where chain = $1 and keys <> $5 and keys <> ''
			on conflict (chain, keys) do update set checkpoint = excluded.checkpoint, revision = excluded.revision)
			insert into log_heads (chain, size, root, position, keys, checkpoint, revision, halted)
			values ($1, $2, $3, $4, $5, $6, nextval('log_revisions'), $7)
			on conflict (chain) do update set size = excluded.size, root = excluded.root, position = excluded.position, keys = excluded.keys,
				checkpoint = excluded.checkpoint, revision = excluded.revision, halted = excluded.halted`,
			h.Chain, h.Size, h.Root, h.Position, h.Keys, h.Checkpoint, h.Halted)
		if err != nil {
			return fmt.Errorf("storage: head of log %s: %w", h.Chain, err)
		}
	}
	return nil
}
