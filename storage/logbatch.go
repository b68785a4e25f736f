package storage

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
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
	// edges are the tiles at the edges of those logs, which were read with them.
	edges map[tileKey]LogTile
	ctx   context.Context
	tx    *transaction
}

// tileKey identifies a tile.
type tileKey struct {
	chain string
	level int
	index int64
}

// headColumns is the column list for a LogHead.
const headColumns = "chain, size, root, position, keys, checkpoint, revision, halted"

// batchQuery reads a batch: pending entries before a settled position ($1), up to a
// limit ($2), with the heads of their logs and the tiles at their edges, the last one
// of each level that is not full. Rows of four kinds share the columns.
//
// The leader's stored position is checked: if no entry can have a position that high,
// somebody has changed the row, and entries behind it would never come onto their
// logs. The position is then 0, and all entries are looked at again; those that are on
// a log already are skipped by the caller.
const batchQuery = `with lead as materialized (
	select case when l.position >= $1 and l.position >= s.last_value + s.is_called::int then 0 else l.position end as position
	from log_leader l, audit_entries_position_seq s
), pending as materialized (
	select chain, id, position, body from audit_entries
	where position > (select position from lead) and position < $1 order by position limit $2
), heads as materialized (
	select * from log_heads where chain in (select chain from pending)
)
select 'lead' as part, '' as chain, '' as id, position, null::bytea as body, 0::bigint as size, null::bytea as root, '' as keys,
	null::bytea as checkpoint, 0::bigint as revision, '' as halted, 0 as level, 0::bigint as index from lead
union all select 'entry', chain, id, position, body, 0, null, '', null, 0, '', 0, 0 from pending
union all select 'head', chain, '', position, null, size, root, keys, checkpoint, revision, halted, 0, 0 from heads
union all select 'tile', t.chain, '', 0, t.hashes, 0, null, '', null, 0, '', t.level, t.index
	from heads h cross join generate_series(0, 7) as l (level)
	join log_tiles t on t.chain = h.chain and t.level = l.level and t.index = h.size >> (8 * (l.level + 1))
	where (h.size >> (8 * l.level)) & 255 <> 0`

// batchRow is a row of batchQuery.
type batchRow struct {
	Part string
	LogHead
	ID    string
	Body  []byte
	Level int
	Index int64
}

// read reads the pending entries, the heads of their logs and the tiles at the edges,
// in one statement, and returns the position up to which it has looked. It is a
// statement of its own after the lock of the leader's row, so that it sees what an
// earlier batch has committed.
func (b *Batch) read(settled int64, limit int) (int64, error) {
	var rows []batchRow
	if err := b.tx.SelectContext(b.ctx, &rows, batchQuery, settled, limit); err != nil {
		return 0, err
	}
	b.Heads, b.edges = map[string]LogHead{}, map[tileKey]LogTile{}
	reached, upTo := int64(0), settled-1
	for _, r := range rows {
		switch r.Part {
		case "lead":
			reached = r.Position
		case "entry":
			b.Pending = append(b.Pending, Pending{r.Chain, r.ID, r.Position, r.Body})
		case "head":
			b.Heads[r.Chain] = r.LogHead
		case "tile":
			b.edges[tileKey{r.Chain, r.Level, r.Index}] = LogTile{r.Chain, r.Level, r.Index, r.Body}
		}
	}
	slices.SortFunc(b.Pending, func(p, q Pending) int { return cmp.Compare(p.Position, q.Position) })
	if len(b.Pending) == limit {
		upTo = b.Pending[limit-1].Position
	}
	return max(reached, upTo), nil
}

