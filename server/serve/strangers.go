package serve

import (
	"cmp"
	"context"
	"errors"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc"

	"alkalog/service/fault"
)

// Strangers bounds calls without a proven identity, by address and in total, so
// that nobody outside takes the server from those inside. Zero fields have the
// stated defaults, which are our own choices. What is beyond them is answered
// RESOURCE_EXHAUSTED.
type Strangers struct {
	// FailedRate is how many calls a second from one address may fail to prove
	// an identity, and FailedBurst how many at once. Beyond that such calls are
	// not entered on the audit log. Calls that do prove one are not counted.
	// Default 5 and 50: a salon of ten tills whose certificates have expired.
	FailedRate  float64
	FailedBurst int
	// OpenRate and OpenBurst are the same for calls that need no identity:
	// health and reflection. Default 20 and 200.
	OpenRate  float64
	OpenBurst int
	// TotalRate and TotalBurst are for all addresses together, for each of the
	// two kinds. Default 500 and 2,000.
	TotalRate  float64
	TotalBurst int
	// Calls is how many calls from one address may be under way that need no
	// identity or whose caller is not identified yet, and TotalCalls how many
	// from all. Default 100 and 1,000.
	Calls, TotalCalls int
}

func (s Strangers) complete() Strangers {
	s.FailedRate = cmp.Or(s.FailedRate, 5)
	s.FailedBurst = cmp.Or(s.FailedBurst, 50)
	s.OpenRate = cmp.Or(s.OpenRate, 20)
	s.OpenBurst = cmp.Or(s.OpenBurst, 200)
	s.TotalRate = cmp.Or(s.TotalRate, 500)
	s.TotalBurst = cmp.Or(s.TotalBurst, 2000)
	s.Calls = cmp.Or(s.Calls, 100)
	s.TotalCalls = cmp.Or(s.TotalCalls, 1000)
	return s
}

func (s Strangers) check() error {
	if min(s.FailedRate, s.OpenRate, s.TotalRate) < 0 || min(s.FailedBurst, s.OpenBurst, s.TotalBurst, s.Calls, s.TotalCalls) < 0 {
		return errors.New("a quota of callers without identity is negative")
	}
	return nil
}

// strangers knows what callers without identity have taken.
type strangers struct {
	limits    Strangers
	addresses *shares
	peeks     chan struct{} // has one for each request that is read for a denial
}

const (
	// mostPeeks is how many requests of callers without identity are read at a
	// time, to enter the denial on the log of the chain they name.
	mostPeeks = 16
	// peekTime is how long such a request may take to come.
	peekTime = time.Second
	// peekBytes is the longest such request that is looked at.
	peekBytes = 16 << 10
)

func newStrangers(limits Strangers) *strangers {
	return &strangers{limits: limits, addresses: newShares(), peeks: make(chan struct{}, mostPeeks)}
}

// enter counts a call in whose caller is not identified, or needs not be.
func (s *strangers) enter(address string) (leave func(), err error) {
	s.addresses.mu.Lock()
	defer s.addresses.mu.Unlock()
	now := time.Now()
	own, all := s.share("calls", address, now), s.share("calls", "", now)
	if own.calls >= s.limits.Calls || all.calls >= s.limits.TotalCalls {
		return nil, fault.Exhausted("TOO_MANY_CALLS", "too many calls without identity are under way; try again later", time.Second)
	}
	own.calls++
	all.calls++
	return func() {
		s.addresses.mu.Lock()
		defer s.addresses.mu.Unlock()
		own.calls--
		all.calls--
	}, nil
}

// count counts one call of a kind, "failed" or "open", against the quota of its
// address and that of all.
func (s *strangers) count(kind, address string) error {
	s.addresses.mu.Lock()
	defer s.addresses.mu.Unlock()
	now := time.Now()
	for _, bucket := range []*rate.Limiter{s.share(kind, address, now).bucket, s.share(kind, "", now).bucket} {
		if again := reserve(bucket, now); again > 0 {
			return fault.Exhausted("RATE_EXCEEDED", "calls without identity come more often than is allowed; try again later", again)
		}
	}
	return nil
}

// share is the share of an address, or of all; the caller holds the lock.
func (s *strangers) share(kind, address string, now time.Time) *share {
	perSecond, burst := s.limits.TotalRate, s.limits.TotalBurst
	switch {
	case address == "":
	case kind == "failed":
		perSecond, burst = s.limits.FailedRate, s.limits.FailedBurst
	case kind == "open":
		perSecond, burst = s.limits.OpenRate, s.limits.OpenBurst
	}
	return s.addresses.get(kind, address, now, func() *share {
		return &share{bucket: rate.NewLimiter(rate.Limit(perSecond), burst)}
	})
}

// screen bounds calls before anybody is identified, and those that need not be.
func (in *interceptors) screen(ctx context.Context, c *call, next func(context.Context) error) error {
	address := addressOf(ctx)
	leave, err := in.strangers.enter(address)
	if err == nil && open(c.method) {
		if err = in.strangers.count("open", address); err != nil {
			leave()
		}
	}
	if err != nil {
		in.counters.QuotaExceeded.Add(1)
		return err
	}
	c.identified = leave
	defer c.leaveStrangers()
	if line := connOf(ctx); line != nil {
		line.calls.Add(1)
		defer line.calls.Add(-1)
	}
	return next(ctx)
}

// leaveStrangers ends the counting among calls without identity.
func (c *call) leaveStrangers() {
	if c.identified != nil {
		c.identified()
		c.identified = nil
	}
}

// proven says that the caller was identified.
func (c *call) proven(ctx context.Context) {
	c.leaveStrangers()
	if line := connOf(ctx); line != nil {
		line.prove()
	}
}

// unproven says what to answer to a caller who could not be identified.
func (in *interceptors) unproven(ctx context.Context, err error) error {
	if fault.Denial(err) == "" {
		return err // not the caller's fault: the identity provider is down
	}
	in.counters.Unidentified.Add(1)
	if over := in.strangers.count("failed", addressOf(ctx)); over != nil {
		in.counters.QuotaExceeded.Add(1)
		return over
	}
	return err
}

// peek finds the chain that the request of a denied caller without chain names.
// It waits little, for few at a time, and decodes nothing.
func (in *interceptors) peek(c *call, stream grpc.ServerStream) string {
	method := in.methods[c.method]
	if method == nil || c.received {
		return ""
	}
	select {
	case in.strangers.peeks <- struct{}{}:
		defer func() { <-in.strangers.peeks }()
	default:
		return ""
	}
	ctx, cancel := context.WithTimeout(stream.Context(), peekTime)
	defer cancel()
	body, err := receive(ctx, stream)
	if err != nil {
		return ""
	}
	defer body.Free()
	if body.Len() > peekBytes {
		return ""
	}
	return chainOnWire(method.Input(), body.ReadOnlyData())
}
