package storage

import (
	"context"
	"strings"
	"sync"
	"time"
)

// whatIfs counts checks that store no decision, until they are written to the figures.
// It holds practitioners and days and nothing of clients. It is safe for concurrent
// use.
type whatIfs struct {
	mu     sync.Mutex
	counts map[figureKey]int64
}

// add counts n checks for a practitioner on a day.
func (w *whatIfs) add(k figureKey, n int64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.counts == nil {
		w.counts = map[figureKey]int64{}
	}
	w.counts[k] += n
}

// take returns what was counted since the last call.
func (w *whatIfs) take() map[figureKey]int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	taken := w.counts
	w.counts = nil
	return taken
}

// CountWhatIf counts a check for a practitioner that stored no decision. It counts in
// memory only, so that it can neither delay nor fail the answer; WriteWhatIfs writes
// the counts later. A crash loses what was not written, which is acceptable for a
// figure that no decision depends on.
func CountWhatIf(db *DB, practitioner string, at time.Time) {
	chain, _, _ := strings.Cut(strings.TrimPrefix(practitioner, "chains/"), "/")
	db.whatIfs.add(figureKey{chain, at.UTC().Format(time.DateOnly), practitioner}, 1)
}

// WriteWhatIfs adds what CountWhatIf has counted to the figures. While nothing may be
// written (see Forbid), or if writing fails, the counts are kept for the next call. If
// the reply to a COMMIT is lost, they may be written twice.
func WriteWhatIfs(ctx context.Context, db *DB) error {
	if db.Writable() != nil {
		return nil
	}
	counts := db.whatIfs.take()
	if len(counts) == 0 {
		return nil
	}
	var rows []figureRow
	for k, n := range counts {
		rows = append(rows, figureRow{k, Figures{WhatIfs: n}})
	}
	err := db.inTransaction(ctx, func(tx *transaction) error {
		// In turn with UpdateCounters, which changes the same rows in another order.
		if _, err := tx.ExecContext(ctx, "select only_row from tally_turn for update"); err != nil {
			return err
		}
		return writeFigures(ctx, tx, rows)
	})
	if err != nil {
		for k, n := range counts {
			db.whatIfs.add(k, n)
		}
	}
	return err
}
