package sequencer

import (
	"context"
	"time"

	"alkalog/storage"
)

// An entry should be on its log some milliseconds after its commit, and a server that
// has nothing to do should cost nothing. Therefore nobody polls fast: a write in this
// process wakes the leader when it is committed, and a server that does not lead
// announces its writes to the one that does. Both are hints. The leader also looks by
// itself, at least three times per lease, and what it finds is what counts.

// What servers announce to one another, beside the names of sessions.
const (
	entriesWritten = "audit logs: entries"
	leadFree       = "audit logs: lead"
)

// The topics under which these arrive.
var (
	entriesTopic = storage.Topic(entriesWritten)
	leadTopic    = storage.Topic(leadFree)
)

// Hear takes what another server has announced (storage.Listen). An empty topic means
// that announcements may have been lost.
func (q *Sequencer) Hear(topic string) {
	if topic == entriesTopic || topic == "" {
		offer(q.entries)
	}
	if topic == leadTopic || topic == "" {
		offer(q.free)
	}
}

// offer puts a value into a channel unless one is there.
func offer(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// pollEvery is how long the leader waits for a hint before it looks by itself. The lease
// is renewed as often, and writes are covered when that is due.
func (q *Sequencer) pollEvery() time.Duration { return min(pollEvery, q.cfg.Lease/3, q.cfg.CoverEvery) }

// awaitEntries returns when there may be new entries, and not before the next batch may
// begin. began is when the last one did.
func (q *Sequencer) awaitEntries(ctx context.Context, began time.Time) {
	timer := time.NewTimer(q.pollEvery())
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-q.written:
	case <-q.entries:
	case <-timer.C:
	}
	pause(ctx, batchSpacing-time.Since(began))
}

// follow returns when the lead may be free. Meanwhile it tells the leader of what this
// server has written, at most once per batch of the leader. A hint that cannot be sent
// is not sent again: the leader finds the entries by itself.
func (q *Sequencer) follow(ctx context.Context) {
	timer := time.NewTimer(q.cfg.Lease / 3)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
			return
		case <-q.free:
			return
		case <-q.written:
			_ = storage.Announce(ctx, q.cfg.DB, []string{entriesWritten})
			pause(ctx, batchSpacing)
		}
	}
}

// pause waits for d or until ctx is done.
func pause(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}
