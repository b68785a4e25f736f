package sequencer

import (
	"context"
	"time"

	"alkalog/storage"
)

const (
	// inspectEvery is how often a leader holds the logs against the records, all
	// of them; our own choice.
	inspectEvery = time.Hour
	// inspectWindow is how many entries it looks at in one query.
	inspectWindow = 5000
	// inspectTold is the most ids that are told of what does not fit, a kind.
	inspectTold = 20
)

// Inspect holds all that is on record against the logs, for as long as this
// server leads: soon after it has begun to, and every hour. It tells what does
// not fit and repairs nothing; it does not halt a log either, since entries that
// come later are safer on it than not.
func (q *Sequencer) Inspect(ctx context.Context) {
	var last time.Time
	for ctx.Err() == nil {
		if q.leads.Load() && time.Since(last) > inspectEvery {
			q.complain(ctx, "holding the records against the log", q.inspect(ctx))
			last = time.Now()
		}
		pause(ctx, lookEvery)
	}
}

// inspect looks at the logs of all chains.
func (q *Sequencer) inspect(ctx context.Context) error {
	for after := int64(0); ; {
		heads, err := storage.ChangedHeads(ctx, q.cfg.DB, after, headsPage)
		if err != nil || len(heads) == 0 {
			return err
		}
		for _, h := range heads {
			if err := q.inspectChain(ctx, h); err != nil {
				return err
			}
			after = h.Revision
		}
	}
}

// inspection looks at a part of a chain, and returns where to go on; 0: nowhere.
type inspection func(s *storage.Snapshot, at int64) (storage.Inspection, int64, error)

// inspectChain looks at one chain, and tells of it.
func (q *Sequencer) inspectChain(ctx context.Context, h storage.LogHead) error {
	var found storage.Inspection
	for _, look := range []inspection{
		func(s *storage.Snapshot, at int64) (storage.Inspection, int64, error) {
			return storage.InspectRecord(s, h, at, inspectWindow)
		},
		func(s *storage.Snapshot, at int64) (storage.Inspection, int64, error) {
			return storage.InspectLog(s, at, inspectWindow)
		},
	} {
		for at, more := int64(0), true; more; more = at != 0 {
			var part storage.Inspection
			err := storage.Read(ctx, q.cfg.DB, h.Chain, func(s *storage.Snapshot) (err error) {
				part, at, err = look(s, at)
				return err
			})
			if err != nil {
				return err
			}
			found.Unlogged, found.Causeless = most(found.Unlogged, part.Unlogged), most(found.Causeless, part.Causeless)
			found.Lost = most(found.Lost, part.Lost)
		}
	}
	q.tell(h.Chain, "entries were slipped in behind the log's back: they are on record, at a place where the log was already, and not on it", found.Unlogged)
	q.tell(h.Chain, "entries were taken away: they are on the log and not on record", found.Lost)
	q.tell(h.Chain, "what entries were written for was changed or taken away: a decision or an override is not what its entry says", found.Causeless)
	return nil
}

// most adds ids, as many as are told.
func most(ids, more []string) []string {
	return append(ids, more[:min(len(more), inspectTold-min(len(ids), inspectTold))]...)
}

// tell tells of entries that something is wrong with.
func (q *Sequencer) tell(chain, what string, ids []string) {
	if len(ids) > 0 {
		q.cfg.Logger.Error("the records do not fit the log", "chain", chain, "found", what, "entries", ids)
	}
}
