package serve

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"alkalog/storage"
)

const (
	// clockEvery is how often the server's clock is compared with the reference.
	// Our own choice: a clock of a machine drifts by less than a millisecond in
	// this time, and after a failover the reference is another machine's.
	clockInterval = 5 * time.Second
	// clockPatience bounds one comparison, and with it its error.
	clockTimeout = 2 * time.Second
	// clockStale is after how long without a comparison the offset counts as not
	// known. Our own choice.
	maxClockAge = time.Minute
	// clockOff is the offset above which the server says so: our own choice, the
	// same as that from which a till's times are corrected.
	maxClockOffset = 2 * time.Second
)

// referenceClock tells the time of the reference, which is the clock of the
// database that all servers share. Between two comparisons it goes by the
// machine's monotonic clock, so that setting the machine's clock changes nothing.
// While no comparison succeeds it goes on from the last one.
type referenceClock struct {
	local       func() time.Time
	isReference bool // local is the reference: nothing is compared
	ask         func(context.Context) (time.Time, error)
	log         *slog.Logger
	onChange    func(ClockState) // receives every change of what health says

	mu            sync.Mutex
	comparedAt    time.Time     // of the last comparison, by local; zero: none yet
	baseReference time.Time     // by the reference, when the clocks were last brought together
	baseLocal     time.Time     // the same instant by local
	localOffset   time.Duration // how far local was ahead at the last comparison
	loggedWrong   bool          // what was last said
	logged        bool
}

// ClockState is how the server's clock compares with the reference.
type ClockState struct {
	// Offset is how far the server's clock is ahead of the reference.
	Offset time.Duration
	// Known says that Offset was measured within the last minute.
	Known bool
}

// Right reports whether the server's clock may be trusted: its offset is known
// and at most 2 s. While it is not, services go by the reference all the same.
func (s ClockState) Right() bool { return s.Known && s.Offset.Abs() <= maxClockOffset }

// openReference makes the first comparison. Whether or not it succeeds, the server
// starts. With itself, the server's clock is the reference.
func openReferenceClock(ctx context.Context, cfg Config, db *storage.DB, itself bool) *referenceClock {
	c := &referenceClock{local: cfg.Clock, ask: cfg.Reference, log: cfg.Logger, isReference: itself}
	if c.ask == nil {
		c.ask = db.Time
	}
	c.compare(ctx)
	return c
}

// report has told called now, and with every change.
func (c *referenceClock) notify(told func(ClockState)) {
	c.onChange = told
	told(c.State())
}

// Now is the time of the reference; before the first comparison, the server's own.
func (c *referenceClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now(c.local())
}

// now maps an instant of the local clock. Both instants carry a monotonic reading
// when they are the machine's, and then the difference is that of these.
func (c *referenceClock) now(local time.Time) time.Time {
	if c.baseLocal.IsZero() {
		return local
	}
	return c.baseReference.Add(local.Sub(c.baseLocal))
}

// State is how the clocks compare.
func (c *referenceClock) State() ClockState {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.state(c.local())
}

// offset is State in plain types.
func (c *referenceClock) offset() (time.Duration, bool) {
	s := c.State()
	return s.Offset, s.Known
}

func (c *referenceClock) state(local time.Time) ClockState {
	if c.isReference {
		return ClockState{Known: true}
	}
	return ClockState{Offset: c.localOffset, Known: !c.comparedAt.IsZero() && local.Sub(c.comparedAt) <= maxClockAge}
}

// compare asks for the reference once. The answer is taken as of the middle of
// the question, so it is off by at most half of what the question took.
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

// adopt takes over a comparison. One that agrees with the last within its error
// leaves the time as it goes on, so that it does not jump to and fro.
func (c *referenceClock) adopt(local, reference time.Time, within time.Duration) {
	c.comparedAt, c.localOffset = local, local.Round(0).Sub(reference)
	if c.baseLocal.IsZero() || c.now(local).Sub(reference).Abs() > within {
		c.baseLocal, c.baseReference = local, reference
	}
}

// tell says it when the clock begins or ceases to be wrong.
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
		c.log.Error("the server's clock is wrong; the database's is used", "offset_ms", state.Offset.Milliseconds())
	default:
		problem := "it took too long"
		if err != nil {
			problem = err.Error()
		}
		c.log.Error("the server's clock could not be compared with the database's", "error", problem)
	}
}

// run compares until ctx is done.
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
