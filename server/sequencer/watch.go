package sequencer

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// Watch looks again and again, until ctx is done, at the key file, at the
// checkpoints of all logs, whoever signed them, and at what was accepted.
func (q *Sequencer) Watch(ctx context.Context) {
	var waiting queue
	for ctx.Err() == nil {
		q.reload(ctx)
		q.complain(ctx, "looking at the log", q.look(ctx))
		q.complain(ctx, "waiting for the log", q.overdue(ctx, &waiting))
		q.complain(ctx, "counting what waits for the log", q.countWaiting(ctx))
		pause(ctx, lookEvery)
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), q.cfg.Lease)
	defer cancel()
	if err := q.look(ctx); err != nil {
		q.cfg.Logger.Warn("the last look at the log", "error", err.Error())
	}
}

// queue is entries that were seen to wait, and since when.
type queue struct {
	upTo  int64
	since time.Time
}

// overdue answers an error when entries wait for longer than they should: nobody
// leads, or who does cannot go on.
func (q *Sequencer) overdue(ctx context.Context, waiting *queue) error {
	settled, err := storage.SettledBefore(ctx, q.cfg.DB)
	if err != nil {
		return err
	}
	reached, err := storage.LogProgress(ctx, q.cfg.DB)
	switch {
	case errors.Is(err, storage.ErrNotFound):
		return errors.New("the row that says who keeps it is gone")
	case err != nil:
		return err
	case reached >= waiting.upTo:
		*waiting = queue{settled - 1, time.Now()}
	case time.Since(waiting.since) > q.cfg.Overdue:
		return fmt.Errorf("entries have not come onto it for more than %v", q.cfg.Overdue)
	}
	return nil
}

// reload reads the keys again if their file was changed.
func (q *Sequencer) reload(ctx context.Context) {
	q.mu.Lock()
	changed, err := q.ring.reload()
	q.rekeyed = q.rekeyed || changed
	q.mu.Unlock()
	if changed {
		q.cfg.Logger.Info("the keys of the log were read again")
	}
	if err != nil {
		q.complain(ctx, "reading the keys of the log, which stay as they were", err)
	}
}

// look takes in the heads that have changed, and what was accepted.
func (q *Sequencer) look(ctx context.Context) error {
	if err := q.Look(ctx); err != nil {
		return err
	}
	if err := q.rewind(ctx); err != nil {
		return err
	}
	for {
		q.mu.Lock()
		after := q.seen.revision
		q.mu.Unlock()
		heads, err := storage.ChangedHeads(ctx, q.cfg.DB, after, headsPage)
		if err != nil {
			return err
		}
		for _, h := range heads {
			if err := q.extends(ctx, h); err != nil {
				return err
			}
		}
		q.mu.Lock()
		for _, h := range heads {
			q.take(h)
		}
		err = q.settle(len(heads) < headsPage)
		q.mu.Unlock()
		if err != nil || len(heads) < headsPage {
			return err
		}
	}
}

// take takes in the head of a log as it is now. One that is not the head that was
// signed is damage to that log alone, and not another history, unless it has become
// smaller. Q.mu is held.
func (q *Sequencer) take(h storage.LogHead) {
	set, err := keysFor(q.ring.keys, h.Chain)
	if err == nil {
		err = signedHead(h, set)
	}
	if err != nil && !errors.Is(err, ledger.ErrStranger) && h.Size >= q.seen.byChain[h.Chain].Size {
		q.seen.revision = max(q.seen.revision, h.Revision)
		q.damage(h.Chain, err)
	} else {
		q.seen.note(h)
	}
	if h.Halted != "" && q.seen.heads[h.Chain].halted == "" {
		q.cfg.Logger.Error("a log was tampered with; new entries are kept and not put on it", "chain", h.Chain, "found", h.Halted)
	}
	q.seen.heads[h.Chain] = headState{h.Size, h.Halted}
}

// damage notes once that a stored log is not what was signed. It concerns that log
// alone: proofs from it are refused, and it is halted when it is next built upon.
// Q.mu is held.
func (q *Sequencer) damage(chain string, why error) {
	if q.seen.damaged[chain] == nil {
		q.cfg.Logger.Error("a log is damaged: what is stored of it is not what was signed; the other logs go on", "chain", chain, "found", why.Error())
	}
	q.seen.damaged[chain] = why
}

// extends notes a departure when a log has grown and does not begin as it did: it
// was put back, and has outgrown since what was seen. Tiles that are damaged are
// no other log; who builds upon them or inspects them tells of that.
func (q *Sequencer) extends(ctx context.Context, h storage.LogHead) error {
	q.mu.Lock()
	was := q.seen.byChain[h.Chain]
	q.mu.Unlock()
	if was.Size == 0 || h.Size <= was.Size {
		return nil // for note to say
	}
	var earlier ledger.Head
	err := storage.Read(ctx, q.cfg.DB, h.Chain, func(s *storage.Snapshot) (err error) {
		earlier, err = record.LogHead(h).At(was.Size, record.LogTiles(s))
		return err
	})
	switch {
	case errors.Is(err, ledger.ErrTiles):
		return nil
	case err == nil && earlier.Root != was.Root:
		q.mu.Lock()
		defer q.mu.Unlock()
		if q.seen.byChain[h.Chain] == was { // and it was not accepted meanwhile
			q.seen.departures[h.Chain] = anotherStart(was)
		}
	}
	return err
}

