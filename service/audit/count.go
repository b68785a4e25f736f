package audit

import (
	"context"
	"time"

	"alkalog/storage"
)

const (
	// countEvery is the pause after a look at the queue while this server writes. The
	// contract promises figures within about a second.
	countEvery = 250 * time.Millisecond
	// searchEvery is how often the queue is looked at although this server has written
	// nothing: facts of a server that ended before it counted them. Our own choice.
	searchEvery = 5 * time.Second
	// rollUpEvery is how often months are looked for that are not rolled up yet, and
	// rollUpBatch how many are rolled up before counting goes on. Our own choice.
	rollUpEvery = time.Hour
	rollUpBatch = 10
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
	written, looked, busy, rolledUp := s.DB.OnWrite(), time.Time{}, time.Time{}, time.Time{}
	for said := ""; ; {
		now, counted, err := time.Now(), 0, error(nil)
		if due(written) {
			busy = now.Add(time.Second) // another server may hold the turn for a moment
		}
		look := now.Before(busy) || now.Sub(looked) >= searchEvery
		if look {
			looked = now
			counted, err = storage.UpdateCounters(ctx, s.DB, countBatch)
		}
		if err == nil {
			err = storage.WritePractitionerCounts(ctx, s.DB)
		}
		if err == nil && now.Sub(rolledUp) >= rollUpEvery {
			var more bool
			if more, err = s.rollUp(ctx); err == nil && !more {
				rolledUp = now
			}
		}
		switch {
		case err != nil && err.Error() != said && ctx.Err() == nil:
			said = err.Error()
			report(err)
		case err == nil && look:
			said = ""
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

// due reports whether a channel holds a value, and takes it.
func due(written <-chan struct{}) bool {
	select {
	case <-written:
		return true
	default:
		return false
	}
}

// rollUp rolls up some months, if any are not rolled up yet, and reports whether there
// may be more.
func (s Service) rollUp(ctx context.Context) (more bool, err error) {
	for range rollUpBatch {
		if more, err = storage.RollUpMonth(ctx, s.DB); err != nil || !more {
			return false, err
		}
	}
	return more, nil
}
