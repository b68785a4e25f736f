package sequencer

import (
	"context"
	"errors"
	"fmt"
	"maps"
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
	var waiting waitingSince
	for ctx.Err() == nil {
		q.reload(ctx)
		if q.cfg.DB.Suspended() {
			q.logChange(ctx, "comparing the logs with what was seen of them", q.compareCheckpoints(ctx))
		}
		q.logChange(ctx, "looking at the log", q.checkHeads(ctx))
		q.logChange(ctx, "waiting for the log", q.checkOverdue(ctx, &waiting))
		q.logChange(ctx, "counting what waits for the log", q.countWaiting(ctx))
		q.waitNextCheck(ctx)
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), q.cfg.Lease)
	defer cancel()
	if err := q.checkHeads(ctx); err != nil {
		q.cfg.Logger.Warn("the last look at the log", "error", err.Error())
	}
}

// waitNextCheck waits until it is time to look again: at once, when the database was
// restarted or replaced.
func (q *Sequencer) waitNextCheck(ctx context.Context) {
	timer := time.NewTimer(checkEvery)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	case <-q.wake:
	}
}

// waitingSince is entries that were seen to wait, and since when.
type waitingSince struct {
	upTo  int64
	since time.Time
}

// checkOverdue answers an error when entries wait for longer than they should: nobody
// leads, or who does cannot go on.
func (q *Sequencer) checkOverdue(ctx context.Context, waiting *waitingSince) error {
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
		*waiting = waitingSince{settled - 1, time.Now()}
	case time.Since(waiting.since) > q.cfg.OverdueAfter:
		return fmt.Errorf("entries have not come onto it for more than %v", q.cfg.OverdueAfter)
	}
	return nil
}

// reload reads the keys again if their file was changed.
func (q *Sequencer) reload(ctx context.Context) {
	q.mu.Lock()
	changed, err := q.ring.reload()
	q.keysChanged = q.keysChanged || changed
	q.mu.Unlock()
	if changed {
		q.cfg.Logger.Info("the keys of the log were read again")
	}
	if err != nil {
		q.logChange(ctx, "reading the keys of the log, which stay as they were", err)
	}
}

// checkHeads takes in the heads that have changed, and what was accepted.
func (q *Sequencer) checkHeads(ctx context.Context) error {
	if err := q.CheckAccepted(ctx); err != nil {
		return err
	}
	rewound, err := q.detectRewind(ctx)
	if err != nil {
		return err
	}
	if rewound {
		return q.compareCheckpoints(ctx)
	}
	if err := q.detectMissingLogs(ctx); err != nil {
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
			if err := q.checkPrefix(ctx, h); err != nil {
				return err
			}
		}
		q.mu.Lock()
		for _, h := range heads {
			q.observeHead(h)
		}
		err = q.applyWriteBlock(len(heads) < headsPage)
		q.mu.Unlock()
		if err != nil || len(heads) < headsPage {
			return err
		}
	}
}

// observeHead takes in the head of a log as it is now. One that is not the head that was
// signed is damage to that log alone, and not another history, unless it has become
// smaller. Q.mu is held.
func (q *Sequencer) observeHead(h storage.LogHead) {
	set, err := keysFor(q.ring.keys, h.Chain)
	if err == nil {
		err = signedHead(h, set)
	}
	if err != nil && !errors.Is(err, ledger.ErrStranger) && h.Size >= q.seen.byChain[h.Chain].Size {
		q.seen.revision = max(q.seen.revision, h.Revision)
		q.markDamaged(h.Chain, err)
	} else {
		q.seen.observe(h)
	}
	if h.Halted != "" && q.seen.heads[h.Chain].halted == "" {
		q.cfg.Logger.Error("a log was tampered with; new entries are kept and not put on it", "chain", h.Chain, "found", h.Halted)
	}
	q.seen.heads[h.Chain] = headState{h.Size, h.Halted}
}

