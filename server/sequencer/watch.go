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

// Watch repeatedly checks the key file, the checkpoints of all logs, including
// those that other servers signed, and acceptances, until ctx is done.
//
// Every server watches, also while another one leads: each server answers calls
// from its own connection, which may lead to another database after a failover. The
// last check runs after ctx has ended, with its own deadline, so that the file has
// the newest checkpoint when the server stops.
func (q *Sequencer) Watch(ctx context.Context) {
	var waiting waitingSince
	for ctx.Err() == nil {
		q.reload(ctx)
		if q.cfg.DB.Suspended() {
			q.logChange(ctx, "compare the audit logs with the last checkpoints", q.compareCheckpoints(ctx))
		}
		state, err := storage.ReadLogState(ctx, q.cfg.DB)
		if err == nil {
			q.logChange(ctx, "check for overdue audit entries", q.checkOverdue(state, &waiting))
			q.logChange(ctx, "count pending audit entries", q.countWaiting(ctx, state))
			err = q.checkState(ctx, state)
		}
		q.logChange(ctx, "check the audit logs", err)
		q.waitNextCheck(ctx)
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), q.cfg.Lease)
	defer cancel()
	if err := q.checkHeads(ctx); err != nil {
		q.cfg.Logger.Warn("final check of the audit logs", "error", err.Error())
	}
}

// waitNextCheck waits until the next check is due. A restart or replacement of the
// database makes it due at once.
func (q *Sequencer) waitNextCheck(ctx context.Context) {
	timer := time.NewTimer(checkEvery)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	case <-q.wake:
	}
}

// waitingSince records up to which position entries were pending, and since when.
type waitingSince struct {
	upTo  int64
	since time.Time
}

// checkOverdue returns an error if entries wait too long: no server leads, or the
// leader cannot continue.
//
// Every server checks this, because a leader that hangs cannot report itself.
func (q *Sequencer) checkOverdue(state storage.LogState, waiting *waitingSince) error {
	switch {
	case !state.Reached.Valid:
		return errors.New("the row that holds the lead is missing")
	case state.Reached.Int64 >= waiting.upTo:
		*waiting = waitingSince{state.Settled - 1, time.Now()}
	case time.Since(waiting.since) > q.cfg.OverdueAfter:
		return fmt.Errorf("no entries were added for more than %v", q.cfg.OverdueAfter)
	}
	return nil
}

// reload reads the key file again if it was changed.
func (q *Sequencer) reload(ctx context.Context) {
	q.mu.Lock()
	changed, err := q.ring.reload()
	q.keysChanged = q.keysChanged || changed
	q.mu.Unlock()
	if changed {
		q.cfg.Logger.Info("audit log keys reloaded")
	}
	if err != nil {
		q.logChange(ctx, "reload the audit log keys; the current keys stay in use", err)
	}
}

// checkHeads reads the state of the logs and checks it.
func (q *Sequencer) checkHeads(ctx context.Context) error {
	state, err := storage.ReadLogState(ctx, q.cfg.DB)
	if err != nil {
		return err
	}
	return q.checkState(ctx, state)
}

