package audit

import (
	"context"
	"time"

	"alkalog/storage"
)

const (
	// countEvery is how long after a look nothing is looked for. The contract
	// promises figures within about a second.
	countEvery = 250 * time.Millisecond
	// countBatch is how many facts are counted in a transaction.
	countBatch = 1000
)

// Count counts what is recorded, for the figures of summaries, until ctx is done.
// Every server does so, and they take turns. What goes wrong is reported once while
// it stays the same.
func (s Service) Count(ctx context.Context, report func(error)) {
	pause := time.NewTicker(countEvery)
	defer pause.Stop()
	for said := ""; ; {
		counted, err := storage.FoldTally(ctx, s.DB, countBatch)
		if err == nil {
			said = ""
		} else if now := err.Error(); now != said && ctx.Err() == nil {
			said = now
			report(err)
		}
		if counted == countBatch && err == nil && ctx.Err() == nil {
			continue // there is more
		}
		select {
		case <-ctx.Done():
			return
		case <-pause.C:
		}
	}
}
