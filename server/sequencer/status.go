package sequencer

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
)

// Status is the state of one chain's log as this server knows it. Health and
// metrics are derived from it.
//
// Pending and Lag describe work that waits, not a fault; Healthy ignores them. An
// alarm on Lag belongs into monitoring, where its limit can be chosen.
type Status struct {
	// Chain is the ID of the chain.
	Chain string
	// Size is the number of entries on the log.
	Size int64
	// Halted is why no entries are added to the log any more; empty: they are.
	Halted string
	// RolledBack is why the log is not a continuation of the last checkpoint that this
	// server has seen, as after a restored backup; empty: it is. A rollback makes the
	// whole installation read-only.
	RolledBack string
	// Damaged is why the stored log differs from what was signed; empty: no difference
	// is known. Other logs are not affected.
	Damaged string
	// Pending is the number of entries that wait to be added to the log, up to 10,000.
	Pending int64
	// Lag is how long the oldest of them has been waiting.
	Lag time.Duration
	// Findings is the result of the last inspection.
	Findings
}

// Findings is the result of the inspection of one log. Counts are complete.
//
// A finding is evidence, not a verdict: it may be an attack, a repair by hand or a
// bug. What the auditor needs is the index and the copy of the log that shows the
// difference.
type Findings struct {
	// CheckTime is when the inspection ended; zero: none has ended yet.
	CheckTime time.Time
	// Compared is how many indexes of the log were compared, from the first.
	Compared int64
	// Missing counts indexes whose entry is not in the database.
	Missing int64
	// Changed counts indexes whose entry differs from the signed one.
	Changed int64
	// Mismatched counts indexes whose search columns differ from the signed entry.
	Mismatched int64
	// Places are the first 20 of all these indexes, ascending.
	Places []int64
	// Unlogged counts stored entries that are not on the log although the log has
	// passed them.
	Unlogged int64
	// Causeless counts entries whose cause differs from what they say.
	Causeless int64
	// Uncovered counts coverage entries whose record digests differ from the signed
	// ones.
	Uncovered int64
	// Records counts records that differ from what was stored, from the last
	// inspection that included records.
	Records int64
}

// Healthy reports whether no problem of the log is known.
func (s Status) Healthy() bool {
	return s.Halted == "" && s.RolledBack == "" && s.Damaged == "" && s.Missing+s.Changed+s.Mismatched+s.Unlogged+s.Causeless+s.Uncovered+s.Records == 0
}

// Status returns the state of all known logs, ordered by chain.
func (q *Sequencer) Status() []Status {
	q.mu.Lock()
	defer q.mu.Unlock()
	chains := map[string]bool{}
	for _, known := range []map[string]error{q.checkpoints.rollbacks, q.checkpoints.damaged} {
		for chain := range known {
			chains[chain] = true
		}
	}
	for chain := range q.checkpoints.heads {
		chains[chain] = true
	}
	for chain := range q.backlogs {
		chains[chain] = true
	}
	var all []Status
	for _, chain := range slices.Sorted(maps.Keys(chains)) {
		all = append(all, q.status(chain))
	}
	return all
}

// status returns the state of one log. The caller holds q.mu.
func (q *Sequencer) status(chain string) Status {
	head := q.checkpoints.heads[chain]
	s := Status{Chain: chain, Size: head.size, Halted: head.halted, Findings: q.findings[chain],
		RolledBack: text(q.checkpoints.rollbacks[chain]), Damaged: text(q.checkpoints.damaged[chain])}
	if w, waits := q.backlogs[chain]; waits {
		s.Pending, s.Lag = w.count, time.Since(w.since)
	}
	return s
}

// text returns the text of an error; empty for nil.
func text(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

// Check returns the result of the last inspection of a chain's log as a message of
// the contract.
func (q *Sequencer) Check(chain string) *pb.LogCheck {
	q.mu.Lock()
	defer q.mu.Unlock()
	s := q.status(chain)
	c := &pb.LogCheck{ComparedPlaces: s.Compared, MissingPlaces: s.Missing, ChangedPlaces: s.Changed, MismatchedPlaces: s.Mismatched,
		Places: s.Places, UnloggedEntries: s.Unlogged, Halted: cmp.Or(s.Halted, s.Damaged)}
	if !s.CheckTime.IsZero() {
		c.CheckTime = timestamppb.New(s.CheckTime)
	}
	return c
}

// backlog describes the pending entries of one log.
type backlog struct {
	count  int64
	oldest int64     // its position
	since  time.Time // when the oldest was first seen waiting
}

// countWaiting counts the pending entries of all logs. Only the oldest position is
// remembered between counts: as long as it stays the same, the same entry waits,
// and the lag grows from when it was first seen. The server's own clock measures
// it, because entries carry the clock of the caller.
//
// While every position is on the logs and no log is halted, nothing waits, and nothing
// is counted.
func (q *Sequencer) countWaiting(ctx context.Context, state storage.LogState) error {
	var pending []storage.PendingEntries
	if state.Reached.Int64 < state.Next-1 || q.hasHalted() {
		var err error
		if pending, err = storage.CountPending(ctx, q.cfg.DB); err != nil {
			return err
		}
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	waiting := map[string]backlog{}
	for _, p := range pending {
		b := backlog{p.Count, p.Oldest, time.Now()}
		if was, waited := q.backlogs[p.Chain]; waited && was.oldest == p.Oldest {
			b.since = was.since
		}
		waiting[p.Chain] = b
	}
	q.backlogs = waiting
	return nil
}

// hasHalted reports whether a log is known to be halted.
func (q *Sequencer) hasHalted() bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, h := range q.checkpoints.heads {
		if h.halted != "" {
			return true
		}
	}
	return false
}