// checkState checks for acceptances and observes the heads that have changed.
//
// The order is deliberate: an acceptance must be seen before the log is compared, a
// rewound database before its heads, and a missing log before the heads that exist.
// A lock is never held during a query, so the state may change in between; each
// step checks again that it still has the checkpoint it compared.
//
// The head that has changed last is observed also if it was seen before, because it
// may be a different head with the same revision.
func (q *Sequencer) checkState(ctx context.Context, state storage.LogState) error {
	if err := q.CheckAccepted(ctx); err != nil {
		return err
	}
	if q.isRewound(state) {
		return q.compareCheckpoints(ctx)
	}
	if err := q.detectMissingLogs(ctx, state); err != nil {
		return err
	}
	for heads := []storage.LogHead{state.LogHead}; ; {
		q.mu.Lock()
		after := q.checkpoints.revision
		q.mu.Unlock()
		if state.Revision > after {
			var err error
			if heads, err = storage.ChangedHeads(ctx, q.cfg.DB, after, headsPage); err != nil {
				return err
			}
		} else if state.Chain == "" {
			heads = nil
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
		err := q.applyWriteBlock(len(heads) < headsPage)
		q.mu.Unlock()
		if err != nil || len(heads) < headsPage {
			return err
		}
	}
}

// observeHead observes the current head of a log. A head that differs from the
// signed one means damage to that log alone, not another history, unless the log
// has become smaller. The caller holds q.mu.
func (q *Sequencer) observeHead(h storage.LogHead) {
	set, err := keysFor(q.ring.keys, h.Chain)
	if err == nil {
		err = signedHead(h, set)
	}
	if err != nil && !errors.Is(err, ledger.ErrStranger) && h.Size >= q.checkpoints.byChain[h.Chain].Size {
		q.checkpoints.revision = max(q.checkpoints.revision, h.Revision)
		q.markDamaged(h.Chain, err)
	} else {
		q.checkpoints.observe(h)
	}
	if h.Halted != "" && q.checkpoints.heads[h.Chain].halted == "" {
		q.cfg.Logger.Error("a log was tampered with; new entries are stored but not added to it", "chain", h.Chain, "found", h.Halted)
	}
	q.checkpoints.heads[h.Chain] = headState{h.Size, h.Halted}
}

// markDamaged records and logs, once, that a stored log differs from what was
// signed. Only that log is affected: its proofs are refused, and the next batch
// that would extend it halts it. The caller holds q.mu.
func (q *Sequencer) markDamaged(chain string, why error) {
	if q.checkpoints.damaged[chain] == nil {
		q.cfg.Logger.Error("a log is damaged: the stored log differs from what was signed; other logs are not affected", "chain", chain, "found", why.Error())
	}
	q.checkpoints.damaged[chain] = why
}

// checkPrefix records a rollback if a log has grown but its first entries have
// changed: it was restored and has since outgrown the last checkpoint. Damaged
// tiles do not count as a rollback; extending or inspecting the log reports them.
func (q *Sequencer) checkPrefix(ctx context.Context, h storage.LogHead) error {
	q.mu.Lock()
	was := q.checkpoints.byChain[h.Chain]
	q.mu.Unlock()
	if was.Size == 0 || h.Size <= was.Size {
		return nil // observe handles this case
	}
	set, err := keysFor(q.keys(), h.Chain)
	if err != nil {
		return err
	}
	if err := signedHead(h, set); err != nil && !errors.Is(err, ledger.ErrStranger) {
		return nil // observeHead handles damage to this log alone; a restored database has signed heads
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
		if q.checkpoints.byChain[h.Chain] == was { // unless it was accepted meanwhile
			q.checkpoints.rollbacks[h.Chain] = errPrefixChanged(was)
		}
	}
	return err
}

// errPrefixChanged describes a log whose first entries have changed.
func errPrefixChanged(was checkpointRecord) error {
	return fmt.Errorf("the first %d entries of its log have changed", was.Size)
}

// isRewound reports whether the newest revision is older than one that was seen: the
// database was restored while this server ran, so that restored heads look unchanged.
// Writes are blocked until all logs were compared.
func (q *Sequencer) isRewound(state storage.LogState) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if state.Revision >= q.checkpoints.revision {
		return false
	}
	q.cfg.DB.Forbid("its logs are older than the last checkpoints")
	return true
}

// searchMissingEvery is how often missing logs are looked for although neither the
// number of logs nor the newest revision has changed. Our own choice.
const searchMissingEvery = time.Minute

