package storage

import (
	"cmp"
	"context"
	"database/sql"
	"slices"
	"strings"

	"github.com/jmoiron/sqlx"
	"github.com/lib/pq"
)

// A write decides without holding locks, and runs again if what it relied on was changed
// meanwhile. Where a record changes all the time, a slow write would lose every time. One
// that has lost several times therefore takes a turn: it locks the records that it relied
// on, decides while nobody can change them, and is committed in the transaction that holds
// the locks. Writes of other servers wait for it too.
//
// The turn holds one connection while the decision needs another. That one comes from a
// pool of its own, so that a turn never waits for a connection of a write that waits for
// the turn. Only one write of a server has its turn at a time.

// losesBefore is how often a write loses before it takes a turn. Our own choice.
const losesBefore = 3

// turns hands out turns.
type turns struct {
	// free has a value while nobody has a turn.
	free chan struct{}
	// pool has the connection for reading during a turn.
	pool *sqlx.DB
}

func newTurns(c *connector) turns {
	t := turns{make(chan struct{}, 1), sqlx.NewDb(sql.OpenDB(c), "postgres")}
	t.free <- struct{}{}
	t.pool.SetMaxOpenConns(1)
	return t
}

// turn is that of a write. A nil turn is none.
type turn struct {
	turns *turns
	// holding is the transaction with the locks; nil once it was taken.
	holding *transaction
}

// takeTurn waits for a turn, if the write has lost too often, and locks what it relied on.
// If that fails the write is tried without; its errors say why.
func (w *write) takeTurn(ctx context.Context) *turn {
	if w.losses < losesBefore || len(w.relied) == 0 || w.unknown != nil || w.db.Suspended() {
		return nil
	}
	select {
	case <-w.db.turns.free:
	case <-ctx.Done():
		return nil
	}
	// Whatever the records are now, they are locked: the write reads them afterwards. A
	// deadlock with a write that locks in another order is found by PostgreSQL, and ends one
	// of the two, which is tried again.
	tx, err := w.db.begin(ctx, inChain(w.chain).with(&message{ctx: ctx, steps: lockSteps(w.chain, w.relied)}), nil)
	if err != nil {
		w.db.turns.free <- struct{}{}
		return nil
	}
	return &turn{&w.db.turns, tx}
}

// take returns the transaction with the locks; the caller ends it.
func (t *turn) take() *transaction {
	if t == nil {
		return nil
	}
	tx := t.holding
	t.holding = nil
	return tx
}

// end ends the turn.
func (t *turn) end() {
	if t == nil {
		return
	}
	// Nobody has taken the transaction if the write was refused, or needs nothing to be
	// written; its locks must not be held any longer.
	if tx := t.take(); tx != nil {
		tx.end()
	}
	t.turns.free <- struct{}{}
}

// reliedOn returns those of the records that must be as they were read.
func reliedOn(records []Record) (relied []Record) {
	for _, r := range records {
		if r.action != insert {
			relied = append(relied, r)
		}
	}
	return relied
}

// lockSteps makes the steps that lock records, always in the same order.
func lockSteps(chain string, records []Record) []step {
	byTable := slices.Clone(records)
	slices.SortFunc(byTable, func(a, b Record) int {
		return cmp.Or(strings.Compare(a.name, b.name), strings.Compare(a.key.parent, b.key.parent), strings.Compare(a.key.id, b.key.id))
	})
	var steps []step
	for len(byTable) > 0 {
		table := byTable[0].statements
		var parents, ids pq.StringArray
		for len(byTable) > 0 && byTable[0].statements == table {
			parents, ids = append(parents, byTable[0].key.parent), append(ids, byTable[0].key.id)
			byTable = byTable[1:]
		}
		steps = append(steps, step{query: table.locked, args: []any{chain, parents, ids}})
	}
	return steps
}
