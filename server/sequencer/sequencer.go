// Package sequencer adds committed audit entries to the audit logs. A service
// commits an audit entry together with its cause; a few tenths of a second later,
// outside any call, the sequencer adds the entry to the Merkle tree of its chain
// and signs the new head.
//
// Every server runs a sequencer, and one of them leads. The lead is a row in the
// database with an epoch and a lease. Each batch updates that row in its own
// transaction, so that a leader that was replaced or suspended cannot commit. The
// state of every tree is read under that row lock, and a pure function computes
// the batch from it. Two servers therefore cannot fork a log, and if a leader
// dies, its last batch is either committed or absent.
//
// A log is extended only if its head is the signed one and its tiles add up to its
// root. Each server saves the newest checkpoints that it has seen in a file
// outside the database, and compares the database with them before it accepts
// writes. If the database is not a continuation of them, as after a restored
// backup, it is read-only until an operator accepts it.
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

// Config is the configuration of a sequencer.
type Config struct {
	// DB is the database of the logs, and Logger receives findings and warnings.
	DB     *storage.DB
	Logger *slog.Logger
	// Name names this server to operators while it leads, in status.
	Name string
	// KeyFile holds the keys that sign checkpoints. MakeKey creates it if it does not
	// exist.
	KeyFile string
	MakeKey bool
	// CheckpointFile is the file for the newest checkpoints that were seen. Empty: they are
	// kept in memory, and the database is not checked at startup.
	CheckpointFile string
	// Lease is how long a leader keeps the lead without renewing it. 0: 3 s.
	Lease time.Duration
	// OverdueAfter is how long entries may wait for any leader before this server logs
	// a warning. 0: 30 s.
	OverdueAfter time.Duration
	// CoverEvery is how often the leader creates coverage entries for new writes. 0: 5
	// s, our own choice. A change to a record is not detectable before its write is
	// covered.
	CoverEvery time.Duration
	// Now is the clock for coverage entries. Nil: time.Now.
	Now func() time.Time
}

const (
	// batchSize is the maximum number of entries added in one transaction. It bounds
	// the memory of a batch: 1,000 entries of at most 65,535 bytes.
	batchSize = 1000
	// pollEvery is how often a leader looks for entries that it was not told of, at most.
	// Our own choice: writers of this server and hints of others wake it at once.
	pollEvery = time.Second
	// batchSpacing is the time between the beginnings of two batches. It bounds what the
	// sequencer costs while many write, and is part of how long an entry waits. Our own
	// choice.
	batchSpacing = 20 * time.Millisecond
	// retryEvery is the pause after an error. Our own choice.
	retryEvery = 200 * time.Millisecond
	// headsPage is how many heads are read per query.
	headsPage = 200
	// checkEvery is how often the key file, the checkpoints of other servers and
	// acceptances are checked, and the maximum rate of saving the checkpoint file.
	checkEvery = time.Second
)

// Sequencer is the sequencer of one server.
//
// Three loops use it: Lead adds entries, Watch compares heads, Inspect compares
// rows. They share only the fields under mu, and no database call is made while mu
// is held, except that Forbid and Permit set a flag in memory.
type Sequencer struct {
	cfg Config
	// leads is whether this server holds the lease.
	leads atomic.Bool
	// wake signals that the database was restarted or replaced.
	wake <-chan struct{}
	// written holds a value when this server has written, entries when another server
	// has, and free when another server has given up the lead. See Hear.
	written       <-chan struct{}
	entries, free chan struct{}

	mu          sync.Mutex // guards the fields below, which both loops use
	ring        *keyring
	checkpoints *checkpointStore
	// keysChanged means that the leader has not yet signed with the current keys.
	keysChanged bool
	// lastLogged is the last logged error by operation.
	lastLogged map[string]string

	// searched is the number of logs and the newest revision at searchedAt, when missing
	// logs were looked for last.
	searched   [2]int64
	searchedAt time.Time

	// findings are those of the last inspection, by chain.
	findings map[string]Findings
	// backlogs are the pending entries, by chain.
	backlogs map[string]backlog
}