// detectMissingLogs records a rollback for each log that was seen and no longer
// exists.
func (q *Sequencer) detectMissingLogs(ctx context.Context, state storage.LogState) error {
	q.mu.Lock()
	same := q.searched == [2]int64{state.Logs, state.Revision} && time.Since(q.searchedAt) < searchMissingEvery
	q.mu.Unlock()
	if same {
		return nil
	}
	known := q.knownCheckpoints()
	gone, err := storage.VanishedLogs(ctx, q.cfg.DB, slices.Collect(maps.Keys(known)))
	if err != nil {
		return err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, chain := range gone {
		if was := known[chain]; was.Size > 0 && q.checkpoints.byChain[chain] == was { // unless it was accepted meanwhile
			q.checkpoints.rollbacks[chain] = errLogMissing(was)
		}
	}
	q.searched, q.searchedAt = [2]int64{state.Logs, state.Revision}, time.Now()
	return nil
}

// errLogMissing describes a log that no longer exists.
func errLogMissing(was checkpointRecord) error {
	return fmt.Errorf("its log had %d entries and is gone", was.Size)
}

// knownCheckpoints returns a copy of the last checkpoints.
func (q *Sequencer) knownCheckpoints() map[string]checkpointRecord {
	q.mu.Lock()
	defer q.mu.Unlock()
	return maps.Clone(q.checkpoints.byChain)
}

// applyWriteBlock blocks all writes while any log is rolled back, and allows them
// otherwise. The caller holds q.mu.
//
// It logs the rollbacks only when they change. With save it also saves the checkpoint
// file.
func (q *Sequencer) applyWriteBlock(save bool) error {
	var whys []string
	for chain, why := range q.checkpoints.rollbacks {
		whys = append(whys, fmt.Sprintf("chain %s: %v", chain, why))
	}
	slices.Sort(whys)
	if len(whys) == 0 {
		q.cfg.DB.Permit()
	} else {
		q.cfg.DB.Forbid(whys[0])
	}
	if said := strings.Join(whys, "; "); said != "" && said != q.checkpoints.lastLogged {
		q.checkpoints.lastLogged = said
		q.cfg.Logger.Error("the database is not a continuation of the last checkpoints; writes are blocked until an operator accepts it with `alkalog accept-restore`", "found", said)
	}
	if !save {
		return nil
	}
	return q.checkpoints.save()
}

// compareCheckpoints compares every log that was seen, including missing ones,
// with its last checkpoint, and then allows or blocks writes. A log that is signed
// by an unknown key counts as damaged and affects no other. If all are, the key
// file is wrong; that is an error but no reason to block writes.
//
// It reads Changes before the comparison and passes it to Resume: if the database
// was replaced again meanwhile, writes stay suspended until the next comparison.
func (q *Sequencer) compareCheckpoints(ctx context.Context) error {
	changes, known := q.cfg.DB.Changes(), q.knownCheckpoints()
	var strangers []error
	for chain, was := range known {
		why, err := q.compareWithLast(ctx, chain, was)
		if errors.Is(err, errUnknownSigner) {
			strangers, why = append(strangers, err), damagedLog{err}
		} else if err != nil {
			return err
		}
		q.recordComparison(chain, was, why)
	}
	q.mu.Lock()
	q.checkpoints.revision = 0
	q.mu.Unlock()
	if err := q.checkHeads(ctx); err != nil {
		return err
	}
	q.cfg.DB.Resume(changes)
	if len(strangers) > 0 && len(strangers) == len(known) {
		return strangers[0]
	}
	return nil
}

// recordComparison records the result of the comparison of a log.
func (q *Sequencer) recordComparison(chain string, was checkpointRecord, why error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.checkpoints.byChain[chain] != was {
		return // it was accepted or has grown meanwhile
	}
	switch damaged := new(damagedLog); {
	case errors.As(why, damaged):
		q.markDamaged(chain, damaged.error)
	case why != nil:
		q.checkpoints.rollbacks[chain] = why
	}
}

// damagedLog means that a log cannot be compared because the stored log differs
// from what was signed. Only that log is affected: a restored database has intact
// logs.
type damagedLog struct{ error }

// compareWithLast returns why a log is not a continuation of its last checkpoint;
// nil: it is. A damagedLog means that this cannot be determined. A smaller log is a
// rollback before the signature is checked, because a restored log is correctly
// signed.
func (q *Sequencer) compareWithLast(ctx context.Context, chain string, was checkpointRecord) (why, err error) {
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
			return fmt.Errorf("chain %s: %w", chain, errUnknownSigner) // an operator cannot accept this: the key is missing
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

// RolledBackFrom returns the last checkpoint of a chain's log if the database is
// not a continuation of it; otherwise nil.
func (q *Sequencer) RolledBackFrom(chain string) []byte {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.checkpoints.rollbacks[chain] == nil {
		return nil
	}
	return []byte(q.checkpoints.byChain[chain].Checkpoint)
}

// CheckAccepted checks whether an operator has accepted the logs that were rolled
// back. An acceptance is an audit entry that contains the last checkpoint.
//
// The entry must contain exactly the checkpoint that this server has seen: an
// acceptance of an earlier rollback does not cover a later one, and the accepted
// loss stays on the log for every auditor.
//
// It is also called at once when an operator accepts, so that writes continue without
// waiting for the next round.
func (q *Sequencer) CheckAccepted(ctx context.Context) error {
	q.mu.Lock()
	var chains []string
	for chain := range q.checkpoints.rollbacks {
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

// checkAccepted checks one log.
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
	q.checkpoints.accept(head)
	q.cfg.Logger.Warn("a rolled-back log was accepted; earlier checkpoints show which entries are missing", "chain", chain)
	return q.applyWriteBlock(true)
}
