// Package sequencer puts what was recorded on the audit logs. An audit entry is
// committed with its cause; here it gets its place in the Merkle tree of its
// chain, and the head of that tree is signed, some tenths of a second later and
// outside of anybody's call.
//
// Every server runs it and one at a time leads. The lead is a row of the
// database with an epoch and a lease: each batch changes that row in its own
// transaction, so that a leader which was replaced, or was asleep, can commit
// nothing, and the state of every tree is read under that lock. What a batch
// changes is worked out by a pure function, from what was read there alone, and
// so two servers cannot fork a log; a leader that dies leaves a batch that was
// committed or one that was not.
//
// A head is built upon only if it is the one that was signed and its tiles give
// its root. Each server keeps the newest checkpoints that it has seen in a file
// outside of the database, and compares the two before it accepts a write.
package sequencer

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
	"alkalog/storage"
)

// Config says what a sequencer works with.
type Config struct {
	DB     *storage.DB
	Logger *slog.Logger
	// KeyFile holds the keys that checkpoints are signed with; MakeKey makes it
	// when it is not there.
	KeyFile string
	MakeKey bool
	// SeenFile keeps the newest checkpoints that were seen. Empty: they are kept
	// in memory only, and there is nothing to compare a database with at start.
	SeenFile string
	// Lease is how long a leader that is not heard of stays the leader. 0: 3 s.
	Lease time.Duration
	// OverdueAfter is how long entries may wait, whoever leads, before this server
	// tells of it. 0: 30 s.
	OverdueAfter time.Duration
	// CoverEvery is how often the leader makes entries of what writes have stored.
	// 0: 5 s; our own choice: until then a record can be changed unseen.
	CoverEvery time.Duration
	// Now is the clock of the entries of coverage. Nil: time.Now.
	Now func() time.Time
}

const (
	// batchSize is the most entries that are put on logs in one transaction. It
	// bounds the memory of a batch: 1,000 entries of at most 65,535 bytes.
	batchSize = 1000
	// pollEvery is how often a leader looks for entries.
	pollEvery = 200 * time.Millisecond
	// headsPage is how many heads are read at a time.
	headsPage = 200
	// checkEvery is how often the key file, other people's checkpoints and what
	// was accepted are looked at, and how often the file of checkpoints is
	// written at most.
	checkEvery = time.Second
)

// Sequencer is one server's.
type Sequencer struct {
	cfg   Config
	leads atomic.Bool
	wake  <-chan struct{} // when the database was restarted or replaced

	mu          sync.Mutex // guards what follows, which both loops use
	ring        *keyring
	seen        *checkpointStore
	keysChanged bool              // the keys are not those that the leader has begun with
	lastLogged  map[string]string // what was last complained of, by what was being done

	findings map[string]Findings // of the last inspection, by chain
	backlogs map[string]backlog  // entries that wait, by chain
}

// Open reads the keys and compares the database with the checkpoints that were
// seen. A database that does not follow from them is no error: nothing is
// written to it until somebody accepts it.
func Open(ctx context.Context, cfg Config) (*Sequencer, error) {
	cfg.Lease, cfg.OverdueAfter = cmp.Or(cfg.Lease, 3*time.Second), cmp.Or(cfg.OverdueAfter, 30*time.Second)
	ring, err := openKeys(cfg.KeyFile, cfg.MakeKey)
	if err != nil {
		return nil, err
	}
	seen, err := openCheckpointStore(cfg.SeenFile)
	if err != nil {
		return nil, err
	}
	cfg.CoverEvery = cmp.Or(cfg.CoverEvery, 5*time.Second)
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	q := &Sequencer{cfg: cfg, ring: ring, seen: seen, lastLogged: map[string]string{},
		findings: map[string]Findings{}, backlogs: map[string]backlog{}, wake: cfg.DB.SuspendOnChange()}
	if err := q.compareCheckpoints(ctx); err != nil {
		return nil, err
	}
	if seen.fileMissing && len(seen.byChain) > 0 {
		cfg.Logger.Warn("there was no file of checkpoints, and there are logs: they were compared with nothing; if the file was there before, find out where it is", "file", cfg.SeenFile)
	}
	return q, nil
}

// keys returns the keys of today.
func (q *Sequencer) keys() []ledger.PrivateKey {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.ring.keys
}

// Lead takes the lead whenever nobody has it, and puts entries on the logs,
// until ctx is done.
func (q *Sequencer) Lead(ctx context.Context) {
	for ctx.Err() == nil {
		if !q.mayLead() {
			pause(ctx, pollEvery)
			continue
		}
		epoch, err := storage.TakeLead(ctx, q.cfg.DB, q.cfg.Lease)
		q.logChange(ctx, "taking the lead of the log", err)
		if epoch != 0 {
			q.lead(ctx, storage.Lead{Epoch: epoch, Lease: q.cfg.Lease})
		}
		pause(ctx, q.cfg.Lease/6)
	}
}

// mayLead reports whether the database is the one that was seen last.
func (q *Sequencer) mayLead() bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.seen.rollbacks) == 0 && !q.cfg.DB.Suspended()
}

// lead puts entries on the logs as long as it leads.
func (q *Sequencer) lead(ctx context.Context, lead storage.Lead) {
	q.leads.Store(true)
	defer q.leads.Store(false)
	defer q.releaseLead(ctx, lead)
	r := roundState{lead: lead, position: -1, covered: time.Now()}
	q.mu.Lock()
	q.keysChanged = true
	q.mu.Unlock()
	for ctx.Err() == nil && q.mayLead() {
		more, err := q.round(ctx, &r)
		if errors.Is(err, storage.ErrNotLeading) {
			q.cfg.Logger.Info("another server keeps the log", "epoch", lead.Epoch)
			return
		}
		q.logChange(ctx, "keeping the log", err)
		switch {
		case errors.Is(err, errUnknownSigner):
			return
		case err != nil:
			r = roundState{lead: lead, position: -1, covered: time.Now()}
			pause(ctx, pollEvery)
		case !more:
			pause(ctx, pollEvery)
		}
	}
}