// Tiles reads tiles by chain, level and index. Tiles that do not exist are left out.
// Those at the edge of a log were read with the batch; others are read now.
func (b *Batch) Tiles(wanted []LogTile) ([]LogTile, error) {
	var found, missing []LogTile
	for _, w := range wanted {
		if tile, read := b.edges[tileKey{w.Chain, w.Level, w.Index}]; read {
			found = append(found, tile)
		} else {
			missing = append(missing, w)
		}
	}
	if len(missing) == 0 {
		return found, nil
	}
	more, err := readTiles(b.ctx, b.tx, missing)
	return append(found, more...), err
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

// writeApart writes the changes of each log alone, and halts a log whose changes are
// refused, so that the logs of other chains continue. reached is the new position of
// the leader; 0 leaves it.
func (b *Batch) writeApart(c LogChanges, reached int64) error {
	for chain, part := range c.byChain() {
		switch err := b.try(part); {
		case errors.Is(err, errNotGrowing):
			h := b.Heads[chain]
			if h.Root == nil {
				h = LogHead{Chain: chain, Root: make([]byte, sha256.Size), Checkpoint: []byte{}}
			}
			h.Halted = "what is stored of it is not what it has grown to: " + err.Error()
			if err := b.writeAll(LogChanges{Heads: []LogHead{h}}, 0); err != nil {
				return err
			}
		case err != nil:
			return err
		}
	}
	return b.writeAll(LogChanges{}, reached)
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
	err := b.writeAll(c, 0)
	if !errors.Is(err, errNotGrowing) {
		return err
	}
	if _, failed := b.tx.ExecContext(b.ctx, "rollback to savepoint try"); failed != nil {
		return failed
	}
	return err
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

// writeQuery writes a batch: the places of entries, new and grown tiles, heads, and the
// leader's position. The primary keys of places refuse a second entry at one place and
// a second place for one entry. If the keys of a log change, the last checkpoint by
// the old keys is kept in log_handovers, from which verifiers learn to trust the new
// keys.
const writeQuery = `with places as (
	insert into log_entries (chain, place, id) select * from unnest($1::text[], $2::bigint[], $3::text[])
), tiles as (
	insert into log_tiles (chain, level, index, hashes) select * from unnest($4::text[], $5::smallint[], $6::bigint[], $7::bytea[])
	on conflict (chain, level, index) do update set hashes = excluded.hashes
), heads as materialized (
	select * from unnest($8::text[], $9::bigint[], $10::bytea[], $11::bigint[], $12::text[], $13::bytea[], $14::text[])
		as h (chain, size, root, position, keys, checkpoint, halted)
), handed as (
	insert into log_handovers (chain, keys, checkpoint, revision)
	select was.chain, was.keys, was.checkpoint, was.revision from log_heads was join heads h on h.chain = was.chain
	where was.keys <> h.keys and was.keys <> ''
	on conflict (chain, keys) do update set checkpoint = excluded.checkpoint, revision = excluded.revision
), lead as (
	update log_leader set position = $15 where $15 > 0
)
insert into log_heads (chain, size, root, position, keys, checkpoint, revision, halted)
select chain, size, root, position, keys, checkpoint, nextval('log_revisions'), halted from heads
on conflict (chain) do update set size = excluded.size, root = excluded.root, position = excluded.position, keys = excluded.keys,
	checkpoint = excluded.checkpoint, revision = excluded.revision, halted = excluded.halted`

// writeAll writes all changes in one statement. reached is the new position of the
// leader; 0 leaves it. If constraints or triggers refuse the changes, somebody has
// changed the tables, and the error is errNotGrowing.
func (b *Batch) writeAll(c LogChanges, reached int64) error {
	beforeHeads(c.Heads)
	_, err := b.tx.ExecContext(b.ctx, writeQuery,
		each(c.Places, func(p LogPlace) string { return p.Chain }), each(c.Places, func(p LogPlace) int64 { return p.Place }), each(c.Places, func(p LogPlace) string { return p.ID }),
		each(c.Tiles, func(t LogTile) string { return t.Chain }), each(c.Tiles, func(t LogTile) int64 { return int64(t.Level) }),
		each(c.Tiles, func(t LogTile) int64 { return t.Index }), each(c.Tiles, func(t LogTile) []byte { return t.Hashes }),
		each(c.Heads, func(h LogHead) string { return h.Chain }), each(c.Heads, func(h LogHead) int64 { return h.Size }), each(c.Heads, func(h LogHead) []byte { return h.Root }),
		each(c.Heads, func(h LogHead) int64 { return h.Position }), each(c.Heads, func(h LogHead) string { return h.Keys }),
		each(c.Heads, func(h LogHead) []byte { return h.Checkpoint }), each(c.Heads, func(h LogHead) string { return h.Halted }), reached)
	var refused *pq.Error
	if errors.As(err, &refused) && (refused.Code.Class() == "23" || byTrigger(refused)) {
		return fmt.Errorf("%w: %s", errNotGrowing, refused.Message)
	}
	return err
}