// markDamaged notes once that a stored log is not what was signed. It concerns that log
// alone: proofs from it are refused, and it is halted when it is next built upon.
// Q.mu is held.
func (q *Sequencer) markDamaged(chain string, why error) {
	if q.seen.damaged[chain] == nil {
		q.cfg.Logger.Error("a log is damaged: what is stored of it is not what was signed; the other logs go on", "chain", chain, "found", why.Error())
	}
	q.seen.damaged[chain] = why
}

// checkPrefix notes a departure when a log has grown and does not begin as it did: it
// was put back, and has outgrown since what was seen. Tiles that are damaged are
// no other log; who builds upon them or inspects them tells of that.
func (q *Sequencer) checkPrefix(ctx context.Context, h storage.LogHead) error {
	q.mu.Lock()
	was := q.seen.byChain[h.Chain]
	q.mu.Unlock()
	if was.Size == 0 || h.Size <= was.Size {
		return nil // for note to say
	}
	set, err := keysFor(q.keys(), h.Chain)
	if err != nil {
		return err
	}
	if err := signedHead(h, set); err != nil && !errors.Is(err, ledger.ErrStranger) {
		return nil // damage to this log alone, for take to say: a database that was put back has signed heads
	}
	var earlier ledger.Head
	err = storage.Read(ctx, q.cfg.DB, h.Chain, func(s *storage.Snapshot) (err error) {
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
			q.seen.rollbacks[h.Chain] = errPrefixChanged(was)
		}
	}
	return err
}

// errPrefixChanged says that a log does not begin as it did.
func errPrefixChanged(was checkpointRecord) error {
	return fmt.Errorf("the first %d entries of its log are not those that they were", was.Size)
}

