package serve

import (
	"cmp"
	"context"
	"errors"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/web"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// AnonymousQuotas bounds calls without a proven identity, per address and in
// total, so that outsiders cannot take the server away from its users. Zero
// fields have the stated defaults, which are our own choices. A call beyond a
// bound is answered RESOURCE_EXHAUSTED. Anonymous is every caller that has not
// proved an identity yet, and every caller of health and reflection. Bounds in
// total are needed beside those per address, because an attacker can have many
// addresses.
type AnonymousQuotas struct {
	// FailedRate is how many calls a second from one address may fail to
	// identify themselves, and FailedBurst how many at once. Further failed
	// calls are not recorded in the audit log. Identified calls do not count.
	// Default 5 and 50: a salon of ten tills whose certificates have expired.
	FailedRate  float64
	FailedBurst int
	// OpenRate and OpenBurst bound calls that need no identity: health and
	// reflection. Default 20 and 200.
	OpenRate  float64
	OpenBurst int
	// TotalRate and TotalBurst bound all addresses together, separately for
	// failed calls and for calls that need no identity. Default 500 and 2,000.
	TotalRate  float64
	TotalBurst int
	// Calls is how many calls from one address may wait to be identified at the
	// same time, and TotalCalls how many from all addresses. Unary calls that
	// need no identity have the same bounds, counted separately. Default 100
	// and 1,000.
	Calls, TotalCalls int
	// Streams is how many anonymous streams (health watches, reflection) may be
	// open from one address, and TotalStreams how many from all. Default 20 and
	// 200.
	Streams, TotalStreams int
	// StreamTime is after how long such a stream ends with UNAVAILABLE to free
	// its place; a probe opens another. Default one minute.
	StreamTime time.Duration
}

// complete fills in the defaults.
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

// check returns an error for a negative value; the zero value is a default.
func (s AnonymousQuotas) check() error {
	if min(s.FailedRate, s.OpenRate, s.TotalRate) < 0 || min(s.FailedBurst, s.OpenBurst, s.TotalBurst, s.Calls, s.TotalCalls, s.Streams, s.TotalStreams) < 0 || s.StreamTime < 0 {
		return errors.New("a quota of anonymous callers is negative")
	}
	return nil
}

// anonymousLimiter counts what anonymous callers use. Usages are kept by kind and
// address; an empty address stands for all together.
type anonymousLimiter struct {
	limits    AnonymousQuotas
	addresses *usages
	peeks     chan struct{} // holds a value for each request that is being read for a denial
}

// Bounds for reading the request of a denied anonymous caller, to find the
// chain whose log records the denial; our own choices.
const (
	// maxPeeks is how many of these requests are read at the same time.
	maxPeeks = 16
	// peekTime is how long such a request may take to arrive.
	peekTime = time.Second
	// publicRequestTime is how long the request of a call that needs no
	// identity may take to arrive. With the default TotalRate, fewer than
	// TotalCalls of them can wait.
	publicRequestTime = 1500 * time.Millisecond
	// maxPeekBytes is the longest request that is searched.
	maxPeekBytes = 16 << 10
)

// newAnonymousLimiter returns a limiter without any usage.
func newAnonymousLimiter(limits AnonymousQuotas) *anonymousLimiter {
	return &anonymousLimiter{limits: limits, addresses: newUsages(), peeks: make(chan struct{}, maxPeeks)}
}

// The kinds of anonymous calls. They are counted separately, so that exhausting
// the bound of one does not affect the others.
const (
	kindFailed       = "failed"      // failed to prove an identity
	kindPending      = "pending"     // not identified yet
	kindPublic       = "open"        // unary, needs no identity
	kindPublicStream = "open stream" // stream that needs no identity
)

// kindOf returns the kind of an incoming call. A call of the contract is pending
// until it is identified.
func kindOf(c *call) string {
	switch {
	case !isPublic(c.method):
		return kindPending
	case c.stream:
		return kindPublicStream
	}
	return kindPublic
}

// acquire counts a call as under way until leave is called. Two bounds apply: of
// the address and in total. A call that is refused counts in neither.
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
		return nil, fault.Exhausted(pb.ErrorReason_ERROR_REASON_TOO_MANY_CALLS, "too many calls without an identity are under way; retry later", time.Second)
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

// allow takes one call from the rate of its address and from the total rate. A
// call that exceeds the total rate has used up one of its address; this only
// makes the address wait a little longer.
func (s *anonymousLimiter) allow(kind, address string) error {
	s.addresses.mu.Lock()
	defer s.addresses.mu.Unlock()
	now := time.Now()
	for _, bucket := range []*rate.Limiter{s.usage(kind, address, now).bucket, s.usage(kind, "", now).bucket} {
		if again := reserve(bucket, now); again > 0 {
			return fault.Exhausted(pb.ErrorReason_ERROR_REASON_RATE_EXCEEDED, "too many calls without an identity; retry later", again)
		}
	}
	return nil
}

// usage returns the usage of an address, or of all addresses together if
// address is empty. The caller holds the lock.
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

// limitAnonymous bounds calls that are not identified yet, and calls that need no
// identity. A call that is not identified yet takes no token of a rate: only its
// failure does (rejectAnonymous), because a till with a valid identity must not
// be slowed down by other callers behind the same address.
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

// serveIdentified serves a public stream of a caller with an identity. The stream
// counts against that caller's quota instead of the anonymous ones. A till that
// watches the health of the server keeps its watch as long as it likes.
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

// errStreamTime is the cause with which the context of an anonymous stream
// ends.
var errStreamTime = errors.New("the time of an anonymous stream is over")

// limitStreamTime ends an anonymous stream after AnonymousQuotas.StreamTime.
// Another end of the stream keeps its own error.
func (in *interceptors) limitStreamTime(ctx context.Context, next func(context.Context) error) error {
	ctx, cancel := context.WithTimeoutCause(ctx, in.anonymous.limits.StreamTime, errStreamTime)
	defer cancel()
	err := next(ctx)
	if err != nil && context.Cause(ctx) == errStreamTime {
		return fault.StreamTime()
	}
	return err
}

// leaveAnonymous stops counting the call as anonymous. It may be called more than
// once.
func (c *call) leaveAnonymous() {
	if c.endAnonymous != nil {
		c.endAnonymous()
		c.endAnonymous = nil
	}
}

// markIdentified stops counting the call as anonymous, and marks its connection
// as proven.
func (c *call) markIdentified(ctx context.Context) {
	c.leaveAnonymous()
	if line := connOf(ctx); line != nil {
		line.prove()
	}
}

// rejectAnonymous returns the error for a caller that could not be identified.
// Beyond the rate the error is RESOURCE_EXHAUSTED, which is not a denial, so
// floods do not reach the audit log.
func (in *interceptors) rejectAnonymous(ctx context.Context, err error) error {
	if fault.Denial(err) == "" {
		return err // the identity provider is down
	}
	in.counters.Unidentified.Add(1)
	if over := in.anonymous.allow(kindFailed, addressOf(ctx)); over != nil {
		in.counters.QuotaExceeded.Add(1)
		return over
	}
	return err
}

// peekChain finds the chain that the request of a denied anonymous caller names.
// It waits briefly, for a few callers at a time, and decodes nothing. Whatever
// cannot be read in time is given up: the answer to the caller does not depend on
// it.
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
	if door, ok := stream.(*web.Stream); ok {
		door.LimitRequest(maxPeekBytes)
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
