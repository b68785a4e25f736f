package storage

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"

	"github.com/lib/pq"
)

// Batch is a batch of entries with the heads of their logs, read while the leader's row
// is locked. It is valid only inside the function that receives it.
type Batch struct {
	// Pending are the entries, in the order of positions.
	Pending []Pending
	// Heads are the heads by chain ID. A chain without a log has none.
	Heads map[string]LogHead
	ctx   context.Context
	tx    *transaction
}

// change writes what fn computes. An error of fn undoes the batch.
func (b *Batch) change(fn func(*Batch) (LogChanges, error)) error {
	changes, err := fn(b)
	if err != nil {
		return err
	}
	return b.write(changes)
}

// given checks the leader's stored position. If no entry can have a position that high,
// somebody has changed the row; entries behind it would never come onto their logs. The
// result is then 0, and all entries are looked at again. Entries that are on a log
// already are skipped by the caller.
func (b *Batch) given(position int64) (int64, error) {
	var next int64
	err := b.tx.GetContext(b.ctx, &next, "select last_value + is_called::int from audit_entries_position_seq")
	if position >= next {
		return 0, err
	}
	return position, err
}

// read reads the pending entries and the heads of their logs, and returns the position
// up to which it has looked.
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

// headColumns is the column list for a LogHead.
const headColumns = "chain, size, root, position, keys, checkpoint, revision, halted"

// Tiles reads tiles by chain, level and index. Tiles that do not exist are left out.
func (b *Batch) Tiles(wanted []LogTile) ([]LogTile, error) {
	return readTiles(b.ctx, b.tx, wanted)
}

// readTiles reads tiles by chain, level and index, in any order.
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

// write writes the changes of a batch. If constraints or triggers refuse them, somebody
// has changed the tables. Each log is then written alone, and the one that is refused
// is halted, so that the logs of other chains continue.
func (b *Batch) write(c LogChanges) error {
	err := b.try(c)
	if !errors.Is(err, errNotGrowing) {
		return err
	}
	for chain, part := range c.byChain() {
		switch err := b.try(part); {
		case errors.Is(err, errNotGrowing):
			h := b.Heads[chain]
			if h.Root == nil {
				h = LogHead{Chain: chain, Root: make([]byte, sha256.Size), Checkpoint: []byte{}}
			}
			h.Halted = "what is stored of it is not what it has grown to: " + err.Error()
			if err := b.writeHeads([]LogHead{h}); err != nil {
				return err
			}
		case err != nil:
			return err
		}
	}
	return nil
}

// errNotGrowing means that the tables of the log have refused changes that would be
// right for a log that nobody has touched.
var errNotGrowing = errors.New("storage: refused by the tables of the log")

// try writes all changes, or nothing and returns errNotGrowing. The savepoint keeps the
// transaction usable after a refusal.
func (b *Batch) try(c LogChanges) error {
	if _, err := b.tx.ExecContext(b.ctx, "savepoint try"); err != nil {
		return err
	}
	err := b.writePlaces(c.Places)
	if err == nil {
		err = b.writeTiles(c.Tiles)
	}
	if err == nil {
		err = b.writeHeads(c.Heads)
	}
	var refused *pq.Error
	if !errors.As(err, &refused) || refused.Code.Class() != "23" && !byTrigger(refused) {
		return err
	}
	if _, err := b.tx.ExecContext(b.ctx, "rollback to savepoint try"); err != nil {
		return err
	}
	return fmt.Errorf("%w: %s", errNotGrowing, refused.Message)
}

// byTrigger reports whether a trigger of the log has refused. The same SQLSTATE 42501
// (insufficient privilege) also means that a privilege was revoked. That is no
// tampering and may be granted again, so it must not halt a log.
func byTrigger(refused *pq.Error) bool {
	return refused.Code == "42501" && strings.Contains(refused.Where, "refuse_")
}

// byChain splits changes by log.
func (c LogChanges) byChain() map[string]LogChanges {
	parts := map[string]LogChanges{}
	for _, h := range c.Heads {
		part := parts[h.Chain]
		part.Heads = append(part.Heads, h)
		parts[h.Chain] = part
	}
	for _, p := range c.Places {
		part := parts[p.Chain]
		part.Places = append(part.Places, p)
		parts[p.Chain] = part
	}
	for _, t := range c.Tiles {
		part := parts[t.Chain]
		part.Tiles = append(part.Tiles, t)
		parts[t.Chain] = part
	}
	return parts
}

// writePlaces inserts the places of entries. The primary keys refuse a second entry at
// one place and a second place for one entry.
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

// writeTiles inserts new tiles and extends grown ones.
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

// writeHeads writes heads. If the keys of a log change, the last checkpoint by the old
// keys is kept in log_handovers, from which verifiers learn to trust the new keys.
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
