package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strconv"

	"github.com/lib/pq"
)

// commit commits a prepared write, together with others of the chain if it can be
// (batch.go). A write that has its turn is committed in the transaction that holds it.
func (w *write) commit(ctx context.Context, prepared preparedWrite, turn *turn) error {
	err := errAlone
	if turn == nil && w.unknown == nil && len(prepared.erase) == 0 && len(prepared.changes.Open) == 0 {
		p := &pendingWrite{preparedWrite: prepared, ctx: ctx, done: make(chan error, 1)}
		w.db.addToBatch(w.chain, p)
		w.back = leavePlace(ctx)
		err = p.wait()
		if errors.Is(err, errAlone) {
			if err := w.returnToPlace(ctx); err != nil {
				return err
			}
		}
	}
	if errors.Is(err, errAlone) {
		p := &pendingWrite{preparedWrite: prepared, ctx: ctx, done: make(chan error, 1), begun: turn.take()}
		w.db.commits.Go(func() {
			w.db.commitBatch(w.chain, []*pendingWrite{p})
			if p.begun != nil {
				p.begun.end()
			}
		})
		err = p.wait()
	}
	if errors.Is(err, errSuspended) {
		if err := w.db.unsuspended(ctx); err != nil {
			return err
		}
		return fmt.Errorf("%w: the database was restarted or replaced meanwhile", ErrStale)
	}
	return err
}

// returnToPlace waits for the place that the write has left, if it has.
func (w *write) returnToPlace(ctx context.Context) error {
	if w.back == nil {
		return nil
	}
	back := w.back
	w.back = nil
	return explain(ctx, back(ctx))
}

// confirm makes sure that an answer found in the database has reached the standby. It
// can be visible here and missing there, if its COMMIT was cut short or the server was
// restarted meanwhile. A standby has everything before what it acknowledges, so the
// COMMIT of any logged transaction confirms it.
func (w *write) confirm(ctx context.Context, replicated bool) error {
	if !replicated {
		return nil
	}
	tx, err := w.db.begin(ctx, inChain(w.chain), nil)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrUnknown, err)
	}
	if _, err := tx.ExecContext(ctx, "select pg_logical_emit_message(true, $1, '')", schema); err != nil {
		tx.end()
		return fmt.Errorf("%w: %w", ErrUnknown, explain(ctx, err))
	}
	return tx.commit(ctx)
}

// resolveUnknown finds out what became of an unknown COMMIT. It inserts a claim with
// the same request ID, which waits for the other transaction; nil means that the other
// one was not and will not be committed. The claim is rolled back.
func (w *write) resolveUnknown(ctx context.Context) error {
	c, err := newClaim(w.chain, w.req, nil)
	if err != nil {
		return err
	}
	m := &message{ctx: ctx, steps: []step{claimStep(w.chain, []claim{c})}}
	tx, err := w.db.begin(ctx, inChain(w.chain).with(m), nil)
	if err != nil {
		return err
	}
	defer tx.end()
	m.check(func(_ int, failed error) { err = failed })
	return err
}

// newMessage makes the message that writes everything of the given writes. The claims are
// inserted first: of concurrent calls with one request ID one continues, and the others
// wait there for its end.
func newMessage(ctx context.Context, chain string, writes []*pendingWrite) *message {
	m := &message{ctx: ctx}
	if len(writes) > 1 {
		m.lockTimeout = batchLockTimeout
	}
	claims := make([]claim, len(writes))
	for i, p := range writes {
		claims[i] = p.claim
	}
	m.steps = append(m.steps, claimStep(chain, claims))
	m.steps = append(m.steps, keySteps(chain, writes)...)
	m.steps = append(m.steps, openSteps(chain, writes)...)
	m.steps = append(m.steps, unchangedSteps(chain, writes)...)
	m.steps = append(m.steps, recordSteps(chain, writes)...)
	m.steps = append(m.steps, indexSteps(chain, writes)...)
	m.steps = append(m.steps, externalSteps(chain, writes)...)
	// After the records: two writes that make one client must meet at its record, whose error
	// says so, and not at its key.
	m.last = secrets(chain, writes)
	return m
}

