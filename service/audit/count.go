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

// lastWrite bounds how long a server that leaves tries to write its what-ifs.
const lastWrite = 2 * time.Second

// Count counts what is recorded, for the figures of summaries, until ctx is done.
// Every server does so, and they take turns; the what-ifs of this server are written
// with it, and once more at the end. What goes wrong is reported once while it stays
// the same.
func (s Service) Count(ctx context.Context, report func(error)) {
	pause := time.NewTicker(countEvery)
	defer pause.Stop()
	for said := ""; ; {
		counted, err := storage.UpdateCounters(ctx, s.DB, countBatch)
		if err == nil {
			err = storage.WriteWhatIfs(ctx, s.DB)
		}
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
			ctx, done := context.WithTimeout(context.WithoutCancel(ctx), lastWrite)
			defer done()
			if err := storage.WriteWhatIfs(ctx, s.DB); err != nil {
				report(err)
			}
			return
		case <-pause.C:
		}
	}
}
