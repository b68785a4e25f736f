package storage

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/lib/pq"
)

// Group commit: writes of one chain that are ready at the same time are committed in one
// transaction. While a batch of a chain is at work, the writes that come are gathered for
// the next, so none waits for more company than there is. Batches never mix chains: the
// scope is that of a transaction, and one chain's error must not undo another's write.
//
// Each caller is promised what it would be promised alone:
//
//   - A write that cannot be committed, because a record has changed or its request ID
//     is claimed, is left out: the transaction is rolled back and done again without
//     it, and its caller reads again.
//   - A caller that gives up before COMMIT is sent has written nothing. Afterwards the
//     outcome is unknown to it.
//   - If the database refuses the transaction, each write is tried alone. An error of
//     one never reaches the others.
//   - If the outcome of COMMIT is unknown, it is unknown for each, and each finds out
//     by its own request ID.
//
// Some writes are always alone: those that erase a client or count a client's open
// sessions, because what they look at must not be in the same transaction, and those whose earlier COMMIT is unknown, because they
// may wait for it.

const (
	// maxBatch is how many writes a batch has at most. Our own choice.
	maxBatch = 32
	// batchLockTimeout is how long a batch of several writes waits for a lock. Then each is
	// tried alone, so that only the one that needs the lock waits. Our own choice.
	batchLockTimeout = 250 * time.Millisecond
	// stalledAfter is when a batch no longer counts as one at work, so that other writes of
	// the chain do not wait for a backend or a standby that does not answer. Our own choice.
	stalledAfter = 500 * time.Millisecond
)

// errAlone tells a write that its batch was refused, and that it must be tried alone.
var errAlone = errors.New("storage: the batch was refused")

// errSuspended means that writes are held back (suspend.go).
var errSuspended = errors.New("storage: writes are held back")

// The states of a pending write.
const (
	waiting    = iota // nothing that it wants is in the database for good
	committing        // COMMIT was or will be sent
	abandoned         // its caller is gone; it must not be committed
	decided           // the result is in done
)

// pendingWrite is a prepared write with the caller that waits for it.
type pendingWrite struct {
	preparedWrite
	ctx   context.Context
	state atomic.Int32
	done  chan error
	// begun is the transaction that the write is committed in; nil: it needs one.
	begun *transaction
	// gone is called when the caller has given up.
	gone atomic.Pointer[func()]
}

// wait returns the result of the write, or at the caller's deadline an error that says
// whether the result is unknown.
func (p *pendingWrite) wait() error {
	select {
	case err := <-p.done:
		return err
	case <-p.ctx.Done():
	}
	if p.state.CompareAndSwap(waiting, abandoned) {
		if gone := p.gone.Load(); gone != nil {
			(*gone)()
		}
		return explain(p.ctx, p.ctx.Err())
	}
	if p.state.Load() == committing {
		return fmt.Errorf("%w: %w", ErrUnknown, p.ctx.Err())
	}
	return <-p.done
}

// decide tells the caller the result, once.
func (p *pendingWrite) decide(err error) {
	if p.state.Swap(decided) != decided {
		p.done <- err
	}
}

// batches gathers the writes of each chain.
type batches struct {
	mu sync.Mutex
	// chains has an entry for each chain with a batch at work or with writes waiting.
	chains map[string]*gathering
	// most is how many batches of a chain are at work at a time. One that is at work for
	// stalledAfter no longer counts.
	most         int
	stalledAfter time.Duration
}

// gathering is what is under way for a chain.
type gathering struct {
	waiting []*pendingWrite
	atWork  int
}

// addToBatch adds a write to the next batch of its chain, and starts that if none is at
// work.
func (db *DB) addToBatch(chain string, p *pendingWrite) {
	b := &db.batches
	b.mu.Lock()
	defer b.mu.Unlock()
	g := b.chains[chain]
	if g == nil {
		if b.chains == nil {
			b.chains = map[string]*gathering{}
		}
		g = &gathering{}
		b.chains[chain] = g
	}
	g.waiting = append(g.waiting, p)
	db.startBatch(chain, g)
}

// startBatch starts the next batch of a chain, if there are writes for one and not too
// many are at work. The caller holds the lock.
func (db *DB) startBatch(chain string, g *gathering) {
	b := &db.batches
	for g.atWork < b.most && len(g.waiting) > 0 {
		n := min(len(g.waiting), maxBatch)
		writes := slices.Clone(g.waiting[:n])
		g.waiting = slices.Delete(g.waiting, 0, n)
		g.atWork++
		var once sync.Once
		release := func() {
			once.Do(func() {
				b.mu.Lock()
				defer b.mu.Unlock()
				g.atWork--
				db.startBatch(chain, g)
			})
		}
		db.commits.Go(func() {
			defer time.AfterFunc(b.stalledAfter, release).Stop()
			defer release()
			db.commitTogether(chain, writes)
		})
	}
	if g.atWork == 0 && len(g.waiting) == 0 {
		delete(b.chains, chain)
	}
}

// commitTogether commits those of the writes that do not contradict one another. The
// others are told at the end, when they can see what has won.
func (db *DB) commitTogether(chain string, writes []*pendingWrite) {
	together, others := separate(writes)
	db.commitBatch(chain, together)
	for p, err := range others {
		p.decide(err)
	}
}

