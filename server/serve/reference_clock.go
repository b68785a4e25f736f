package serve

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"alkalog/storage"
)

const (
	// clockInterval is how often the server's clock is compared with the
	// reference. Our own choice: the clock of a machine drifts by less than a
	// millisecond in this time, and after a failover the reference is another
	// machine's.
	clockInterval = 5 * time.Second
	// clockTimeout bounds one comparison, and with it its error.
	clockTimeout = 2 * time.Second
	// maxClockAge is how old a comparison may be before the offset counts as
	// unknown; our own choice.
	maxClockAge = time.Minute
	// maxClockOffset is the largest offset that is not reported; our own
	// choice, the same as for the clocks of tills.
	maxClockOffset = 2 * time.Second
)

// referenceClock returns the time of the reference, which is the clock of the
// database that all servers share. Between two comparisons it uses the machine's
// monotonic clock, so that setting the machine's clock has no effect. If
// comparisons fail, it continues from the last one. Services never read the
// machine's clock: two servers must agree on when product first touched the hair.
type referenceClock struct {
	local       func() time.Time
	isReference bool // local is the reference: no comparison
	ask         func(context.Context) (time.Time, error)
	log         *slog.Logger
	onChange    func(ClockState) // receives each change of the state

	mu            sync.Mutex
	comparedAt    time.Time     // last comparison, by local; zero: none
	baseReference time.Time     // time of the reference when the clocks were last aligned
	baseLocal     time.Time     // the same instant by local
	localOffset   time.Duration // how far local was ahead at the last comparison
	loggedWrong   bool          // what was last logged
	logged        bool
}

// ClockState is how the server's clock compares with the reference.
type ClockState struct {
	// Offset is how far the server's clock is ahead of the reference.
	Offset time.Duration
	// Known reports whether Offset was measured within the last minute.
	Known bool
}

// Right reports whether the server's clock is usable: its offset is known and
// at most 2 s. Services use the reference in any case.
func (s ClockState) Right() bool { return s.Known && s.Offset.Abs() <= maxClockOffset }

// openReferenceClock makes the first comparison. The server starts even if it
// fails. If itself is set, the server's clock is the reference. Readiness reports
// it until a comparison succeeds.
func openReferenceClock(ctx context.Context, cfg Config, db *storage.DB, itself bool) *referenceClock {
	c := &referenceClock{local: cfg.Clock, ask: cfg.Reference, log: cfg.Logger, isReference: itself}
	if c.ask == nil {
		c.ask = db.Time
	}
	c.compare(ctx)
	return c
}

// notify calls told now and with each change. It must be called before run.
func (c *referenceClock) notify(onChange func(ClockState)) {
	c.onChange = onChange
	onChange(c.State())
}

// Now returns the time of the reference; before the first comparison, of the
// server's own clock. It is safe for concurrent use and never goes backwards,
// except by a comparison.
func (c *referenceClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now(c.local())
}

// now converts an instant of the local clock. If both instants have a monotonic
// reading, their difference is monotonic.
func (c *referenceClock) now(local time.Time) time.Time {
	if c.baseLocal.IsZero() {
		return local
	}
	return c.baseReference.Add(local.Sub(c.baseLocal))
}

// State returns how the clocks compare.
func (c *referenceClock) State() ClockState {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.state(c.local())
}

// offset returns State in plain types.
func (c *referenceClock) offset() (time.Duration, bool) {
	s := c.State()
	return s.Offset, s.Known
}

// state is State for an instant of the local clock. The caller holds the lock.
func (c *referenceClock) state(local time.Time) ClockState {
	if c.isReference {
		return ClockState{Known: true}
	}
	return ClockState{Offset: c.localOffset, Known: !c.comparedAt.IsZero() && local.Sub(c.comparedAt) <= maxClockAge}
}

// compare asks the reference once. It attributes the answer to the middle of the
// request, so the error is at most half of its duration. A comparison that took
// longer than clockTimeout says too little and is dropped.
func (c *referenceClock) compare(ctx context.Context) {
	if c.isReference {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, clockTimeout)
	defer cancel()
	before := c.local()
	reference, err := c.ask(ctx)
	took := c.local().Sub(before)
	c.mu.Lock()
	if err == nil && took <= clockTimeout {
		c.adopt(before.Add(took/2), reference, took/2)
	}
	c.mu.Unlock()
	c.logChange(err)
}

// adopt applies a comparison. If it agrees with the current time within its
// error, the time is not changed, so that it does not jump back and forth. within
// is the error of the comparison. The offset is that of the wall clocks.
func (c *referenceClock) adopt(local, reference time.Time, within time.Duration) {
	c.comparedAt, c.localOffset = local, local.Round(0).Sub(reference)
	if c.baseLocal.IsZero() || c.now(local).Sub(reference).Abs() > within {
		c.baseLocal, c.baseReference = local, reference
	}
}

// logChange logs when the clock becomes wrong or right. Only run and
// openReferenceClock call it, one after the other.
func (c *referenceClock) logChange(err error) {
	state := c.State()
	wrong := !state.Right()
	if c.logged && wrong == c.loggedWrong {
		return
	}
	c.logged, c.loggedWrong = true, wrong
	if c.onChange != nil {
		c.onChange(state)
	}
	switch {
	case state.Right():
		c.log.Info("the server's clock agrees with the database's", "offset_ms", state.Offset.Milliseconds())
	case state.Known:
		c.log.Error("the server's clock is wrong; using the database's clock", "offset_ms", state.Offset.Milliseconds())
	default:
		problem := "it took longer than 2 s"
		if err != nil {
			problem = err.Error()
		}
		c.log.Error("cannot compare the server's clock with the database's", "error", problem)
	}
}

// run compares periodically until ctx is done.
func (c *referenceClock) run(ctx context.Context) {
	ticker := time.NewTicker(clockInterval)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
			c.compare(ctx)
		}
	}
}
