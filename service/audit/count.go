package audit

import (
	"context"
	"time"

	"alkalog/storage"
)

const (
	// countEvery is the pause after a look at the queue. The contract promises figures within
	// about a second.
	countEvery = 250 * time.Millisecond
	// countBatch is how many facts are counted per transaction. Our own choice.
	countBatch = 1000
)

// lastWrite bounds how long a server that is being stopped tries to write its what-ifs.
// Our own choice.
const lastWrite = 2 * time.Second

// Count counts recorded facts for the figures of summaries, until ctx is done. Every
// server does so, and they take turns (storage.UpdateCounters). It also writes the
// what-ifs of this server, once more at the end with a deadline of its own. An error is
// reported once as long as it stays the same, and the next round tries again.
//
// Counting runs outside of any call, so that no salon waits for it. A full batch is
// followed by the next without a pause.
func (s Service) Count(ctx context.Context, report func(error)) {
	pause := time.NewTicker(countEvery)
	defer pause.Stop()
	for said := ""; ; {
		counted, err := storage.UpdateCounters(ctx, s.DB, countBatch)
		if err == nil {
			err = storage.WritePractitionerCounts(ctx, s.DB)
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
			if err := storage.WritePractitionerCounts(ctx, s.DB); err != nil {
				report(err)
			}
			return
		case <-pause.C:
		}
	}
}