// releaseLead gives the lead back, so that nobody has to wait for the end of a lease.
func (q *Sequencer) releaseLead(ctx context.Context, lead storage.Lead) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), q.cfg.Lease)
	defer cancel()
	if err := storage.YieldLead(ctx, q.cfg.DB, lead.Epoch); err != nil {
		q.logChange(ctx, "yielding the lead of the log", err)
	}
}

// roundState is what a leader knows from one round to the next. All of it can be
// forgotten; the database has the truth.
type roundState struct {
	lead             storage.Lead
	position         int64             // up to where entries are on their logs; -1: not known
	renewed          time.Time         // when the lease was last renewed
	covered          time.Time         // when writes were last covered, or this server began to lead
	baselinesCovered bool              // the baselines are covered
	mark             storage.WriteMark // what is covered next; zero: nothing
}

// round is one round of the leader. It reports whether there is more to do at
// once. What else the leader does in turn belongs here, after the entries.
func (q *Sequencer) round(ctx context.Context, r *roundState) (bool, error) {
	keys, err := q.resignAll(ctx, r.lead)
	if err != nil {
		return false, err
	}
	settled, err := storage.SettledBefore(ctx, q.cfg.DB)
	if err != nil {
		return false, err
	}
	if more, err := q.cover(ctx, r, settled); more || err != nil {
		return more, err
	}
	if r.position >= settled-1 && time.Since(r.renewed) < q.cfg.Lease/3 {
		return false, nil
	}
	full := false
	r.position, err = storage.Sequence(ctx, q.cfg.DB, r.lead, settled, batchSize, func(b *storage.Batch) (storage.LogChanges, error) {
		full = len(b.Pending) == batchSize
		return plan(b.Pending, b.Heads, b.Tiles, keys)
	})
	r.renewed = time.Now()
	return full, err
}

// cover puts what writes have stored on record as entries of coverage, if it is
// time. It reports whether there is more to do at once.
func (q *Sequencer) cover(ctx context.Context, r *roundState, settled int64) (bool, error) {
	switch {
	case r.mark.Writes > 0 && settled <= r.mark.Entries:
		return false, nil // a write before the mark is under way
	case r.mark.Writes == 0:
		if time.Since(r.covered) < q.cfg.CoverEvery {
			return false, nil
		}
		next, covered, err := storage.NewestWrite(ctx, q.cfg.DB)
		if err != nil || next == covered+1 && r.baselinesCovered {
			r.covered = time.Now()
			return false, err
		}
		r.mark, err = storage.MarkWrites(ctx, q.cfg.DB)
		return false, err
	}
	audit := func(chain string) ledger.EntryContext {
		return ledger.EntryContext{Chain: "chains/" + chain, Actor: "server", Time: q.cfg.Now(), NewID: storage.NewID}
	}
	if !r.baselinesCovered {
		err := storage.CoverBaselines(ctx, q.cfg.DB, r.lead, func(chain string, c storage.Covered) *pb.AuditEntry {
			return audit(chain).Baseline(c.Digest, c.Records)
		})
		if err != nil {
			return false, err
		}
		r.baselinesCovered = true
	}
	more, err := storage.Cover(ctx, q.cfg.DB, r.lead, r.mark.Writes, batchSize, func(chain string, c storage.Covered) *pb.AuditEntry {
		return audit(chain).Covered(c.Digest, c.Writes, c.Records)
	})
	if err == nil && !more {
		r.covered, r.mark = time.Now(), storage.WriteMark{}
	}
	return more, err
}

// resignAll signs all logs with the keys of today, if these have changed since
// this server leads or it has just begun to: the checkpoint that both an old and
// a new key sign carries the trust over, so there must be one for every log. It
// returns the keys that all logs are signed with now: what is built on them goes
// by these, whatever is read meanwhile.
func (q *Sequencer) resignAll(ctx context.Context, lead storage.Lead) ([]ledger.PrivateKey, error) {
	q.mu.Lock()
	due, keys := q.keysChanged, q.ring.keys
	q.keysChanged = false
	q.mu.Unlock()
	if !due {
		return keys, nil
	}
	for after := ""; ; {
		last, err := storage.Revise(ctx, q.cfg.DB, lead, after, headsPage, func(b *storage.Batch) (storage.LogChanges, error) {
			return resign(b.Heads, keys)
		})
		if err != nil {
			q.mu.Lock()
			q.keysChanged = true
			q.mu.Unlock()
			return nil, err
		}
		if after = last; last == "" {
			q.cfg.Logger.Info("this server keeps the log", "epoch", lead.Epoch, "keys", len(keys))
			return keys, nil
		}
	}
}

// logChange tells of what went wrong, and not again while it stays the same. Nil
// says that it has gone well.
func (q *Sequencer) logChange(ctx context.Context, doing string, err error) {
	said := ""
	if err != nil {
		said = err.Error()
	}
	q.mu.Lock()
	news := said != q.lastLogged[doing]
	q.lastLogged[doing] = said
	q.mu.Unlock()
	if news && err != nil && ctx.Err() == nil {
		q.cfg.Logger.Warn(doing, "error", said)
	}
}

// pause waits, or returns when ctx is done.
func pause(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}