// Open reads the keys and compares the database with the checkpoints that were
// seen. If the database is not a continuation of them, Open succeeds, but nothing
// is written until an operator accepts the database.
func Open(ctx context.Context, cfg Config) (*Sequencer, error) {
	cfg.Lease, cfg.OverdueAfter = cmp.Or(cfg.Lease, 3*time.Second), cmp.Or(cfg.OverdueAfter, 30*time.Second)
	ring, err := openKeys(cfg.KeyFile, cfg.MakeKey)
	if err != nil {
		return nil, err
	}
	checkpoints, err := openCheckpointStore(cfg.CheckpointFile)
	if err != nil {
		return nil, err
	}
	cfg.CoverEvery = cmp.Or(cfg.CoverEvery, 5*time.Second)
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	q := &Sequencer{cfg: cfg, ring: ring, checkpoints: checkpoints, lastLogged: map[string]string{},
		findings: map[string]Findings{}, backlogs: map[string]backlog{}, wake: cfg.DB.SuspendOnChange(),
		written: cfg.DB.OnWrite(), entries: make(chan struct{}, 1), free: make(chan struct{}, 1)}
	if err := q.compareCheckpoints(ctx); err != nil {
		return nil, err
	}
	if checkpoints.fileMissing && len(checkpoints.byChain) > 0 {
		cfg.Logger.Warn("the checkpoint file does not exist, but there are logs: they were not compared with anything; if the file existed before, find out where it is", "file", cfg.CheckpointFile)
	}
	return q, nil
}

// keys returns the current keys.
func (q *Sequencer) keys() []ledger.PrivateKey {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.ring.keys
}

// Lead takes the lead whenever it is free and adds entries to the logs, until ctx
// is done. A server that is not the leader asks again after a third of the lease, or
// at once when the leader says that it stops.
func (q *Sequencer) Lead(ctx context.Context) {
	for ctx.Err() == nil {
		if !q.mayLead() {
			pause(ctx, retryEvery)
			continue
		}
		epoch, err := storage.AcquireLease(ctx, q.cfg.DB, q.cfg.Lease, q.cfg.Name)
		q.logChange(ctx, "take the lead of the audit logs", err)
		if epoch != 0 {
			q.lead(ctx, storage.Lease{Epoch: epoch, Duration: q.cfg.Lease})
		}
		q.follow(ctx)
	}
}

// mayLead reports whether the database was compared with the last checkpoints and
// continues them.
//
// A leader that signs a rolled-back log would create a second history with valid
// signatures, which nobody could repair.
func (q *Sequencer) mayLead() bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.checkpoints.rollbacks) == 0 && !q.cfg.DB.Suspended()
}

// lead adds entries to the logs while this server holds the lead.
//
// After an error the state of the round is dropped and read again. ErrNotLeading
// means that the row has a newer epoch; the batch of this server was not committed.
// An unknown signer ends the lead, so that a server with the right keys can take
// it.
func (q *Sequencer) lead(ctx context.Context, lead storage.Lease) {
	q.leads.Store(true)
	defer q.leads.Store(false)
	defer q.releaseLead(ctx, lead)
	r := roundState{lead: lead, position: -1, covered: time.Now()}
	q.mu.Lock()
	q.keysChanged = true
	q.mu.Unlock()
	for ctx.Err() == nil && q.mayLead() {
		began := time.Now()
		more, err := q.round(ctx, &r)
		if errors.Is(err, storage.ErrNotLeading) {
			q.cfg.Logger.Info("another server signs the audit logs", "epoch", lead.Epoch)
			return
		}
		q.logChange(ctx, "add entries to the audit logs", err)
		switch {
		case errors.Is(err, errUnknownSigner):
			return
		case err != nil:
			r = roundState{lead: lead, position: -1, covered: time.Now()}
			pause(ctx, retryEvery)
		case !more:
			q.awaitEntries(ctx, began)
		}
	}
}