// separate separates the writes that can be in one transaction from those that cannot,
// with the errors that these would get from the database: two with one request ID, two
// that insert or replace one record, and one that relies on a record which a write before
// it replaces. So those together are right as if they were done in their order; otherwise
// two could each replace what the other relies on.
func separate(writes []*pendingWrite) (together []*pendingWrite, others map[*pendingWrite]error) {
	type target struct {
		table string
		key   key
	}
	ids, targets := map[string]bool{}, map[target]bool{}
	others = map[*pendingWrite]error{}
	for _, p := range writes {
		var err error
		if ids[p.claim.id] {
			err = errClaimed
		}
		for _, r := range p.records {
			if targets[target{r.name, r.key}] {
				err = ErrStale
			}
		}
		if err != nil {
			others[p] = err
			continue
		}
		ids[p.claim.id] = true
		for _, r := range p.records {
			if r.action != unchanged {
				targets[target{r.name, r.key}] = true
			}
		}
		together = append(together, p)
	}
	return together, others
}

// commitBatch commits writes in one transaction, and tells each caller the result. It
// tries again without those that must be left out.
func (db *DB) commitBatch(chain string, writes []*pendingWrite) {
	ctx, cancel := batchContext(writes)
	defer cancel()
	for {
		writes = slices.DeleteFunc(writes, func(p *pendingWrite) bool {
			if err := db.writable(p.changes); err != nil {
				p.decide(err)
			}
			return p.state.Load() != waiting
		})
		if len(writes) == 0 {
			return
		}
		m := newMessage(ctx, chain, writes)
		m.ready = func() error { // only with a connection is it known which server it is
			if db.Suspended() {
				return errSuspended
			}
			return nil
		}
		tx, err := db.sendBatch(ctx, chain, m, writes)
		if err != nil {
			decideAll(writes, refused(err, len(writes)))
			return
		}
		leftOut := 0
		m.check(func(i int, err error) { leftOut++; writes[i].decide(err) })
		if leftOut > 0 {
			tx.end()
			continue
		}
		if db.Suspended() {
			tx.end()
			decideAll(writes, errSuspended)
			return
		}
		if !db.beginCommit(writes) {
			tx.end()
			continue
		}
		err = tx.finish()
		if err != nil && !errors.Is(err, ErrUnknown) {
			err = refused(err, len(writes))
		}
		decideAll(writes, err)
		return
	}
}

// sendBatch sends the message of a batch. It begins a transaction for it, unless the only write
// has one.
func (db *DB) sendBatch(ctx context.Context, chain string, m *message, writes []*pendingWrite) (*transaction, error) {
	tx := writes[0].begun
	if tx == nil {
		return db.begin(ctx, inChain(chain).with(m), nil)
	}
	// Whatever becomes of it, the transaction is not used again: a write that is left out takes
	// another turn.
	writes[0].begun = nil
	err := tx.conn.Raw(func(dc any) error { return dc.(*conn).send(m, admissionQuery) })
	if err != nil {
		tx.end()
		if err = explain(ctx, err); errors.Is(err, ErrUnavailable) {
			err = fmt.Errorf("%w: the turn has ended: %w", ErrStale, err)
		}
		return nil, err
	}
	return tx, nil
}

// batchContext is the context of a batch. It ends when the last caller has given up.
func batchContext(writes []*pendingWrite) (context.Context, context.CancelFunc) {
	var last time.Time
	for _, p := range writes {
		if end, ok := p.ctx.Deadline(); ok && end.After(last) {
			last = end
		}
	}
	ctx, cancel := context.WithDeadline(context.Background(), last)
	var here atomic.Int64
	here.Store(int64(len(writes)))
	for _, p := range writes {
		gone := sync.OnceFunc(func() {
			if here.Add(-1) == 0 {
				cancel()
			}
		})
		p.gone.Store(&gone)
		if p.state.Load() == abandoned { // perhaps before the caller knew of gone
			gone()
		}
	}
	return ctx, cancel
}

// beginCommit marks the writes as being committed. It reports false, and marks none, if
// a caller has given up or may not write any more; that write is not waiting then.
func (db *DB) beginCommit(writes []*pendingWrite) bool {
	for _, p := range writes {
		if err := db.writable(p.changes); err != nil {
			p.decide(err)
		}
		if p.ctx.Err() != nil {
			p.decide(explain(p.ctx, p.ctx.Err()))
		}
		if p.state.Load() != waiting {
			return false
		}
	}
	for i, p := range writes {
		if !p.state.CompareAndSwap(waiting, committing) {
			for _, before := range writes[:i] {
				before.state.CompareAndSwap(committing, waiting)
			}
			return false
		}
	}
	return true
}

// refused is what the writes of a batch are told when the database has refused it: if it
// was because of one of several, each must be tried alone.
func refused(err error, writes int) error {
	var refusal *pq.Error
	if writes > 1 && (errors.As(err, &refusal) || errors.Is(err, errZeroByte)) {
		return errAlone
	}
	return err
}

// decideAll tells all callers the same.
func decideAll(writes []*pendingWrite, err error) {
	for _, p := range writes {
		p.decide(err)
	}
}
