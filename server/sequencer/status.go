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
// metrics are made from it.
type Status struct {
	// Chain is the id of the chain.
	Chain string
	// Size is how many entries are on the log.
	Size int64
	// Halted says why nothing is put on the log any more; empty: it grows.
	Halted string
	// RolledBack says why the log does not follow from the checkpoint that this
	// server has seen, as after a restored backup; empty: it does. The whole
	// installation is read-only then.
	RolledBack string
	// Damaged says why the stored log is not what was signed; empty: it is, as far
	// as was seen. Other logs are not concerned.
	Damaged string
	// Pending is how many entries wait to be put on the log, up to 10,000.
	Pending int64
	// Lag is for how long the oldest of them has been seen to wait.
	Lag time.Duration
	// Findings are the result of the last inspection.
	Findings
}

// Findings is what an inspection of one log found. Counts are complete.
type Findings struct {
	// CheckTime is when the inspection ended; zero: there was none yet.
	CheckTime time.Time
	// Compared is how many places of the log were compared, from the first on.
	Compared int64
	// Missing counts places without an entry on record.
	Missing int64
	// Changed counts places whose entry is not the one that was signed.
	Changed int64
	// Mismatched counts places whose search columns do not say what the signed
	// entry says.
	Mismatched int64
	// Places are the first of all these places, up to 20, rising.
	Places []int64
	// Unlogged counts entries on record that are not on the log although it has
	// passed them.
	Unlogged int64
	// Causeless counts entries whose cause is not what they say.
	Causeless int64
	// Uncovered counts entries of coverage whose digests of records are not those
	// that were signed.
	Uncovered int64
	// Records counts records that are not what was stored, by the last inspection
	// that looked at records too.
	Records int64
}

// Healthy reports whether nothing is known to be wrong with the log.
func (s Status) Healthy() bool {
	return s.Halted == "" && s.RolledBack == "" && s.Damaged == "" && s.Missing+s.Changed+s.Mismatched+s.Unlogged+s.Causeless+s.Uncovered+s.Records == 0
}

// Status returns the state of all logs that this server knows of, by chain.
func (q *Sequencer) Status() []Status {
	q.mu.Lock()
	defer q.mu.Unlock()
	chains := map[string]bool{}
	for _, known := range []map[string]error{q.seen.rollbacks, q.seen.damaged} {
		for chain := range known {
			chains[chain] = true
		}
	}
	for chain := range q.seen.heads {
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

// status is the state of one log. Q.mu is held.
func (q *Sequencer) status(chain string) Status {
	head := q.seen.heads[chain]
	s := Status{Chain: chain, Size: head.size, Halted: head.halted, Findings: q.findings[chain],
		RolledBack: text(q.seen.rollbacks[chain]), Damaged: text(q.seen.damaged[chain])}
	if w, waits := q.backlogs[chain]; waits {
		s.Pending, s.Lag = w.count, time.Since(w.since)
	}
	return s
}

// text is an error's text; empty for none.
func text(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

// Check returns what was found when a chain's log was last compared with the
// records, as the contract has it.
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

// backlog is the entries of one log that wait.
type backlog struct {
	count  int64
	oldest int64     // its position
	since  time.Time // since when the oldest is seen to wait
}

// countWaiting counts what waits to be put on the logs.
func (q *Sequencer) countWaiting(ctx context.Context) error {
	pending, err := storage.CountPending(ctx, q.cfg.DB)
	if err != nil {
		return err
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