// detectRewind reports whether the newest revision is older than one that was seen: the
// database was put back while this server ran, and what was put back looks as if it
// had not changed. Nothing is written from then on until all logs were compared. The
// newest head is always looked at again, since it may be another one of that
// revision.
func (q *Sequencer) detectRewind(ctx context.Context) (bool, error) {
	newest, err := storage.NewestRevision(ctx, q.cfg.DB)
	if err != nil {
		return false, err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	switch {
	case newest < q.seen.revision:
		q.cfg.DB.Forbid("its logs are older than those that were seen")
		return true, nil
	case newest == q.seen.revision && newest > 0:
		q.seen.revision = newest - 1
	}
	return false, nil
}

// detectMissingLogs notes a departure for each log that was seen and is gone.
func (q *Sequencer) detectMissingLogs(ctx context.Context) error {
	seen := q.seenCheckpoints()
	gone, err := storage.VanishedLogs(ctx, q.cfg.DB, slices.Collect(maps.Keys(seen)))
	if err != nil {
		return err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, chain := range gone {
		if was := seen[chain]; was.Size > 0 && q.seen.byChain[chain] == was { // and it was not accepted meanwhile
			q.seen.rollbacks[chain] = errLogMissing(was)
		}
	}
	return nil
}

// errLogMissing says that a log is not there.
func errLogMissing(was checkpointRecord) error {
	return fmt.Errorf("its log had %d entries and is gone", was.Size)
}

// seenCheckpoints is what was seen of every log.
func (q *Sequencer) seenCheckpoints() map[string]checkpointRecord {
	q.mu.Lock()
	defer q.mu.Unlock()
	return maps.Clone(q.seen.byChain)
}

// applyWriteBlock draws the conclusion of what was seen: nothing is written to a database
// that has departed from it. Q.mu is held.
func (q *Sequencer) applyWriteBlock(save bool) error {
	var whys []string
	for chain, why := range q.seen.rollbacks {
		whys = append(whys, fmt.Sprintf("chain %s: %v", chain, why))
	}
	slices.Sort(whys)
	if len(whys) == 0 {
		q.cfg.DB.Permit()
	} else {
		q.cfg.DB.Forbid(whys[0])
	}
	if said := strings.Join(whys, "; "); said != "" && said != q.seen.lastLogged {
		q.seen.lastLogged = said
		q.cfg.Logger.Error("the database is not what this server saw last; nothing is written until an operator accepts it", "found", said)
	}
	if !save {
		return nil
	}
	return q.seen.save()
}

// compareCheckpoints holds every log that was seen against its checkpoint, also those that
// are gone, and then lets writes go on, or forbids them. A log that is signed by a
// key of nobody's is damaged and concerns itself alone; when all are, it is the key
// file that is wrong, which is told, and no reason to forbid writes.
func (q *Sequencer) compareCheckpoints(ctx context.Context) error {
	changes, seen := q.cfg.DB.Changes(), q.seenCheckpoints()
	var strangers []error
	for chain, was := range seen {
		why, err := q.compareWithSeen(ctx, chain, was)
		if errors.Is(err, errUnknownSigner) {
			strangers, why = append(strangers, err), damagedLog{err}
		} else if err != nil {
			return err
		}
		q.recordComparison(chain, was, why)
	}
	q.mu.Lock()
	q.seen.revision = 0
	q.mu.Unlock()
	if err := q.checkHeads(ctx); err != nil {
		return err
	}
	q.cfg.DB.Resume(changes)
	if len(strangers) > 0 && len(strangers) == len(seen) {
		return strangers[0]
	}
	return nil
}

// recordComparison notes what came of the comparison of a log.
func (q *Sequencer) recordComparison(chain string, was checkpointRecord, why error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.seen.byChain[chain] != was {
		return // it was accepted or has grown meanwhile
	}
	switch damaged := new(damagedLog); {
	case errors.As(why, damaged):
		q.markDamaged(chain, damaged.error)
	case why != nil:
		q.seen.rollbacks[chain] = why
	}
}

// damagedLog says that a log cannot be compared, because what is stored of it is
// not what was signed. That is the matter of this log alone: a database that was
// put back has whole logs.
type damagedLog struct{ error }

// compareWithSeen answers why a log does not follow from what was seen of it; nil: it
// does. A damagedLog says that it cannot be told.
func (q *Sequencer) compareWithSeen(ctx context.Context, chain string, was checkpointRecord) (why, err error) {
	keys, err := keysFor(q.keys(), chain)
	if err != nil {
		return nil, err
	}
	err = storage.Read(ctx, q.cfg.DB, chain, func(s *storage.Snapshot) error {
		h, err := storage.ReadLogHead(s)
		if errors.Is(err, storage.ErrNotFound) {
			why = errLogMissing(was)
			return nil
		}
		if err != nil {
			return err
		}
		unsigned := signedHead(h, keys)
		switch {
		case errors.Is(unsigned, ledger.ErrStranger):
			return fmt.Errorf("chain %s: %w", chain, errUnknownSigner) // nobody can accept that; the key is missing
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
			why = errPrefixChanged(was)
		}
		return nil
	})
	return why, err
}

// RolledBackFrom returns the last checkpoint that was seen of a chain's log which the
// database does not follow from; nil when it does.
func (q *Sequencer) RolledBackFrom(chain string) []byte {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.seen.rollbacks[chain] == nil {
		return nil
	}
	return []byte(q.seen.byChain[chain].Checkpoint)
}

// CheckAccepted looks whether the logs that have departed were accepted as they are. An
// entry says so that names the very checkpoint which was seen.
func (q *Sequencer) CheckAccepted(ctx context.Context) error {
	q.mu.Lock()
	var chains []string
	for chain := range q.seen.rollbacks {
		chains = append(chains, chain)
	}
	q.mu.Unlock()
	for _, chain := range chains {
		if err := q.checkAccepted(ctx, chain); err != nil {
			return err
		}
	}
	return nil
}

// checkAccepted looks whether one log was accepted.
func (q *Sequencer) checkAccepted(ctx context.Context, chain string) error {
	checkpoint := q.RolledBackFrom(chain)
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
	return q.applyWriteBlock(true)
}