// anotherStart says that a log does not begin as it did.
func anotherStart(was sighting) error {
	return fmt.Errorf("the first %d entries of its log are not those that they were", was.Size)
}

// rewind sees to it that all heads are looked at again when the newest revision
// is older than one that was seen: the database was put back while this server
// ran, and what was put back looks as if it had not changed. The newest head is
// always looked at again, since it may be another one of that revision.
func (q *Sequencer) rewind(ctx context.Context) error {
	newest, err := storage.NewestRevision(ctx, q.cfg.DB)
	if err != nil {
		return err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	switch {
	case newest < q.seen.revision:
		q.seen.revision = 0
	case newest == q.seen.revision && newest > 0:
		q.seen.revision = newest - 1
	}
	return nil
}

// settle draws the conclusion of what was seen: nothing is written to a database
// that has departed from it. Q.mu is held.
func (q *Sequencer) settle(save bool) error {
	var whys []string
	for chain, why := range q.seen.departures {
		whys = append(whys, fmt.Sprintf("chain %s: %v", chain, why))
	}
	slices.Sort(whys)
	if len(whys) == 0 {
		q.cfg.DB.Permit()
	} else {
		q.cfg.DB.Forbid(whys[0])
	}
	if said := strings.Join(whys, "; "); said != "" && said != q.seen.said {
		q.seen.said = said
		q.cfg.Logger.Error("the database is not what this server saw last; nothing is written until an operator accepts it", "found", said)
	}
	if !save {
		return nil
	}
	return q.seen.save()
}

// compare holds every log against the checkpoint that was seen of it.
func (q *Sequencer) compare(ctx context.Context) error {
	for chain, was := range q.seen.byChain {
		why, err := q.follows(ctx, chain, was)
		if err != nil {
			return err
		}
		switch damaged := new(damagedLog); {
		case errors.As(why, damaged):
			q.damage(chain, damaged.error)
		case why != nil:
			q.seen.departures[chain] = why
		}
	}
	return q.look(ctx)
}

// damagedLog says that a log cannot be compared, because what is stored of it is
// not what was signed. That is the matter of this log alone: a database that was
// put back has whole logs.
type damagedLog struct{ error }

// follows answers why a log does not follow from what was seen of it; nil: it
// does. A damagedLog says that it cannot be told.
func (q *Sequencer) follows(ctx context.Context, chain string, was sighting) (why, err error) {
	keys, err := keysFor(q.keys(), chain)
	if err != nil {
		return nil, err
	}
	err = storage.Read(ctx, q.cfg.DB, chain, func(s *storage.Snapshot) error {
		h, err := storage.ReadLogHead(s)
		if errors.Is(err, storage.ErrNotFound) {
			why = fmt.Errorf("its log had %d entries and is gone", was.Size)
			return nil
		}
		if err != nil {
			return err
		}
		unsigned := signedHead(h, keys)
		switch {
		case errors.Is(unsigned, ledger.ErrStranger):
			return fmt.Errorf("chain %s: %w", chain, errStranger) // nobody can accept that; the key is missing
		case h.Size < was.Size:
			why = fmt.Errorf("its log had %d entries and has %d", was.Size, h.Size)
			return nil
		case unsigned != nil:
			why = damagedLog{unsigned}
			return nil
		}
		earlier, err := record.LogHead(h).At(was.Size, record.LogTiles(s))
		switch {
		case errors.Is(err, ledger.ErrTiles):
			why = damagedLog{err}
		case err != nil:
			return err
		case earlier.Root != was.Root:
			why = anotherStart(was)
		}
		return nil
	})
	return why, err
}

// Departed returns the last checkpoint that was seen of a chain's log which the
// database does not follow from; nil when it does.
func (q *Sequencer) Departed(chain string) []byte {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.seen.departures[chain] == nil {
		return nil
	}
	return []byte(q.seen.byChain[chain].Checkpoint)
}

// Look looks whether the logs that have departed were accepted as they are. An
// entry says so that names the very checkpoint which was seen.
func (q *Sequencer) Look(ctx context.Context) error {
	q.mu.Lock()
	var chains []string
	for chain := range q.seen.departures {
		chains = append(chains, chain)
	}
	q.mu.Unlock()
	for _, chain := range chains {
		if err := q.lookAt(ctx, chain); err != nil {
			return err
		}
	}
	return nil
}

// lookAt looks whether one log was accepted.
func (q *Sequencer) lookAt(ctx context.Context, chain string) error {
	checkpoint := q.Departed(chain)
	accepted, head := false, storage.LogHead{}
	err := storage.Read(ctx, q.cfg.DB, chain, func(s *storage.Snapshot) error {
		entries, err := storage.ListRestored(s)
		if err != nil {
			return err
		}
		accepted = slices.ContainsFunc(entries, func(e *pb.AuditEntry) bool { return e.EarlierCheckpoint == string(checkpoint) })
		head, err = storage.ReadLogHead(s)
		if errors.Is(err, storage.ErrNotFound) {
			head, err = storage.LogHead{Chain: chain}, nil
		}
		return err
	})
	if err != nil || !accepted {
		return err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	q.seen.accept(head)
	q.cfg.Logger.Warn("a log is accepted as it is; checkpoints from before show what is gone", "chain", chain)
	return q.settle(true)
}
