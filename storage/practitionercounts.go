package storage

import (
	"context"
	"strings"
	"sync"
	"time"
)

// practitionerCounts holds figures that no entry of the log carries, until they are
// written: checks that store no decision, and statements. It holds practitioners and days
// and nothing of clients. It is safe for concurrent use.
type practitionerCounts struct {
	mu     sync.Mutex
	counts map[figureKey]Figures
}

// add adds figures of a practitioner on a day.
func (c *practitionerCounts) add(k figureKey, f Figures) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.counts == nil {
		c.counts = map[figureKey]Figures{}
	}
	sum := c.counts[k]
	sum.Add(f, 1)
	c.counts[k] = sum
}

// take returns what was counted since the last call.
func (c *practitionerCounts) take() map[figureKey]Figures {
	c.mu.Lock()
	defer c.mu.Unlock()
	taken := c.counts
	c.counts = nil
	return taken
}

// CountWhatIf counts a check for a practitioner that stored no decision.
func CountWhatIf(db *DB, practitioner string, at time.Time) {
	CountForPractitioner(db, practitioner, at, Figures{WhatIfs: 1})
}

// CountForPractitioner adds figures of a practitioner on the day (UTC) of a time. It
// counts in memory only, so that it can neither delay nor fail the answer;
// WritePractitionerCounts writes the counts later. A crash loses what was not written,
// which is acceptable for a figure that no decision depends on.
func CountForPractitioner(db *DB, practitioner string, at time.Time, f Figures) {
	chain, _, _ := strings.Cut(strings.TrimPrefix(practitioner, "chains/"), "/")
	db.practitionerCounts.add(figureKey{chain, at.UTC().Format(time.DateOnly), practitioner}, f)
}

// WritePractitionerCounts adds what was counted in memory to the figures. While nothing
// may be written (see Forbid), or if writing fails, the counts are kept for the next
// call. If the reply to a COMMIT is lost, they may be written twice.
func WritePractitionerCounts(ctx context.Context, db *DB) error {
	if db.Writable() != nil {
		return nil
	}
	counts := db.practitionerCounts.take()
	if len(counts) == 0 {
		return nil
	}
	var rows []figureRow
	for k, f := range counts {
		rows = append(rows, figureRow{k, f})
	}
	err := db.inTransaction(ctx, func(tx *transaction) error {
		// In turn with UpdateCounters, which changes the same rows in another order.
		if _, err := tx.ExecContext(ctx, "select only_row from tally_turn for update"); err != nil {
			return err
		}
		return writeFigures(ctx, tx, rows)
	})
	if err != nil {
		for k, f := range counts {
			db.practitionerCounts.add(k, f)
		}
	}
	return err
}
