package sequencer

import (
	"cmp"
	"context"
	"errors"
	"time"

	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

const (
	// inspectEvery is how often a leader holds the logs against the records, all
	// of them; our own choice.
	inspectEvery = time.Hour
	// inspectWindow is how many entries it looks at in one query.
	inspectWindow = 1000
	// inspectTold is the most ids that are told of what does not fit, a kind.
	inspectTold = 20
)

// Inspect holds all that is on record against the logs, entry by entry, for as long as this
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

// inspect looks at the logs of all chains. Up to where the leader has got, all
// that is on record is on its log, also of a chain whose log ended before; a log
// that is halted goes on no further.
func (q *Sequencer) inspect(ctx context.Context) error {
	reached, err := storage.LogProgress(ctx, q.cfg.DB)
	if err != nil {
		return err
	}
	for after := int64(0); ; {
		heads, err := storage.ChangedHeads(ctx, q.cfg.DB, after, headsPage)
		if err != nil || len(heads) == 0 {
			return err
		}
		for _, h := range heads {
			if h.Halted == "" {
				h.Position = max(h.Position, reached)
			}
			if err := q.inspectChain(ctx, h); err != nil {
				return err
			}
			after = h.Revision
		}
	}
}

// finding is what does not fit, by the ids of some entries.
type finding struct {
	unlogged, causeless, lost, changed []string

	damaged error // the tiles are not what was signed
}

// inspectChain inspects one chain, a window at a time, and tells of it.
func (q *Sequencer) inspectChain(ctx context.Context, h storage.LogHead) error {
	var found finding
	set, err := keysFor(q.keys(), h.Chain)
	if err != nil {
		return err
	}
	if why := signedHead(h, set); why != nil && !errors.Is(why, ledger.ErrStranger) {
		found.damaged = why
	}
	for _, look := range []func(*storage.Snapshot, storage.LogHead, int64) (int64, error){found.record, found.log} {
		for at, more := int64(0), true; more; more = at != 0 {
			err := storage.Read(ctx, q.cfg.DB, h.Chain, func(s *storage.Snapshot) (err error) {
				at, err = look(s, h, at)
				return err
			})
			if err != nil {
				return err
			}
		}
	}
	q.tell(h.Chain, "entries were slipped in behind the log's back: they are on record, at a place where the log was already, and not on it", found.unlogged)
	q.tell(h.Chain, "what entries were written for was changed or taken away: a decision or an override is not what its entry says", found.causeless)
	q.tell(h.Chain, "entries were taken away: they are on the log and not on record", found.lost)
	q.tell(h.Chain, "entries were changed: they are not what was signed", found.changed)
	if found.damaged != nil {
		q.cfg.Logger.Error("the records do not fit the log", "chain", h.Chain, "found", found.damaged.Error())
	}
	return nil
}

// record looks at some of the entries on record, and returns where to go on; 0:
// nowhere.
func (f *finding) record(s *storage.Snapshot, h storage.LogHead, after int64) (int64, error) {
	part, reached, err := storage.InspectRecord(s, h, after, inspectWindow)
	f.unlogged, f.causeless = most(f.unlogged, part.Unlogged...), most(f.causeless, part.Causeless...)
	return reached, err
}

// log holds some of the entries of the log against the hashes that were signed,
// and returns where to go on; 0: nowhere.
func (f *finding) log(s *storage.Snapshot, h storage.LogHead, from int64) (int64, error) {
	entries, err := storage.ReadLogged(s, from, inspectWindow)
	if err != nil || len(entries) == 0 || from >= h.Size {
		return 0, err
	}
	n := min(entries[len(entries)-1].Place+1, h.Size, from+inspectWindow) - from
	leaves, err := record.LogHead(h).Leaves(from, n, record.LogTiles(s))
	if errors.Is(err, ledger.ErrTiles) {
		f.damaged, err = cmp.Or(f.damaged, err), nil
	}
	for _, e := range entries {
		at := e.Place - from
		switch {
		case e.Body == nil:
			f.lost = most(f.lost, e.ID)
		case at < int64(len(leaves)) && leaves[at] != ledger.LeafHash(e.Body):
			f.changed = most(f.changed, e.ID)
		}
	}
	return from + n, err
}

// most adds ids, as many as are told.
func most(ids []string, more ...string) []string {
	return append(ids, more[:min(len(more), inspectTold-min(len(ids), inspectTold))]...)
}

// tell tells of entries that something is wrong with.
func (q *Sequencer) tell(chain, what string, ids []string) {
	if len(ids) > 0 {
		q.cfg.Logger.Error("the records do not fit the log", "chain", chain, "found", what, "entries", ids)
	}
}
