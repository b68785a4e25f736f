package serve

import (
	"cmp"
	"context"
	"errors"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// Strangers bounds calls without a proven identity, by address and in total, so
// that nobody outside takes the server from those inside. Zero fields have the
// stated defaults, which are our own choices. What is beyond them is answered
// RESOURCE_EXHAUSTED.
type AnonymousQuotas struct {
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
	// Calls is how many calls from one address may be under way whose caller is
	// not identified yet, and TotalCalls how many from all. Unary calls that need
	// no identity are counted apart, with the same bounds. Default 100 and 1,000.
	Calls, TotalCalls int
	// Streams is how many streams without an identity (watches of health,
	// reflection) may be open from one address, and TotalStreams how many from
	// all. Default 20 and 200.
	Streams, TotalStreams int
	// StreamTime is after how long such a stream is ended with UNAVAILABLE, so
	// that its place becomes free; a probe opens another. Default one minute.
	StreamTime time.Duration
}

func (s AnonymousQuotas) complete() AnonymousQuotas {
	s.FailedRate = cmp.Or(s.FailedRate, 5)
	s.FailedBurst = cmp.Or(s.FailedBurst, 50)
	s.OpenRate = cmp.Or(s.OpenRate, 20)
	s.OpenBurst = cmp.Or(s.OpenBurst, 200)
	s.TotalRate = cmp.Or(s.TotalRate, 500)
	s.TotalBurst = cmp.Or(s.TotalBurst, 2000)
	s.Calls = cmp.Or(s.Calls, 100)
	s.TotalCalls = cmp.Or(s.TotalCalls, 1000)
	s.Streams = cmp.Or(s.Streams, 20)
	s.TotalStreams = cmp.Or(s.TotalStreams, 200)
	s.StreamTime = cmp.Or(s.StreamTime, time.Minute)
	return s
}

func (s AnonymousQuotas) check() error {
	if min(s.FailedRate, s.OpenRate, s.TotalRate) < 0 || min(s.FailedBurst, s.OpenBurst, s.TotalBurst, s.Calls, s.TotalCalls, s.Streams, s.TotalStreams) < 0 || s.StreamTime < 0 {
		return errors.New("a quota of callers without identity is negative")
	}
	return nil
}

// strangers knows what callers without identity have taken.
type anonymousLimiter struct {
	limits    AnonymousQuotas
	addresses *usages
	peeks     chan struct{} // has one for each request that is read for a denial
}

const (
	// mostPeeks is how many requests of callers without identity are read at a
	// time, to enter the denial on the log of the chain they name.
	maxPeeks = 16
	// peekTime is how long such a request may take to come.
	peekTime = time.Second
	// openRequestTime is how long the request of a call that needs no identity may
	// take to come: with TotalRate, fewer than TotalCalls of them can be waiting.
	publicRequestTime = 1500 * time.Millisecond
	// peekBytes is the longest such request that is looked at.
	maxPeekBytes = 16 << 10
)

func newAnonymousLimiter(limits AnonymousQuotas) *anonymousLimiter {
	return &anonymousLimiter{limits: limits, addresses: newUsages(), peeks: make(chan struct{}, maxPeeks)}
}

// The kinds of calls without an identity. Each is counted apart, so that using up
// the bound of one leaves the others as they were.
const (
	kindFailed       = "failed"      // could not prove an identity
	kindPending      = "pending"     // whose caller is not identified yet
	kindPublic       = "open"        // unary, needs no identity
	kindPublicStream = "open stream" // a stream that needs no identity
)

// kindOf is the kind of a call that is coming in.
func kindOf(c *call) string {
	switch {
	case !isPublic(c.method):
		return kindPending
	case c.stream:
		return kindPublicStream
	}
	return kindPublic
}

// enter counts a call of a kind among those under way, until leave is called.
func (s *anonymousLimiter) acquire(kind, address string) (leave func(), err error) {
	s.addresses.mu.Lock()
	defer s.addresses.mu.Unlock()
	most, total := s.limits.Calls, s.limits.TotalCalls
	if kind == kindPublicStream {
		most, total = s.limits.Streams, s.limits.TotalStreams
	}
	now := time.Now()
	own, all := s.usage(kind, address, now), s.usage(kind, "", now)
	if own.calls >= most || all.calls >= total {
		return nil, fault.Exhausted(pb.ErrorReason_ERROR_REASON_TOO_MANY_CALLS, "too many calls without identity are under way; try again later", time.Second)
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

// count counts one call of a kind against the quota of its
// address and that of all.
func (s *anonymousLimiter) allow(kind, address string) error {
	s.addresses.mu.Lock()
	defer s.addresses.mu.Unlock()
	now := time.Now()
	for _, bucket := range []*rate.Limiter{s.usage(kind, address, now).bucket, s.usage(kind, "", now).bucket} {
		if again := reserve(bucket, now); again > 0 {
			return fault.Exhausted(pb.ErrorReason_ERROR_REASON_RATE_EXCEEDED, "calls without identity come more often than is allowed; try again later", again)
		}
	}
	return nil
}

// share is the share of an address, or of all; the caller holds the lock.
func (s *anonymousLimiter) usage(kind, address string, now time.Time) *usage {
	perSecond, burst := s.limits.TotalRate, s.limits.TotalBurst
	switch {
	case address == "":
	case kind == kindFailed:
		perSecond, burst = s.limits.FailedRate, s.limits.FailedBurst
	case kind == kindPublic || kind == kindPublicStream:
		perSecond, burst = s.limits.OpenRate, s.limits.OpenBurst
	}
	return s.addresses.get(kind, address, now, func() *usage {
		return &usage{bucket: rate.NewLimiter(rate.Limit(perSecond), burst)}
	})
}

// screen bounds calls before anybody is identified, and those that need not be.
func (in *interceptors) limitAnonymous(ctx context.Context, c *call, next func(context.Context) error) error {
	if line := connOf(ctx); line != nil {
		line.calls.Add(1)
		defer line.calls.Add(-1)
	}
	address, kind := addressOf(ctx), kindOf(c)
	if kind != kindPending {
		if err := in.anonymous.allow(kind, address); err != nil {
			in.counters.QuotaExceeded.Add(1)
			return err
		}
	}
	if kind == kindPublicStream {
		if who, err := in.identity.Identify(ctx); err == nil {
			return in.serveIdentified(ctx, c, who, next)
		}
	}
	leave, err := in.anonymous.acquire(kind, address)
	if err != nil {
		in.counters.QuotaExceeded.Add(1)
		return err
	}
	c.endAnonymous = leave
	defer c.leaveAnonymous()
	if kind == kindPublicStream {
		return in.limitStreamTime(ctx, next)
	}
	return next(ctx)
}

// stayKnown serves an open stream to a caller who proved an identity all the same:
// within that caller's quota, and not among callers without one.
func (in *interceptors) serveIdentified(ctx context.Context, c *call, who actor.Actor, next func(context.Context) error) error {
	c.markIdentified(ctx)
	own, _, err := in.quotas.acquire(who.Name, who.Chain, true, time.Now())
	if err != nil {
		in.counters.QuotaExceeded.Add(1)
		return err
	}
	defer in.quotas.release(own, true)
	return next(ctx)
}

// errStreamTime is why the context of a stream without an identity ends.
var errStreamTime = errors.New("a stream without identity was open for the longest time")

// endInTime ends a stream without an identity after Strangers.StreamTime.
func (in *interceptors) limitStreamTime(ctx context.Context, next func(context.Context) error) error {
	ctx, cancel := context.WithTimeoutCause(ctx, in.anonymous.limits.StreamTime, errStreamTime)
	defer cancel()
	err := next(ctx)
	if err != nil && context.Cause(ctx) == errStreamTime {
		return fault.StreamTime()
	}
	return err
}

// leaveStrangers ends the counting among calls without identity.
func (c *call) leaveAnonymous() {
	if c.endAnonymous != nil {
		c.endAnonymous()
		c.endAnonymous = nil
	}
}

// proven says that the caller was identified.
func (c *call) markIdentified(ctx context.Context) {
	c.leaveAnonymous()
	if line := connOf(ctx); line != nil {
		line.prove()
	}
}

// unproven says what to answer to a caller who could not be identified.
func (in *interceptors) rejectAnonymous(ctx context.Context, err error) error {
	if fault.Denial(err) == "" {
		return err // not the caller's fault: the identity provider is down
	}
	in.counters.Unidentified.Add(1)
	if over := in.anonymous.allow(kindFailed, addressOf(ctx)); over != nil {
		in.counters.QuotaExceeded.Add(1)
		return over
	}
	return err
}

// peek finds the chain that the request of a denied caller without chain names.
// It waits little, for few at a time, and decodes nothing.
func (in *interceptors) peekChain(c *call, stream grpc.ServerStream) string {
	method := in.methods[c.method]
	if method == nil || c.received {
		return ""
	}
	select {
	case in.anonymous.peeks <- struct{}{}:
		defer func() { <-in.anonymous.peeks }()
	default:
		return ""
	}
	ctx, cancel := context.WithTimeout(stream.Context(), peekTime)
	defer cancel()
	body, err := receiveWithin(ctx, stream)
	if err != nil {
		return ""
	}
	defer body.Free()
	if body.Len() > maxPeekBytes {
		return ""
	}
	return chainInBytes(method.Input(), body.ReadOnlyData())
}