// unchangedSteps makes a step per table that requires rows to have the etags on which the
// writes were decided. Many writes require the same row, such as their salon; it is
// looked at and locked once.
func unchangedSteps(chain string, writes []*pendingWrite) []step {
	type version struct {
		key  key
		etag string
	}
	type rows struct {
		versions []version
		wantedBy map[version][]int
	}
	var tables []*statements
	byTable := map[*statements]*rows{}
	for i, p := range writes {
		for _, r := range p.records {
			if r.action != unchanged {
				continue
			}
			t := byTable[r.statements]
			if t == nil {
				t = &rows{wantedBy: map[version][]int{}}
				byTable[r.statements] = t
				tables = append(tables, r.statements)
			}
			v := version{r.key, r.was}
			if t.wantedBy[v] == nil {
				t.versions = append(t.versions, v)
			}
			t.wantedBy[v] = append(t.wantedBy[v], i)
		}
	}
	var steps []step
	for _, table := range tables {
		t := byTable[table]
		var numbers pq.Int64Array
		var parents, ids, etags pq.StringArray
		for n, v := range t.versions {
			numbers, parents, ids, etags = append(numbers, int64(n)), append(parents, v.key.parent), append(ids, v.key.id), append(etags, v.etag)
		}
		steps = append(steps, step{query: table.unchanged, args: []any{chain, numbers, parents, ids, etags},
			check: func(found []string, fail func(int, error)) {
				for n, v := range t.versions {
					if slices.Contains(found, strconv.Itoa(n)) {
						continue
					}
					for _, write := range t.wantedBy[v] {
						fail(write, staleRecord(table))
					}
				}
			}})
	}
	return steps
}

// staleRecord is the error of a record that has changed.
func staleRecord(t *statements) error { return fmt.Errorf("%w: a record of %s", ErrStale, t.name) }

// recordSteps makes the steps that write records and audit entries. Those of a single
// write are written in the order in which it has them. Of several writes the replacements
// come first and then the rows to insert, table by table, so that one statement inserts
// the rows of all; if the database refuses that order, each write is tried alone.
func recordSteps(chain string, writes []*pendingWrite) []step {
	type row struct {
		write int
		Record
	}
	var rows []row
	places := map[*statements]int{}
	for i, p := range writes {
		for _, r := range p.records {
			if r.action == unchanged {
				continue
			}
			if _, known := places[r.statements]; !known {
				places[r.statements] = len(places) + 1
			}
			rows = append(rows, row{i, r})
		}
	}
	place := func(r row) int {
		switch {
		case r.action == replace:
			return 0
		case r.statements == entries.statements:
			return len(places) + 1
		}
		return places[r.statements]
	}
	if len(writes) > 1 {
		slices.SortStableFunc(rows, func(a, b row) int { return place(a) - place(b) })
	}
	var steps []step
	for len(rows) > 0 {
		first := rows[0]
		if first.action == replace {
			args := []any{chain, first.key.parent, first.key.id, first.was, first.etag, first.body}
			for _, v := range first.values {
				args = append(args, v)
			}
			steps = append(steps, step{query: first.replace, args: args, check: func(found []string, fail func(int, error)) {
				if len(found) != 1 {
					fail(first.write, staleRecord(first.statements))
				}
			}})
			rows = rows[1:]
			continue
		}
		var together []Record
		for len(rows) > 0 && rows[0].action == insert && rows[0].statements == first.statements {
			together, rows = append(together, rows[0].Record), rows[1:]
		}
		steps = append(steps, insertStep(together))
	}
	return steps
}

// insertStep makes the step that inserts records of one table.
func insertStep(records []Record) step {
	return step{query: records[0].insert, args: insertArgs(records), audit: records[0].statements == entries.statements}
}

// insertArgs returns the arguments of insert: one array per column.
func insertArgs(records []Record) []any {
	parents, ids, etags := make([]string, len(records)), make([]string, len(records)), make([]string, len(records))
	bodies := make([][]byte, len(records))
	columns := make([][]sql.NullString, len(records[0].values))
	for i, r := range records {
		parents[i], ids[i], etags[i], bodies[i] = r.key.parent, r.key.id, r.etag, r.body
		for c, v := range r.values {
			columns[c] = append(columns[c], v)
		}
	}
	args := []any{records[0].key.chain, pq.Array(parents), pq.Array(ids), pq.Array(etags), pq.Array(bodies)}
	for _, column := range columns {
		args = append(args, pq.Array(column))
	}
	return args
}

// insertEntries inserts audit entries of one chain in a transaction that was begun for
// something else.
func insertEntries(ctx context.Context, tx *transaction, records []Record) error {
	if len(records) == 0 {
		return nil
	}
	_, err := tx.ExecContext(ctx, entries.insert, insertArgs(records)...)
	return auditRefusal(err)
}