// releaseLead releases the lead, so that the next leader does not wait for the
// lease to expire.
func (q *Sequencer) releaseLead(ctx context.Context, lead storage.Lease) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), q.cfg.Lease)
	defer cancel()
	if err := storage.ReleaseLease(ctx, q.cfg.DB, lead.Epoch); err != nil {
		q.logChange(ctx, "release the lead of the audit logs", err)
		return
	}
	_ = storage.Announce(ctx, q.cfg.DB, []string{leadFree}) // those who miss it ask again by themselves
}

// roundState is what a leader remembers between rounds. It can be lost at any
// time; the database is authoritative.
type roundState struct {
	lead storage.Lease
	// position is up to where entries are on their logs; -1: unknown.
	position int64
	// renewed is when the lease was last renewed.
	renewed time.Time
	// covered is when writes were last covered, or this server took the lead.
	covered          time.Time
	baselinesCovered bool // baselines are covered
	// mark is what is covered next; zero: nothing.
	mark storage.WriteMark
}

// round does one round of the leader's work and reports whether there is more to
// do immediately. Add further tasks of the leader here, after the entries.
//
// Entries are added only below SettledBefore, the position below which no
// transaction is still running. Above it, a transaction with a lower position could
// commit later and its entry would be passed. A round without new entries only
// renews the lease, at least three times per lease.
func (q *Sequencer) round(ctx context.Context, r *roundState) (bool, error) {
	keys, err := q.resignAll(ctx, r.lead)
	if err != nil {
		return false, err
	}
	settled, err := storage.SettledBefore(ctx, q.cfg.DB)
	if err != nil {
		return false, err
	}
	marked := r.mark.Writes > 0
	if more, err := q.cover(ctx, r, settled); more || err != nil {
		return more, err
	}
	marked = !marked && r.mark.Writes > 0 // then the next round can cover
	if r.position >= settled-1 {
		if time.Since(r.renewed) < q.pollEvery() {
			return marked, nil
		}
		err := storage.RenewLease(ctx, q.cfg.DB, r.lead)
		r.renewed = time.Now()
		return marked, err
	}
	full := false
	r.position, err = storage.Sequence(ctx, q.cfg.DB, r.lead, settled, batchSize, func(b *storage.Batch) (storage.LogChanges, error) {
		full = len(b.Pending) == batchSize
		return plan(b.Pending, b.Heads, b.Tiles, keys)
	})
	r.renewed = time.Now()
	return err == nil && (full || marked), err
}

// cover creates coverage entries for new writes when they are due. It reports
// whether there is more to do immediately.
//
// The mark is taken first and used only when every write before it has ended. A
// write that is still running would otherwise be passed and never be covered.
// Baselines cover the records that were stored before coverage existed; they are
// made when a server takes the lead.
func (q *Sequencer) cover(ctx context.Context, r *roundState, settled int64) (bool, error) {
	switch {
	case r.mark.Writes > 0 && settled <= r.mark.Entries:
		return false, nil // a write before the mark is still running
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
	return err == nil, err // the new entries are to be put on the logs
}

// resignAll signs all logs with the current keys if the keys have changed or this
// server has just taken the lead. A checkpoint signed by both an old and a new key
// transfers the trust, so that every log needs one. It returns the keys that now
// sign all logs; the round uses these even if the key file changes meanwhile.
func (q *Sequencer) resignAll(ctx context.Context, lead storage.Lease) ([]ledger.PrivateKey, error) {
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
			q.cfg.Logger.Info("signing the audit logs", "epoch", lead.Epoch, "keys", len(keys))
			return keys, nil
		}
	}
}

// logChange logs an error of an operation unless it was the last one logged for
// it. A nil error resets it.
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
