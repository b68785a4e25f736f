package serve

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"
	"golang.org/x/time/rate"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/storage"
)

// Quotas bounds what one caller, and all callers of one chain together, may use.
// Zero fields have the stated defaults, which are our own choices. A call beyond
// a bound is answered RESOURCE_EXHAUSTED with a retry delay. The bounds of a
// chain keep one customer from slowing down the others; those of a caller keep
// one till from stopping its chain.
type Quotas struct {
	// CallerRate is how many calls a second a caller may make on average.
	// Default 100: a till makes a few a minute, and a service that imports
	// records needs the most.
	CallerRate float64
	// CallerBurst is how many calls a quiet caller may make at once. Default
	// 500: a salon that sends the records of a day offline.
	CallerBurst int
	// ChainRate and ChainBurst bound all callers of a chain together. Default
	// 1,000 and 5,000: ten times as much, for a chain of hundreds of salons.
	ChainRate  float64
	ChainBurst int
	// CallerCalls is how many unary calls of a caller may be under way, and
	// CallerStreams how many streams. Default 100 each: a display that watches
	// as many chairs.
	CallerCalls, CallerStreams int
	// ChainWorkers is how many unary calls of a chain are handled at the same
	// time; others wait within their deadlines. Calls that wait for their COMMIT do not count. Default 8; Config uses half of the
	// database connections. One caller uses at most half of them, so that it cannot
	// block its chain.
	ChainWorkers int
	// Anonymous bounds callers without a proven identity.
	Anonymous AnonymousQuotas
}

// complete fills in the defaults.
func (q Quotas) complete() Quotas {
	q.CallerRate = cmp.Or(q.CallerRate, 100)
	q.CallerBurst = cmp.Or(q.CallerBurst, 500)
	q.ChainRate = cmp.Or(q.ChainRate, 1000)
	q.ChainBurst = cmp.Or(q.ChainBurst, 5000)
	q.CallerCalls = cmp.Or(q.CallerCalls, 100)
	q.CallerStreams = cmp.Or(q.CallerStreams, 100)
	q.ChainWorkers = cmp.Or(q.ChainWorkers, 8)
	q.Anonymous = q.Anonymous.complete()
	return q
}

// check returns an error for a negative value.
func (q Quotas) check() error {
	if min(q.CallerRate, q.ChainRate) < 0 || min(q.CallerBurst, q.ChainBurst, q.CallerCalls, q.CallerStreams, q.ChainWorkers) < 0 {
		return errors.New("a quota is negative")
	}
	return q.Anonymous.check()
}

// maxStatementTime is the longest time for one database statement; our own
// choice, the longest that the read timeout of the driver leaves room for.
const maxStatementTime = 8 * time.Second

// statementTime is the statement timeout of the database. It is shorter than
// CallTime, so that the statement ends before the call.
func (l Limits) statementTime() time.Duration { return min(maxStatementTime, l.CallTime*4/5) }

// maxTracked is how many callers and chains are counted separately. All further
// ones share one usage. Our own choice: it costs some megabytes.
const maxTracked = 20000

// sweepInterval is the shortest time between two searches for idle usages;
// without it callers could cause a search with each call.
const sweepInterval = time.Second

// quotas counts the usage of callers and chains. It uses the machine's clock,
// because it protects the machine. Every server counts for itself: with several
// servers a caller may use as many times as much.
type quotas struct {
	limits Quotas
	bytes  int64 // of requests that one caller may have under way
	*usages
}

// newQuotas returns quotas without any usage.
func newQuotas(limits Quotas, bytes int64) *quotas {
	return &quotas{limits: limits, bytes: bytes, usages: newUsages()}
}

// usages holds usages by kind and name. The lock covers counts and buckets;
// waiting happens outside of it.
type usages struct {
	mu    sync.Mutex
	known map[string]*usage
	swept time.Time // when idle usages were last removed
}

// newUsages returns an empty set.
func newUsages() *usages { return &usages{known: map[string]*usage{}} }

// usage is what one caller, chain or address uses.
type usage struct {
	bucket *rate.Limiter // of calls
	// workers holds a value for each unary call that is being handled.
	workers chan struct{}
	// memory is the caller's share of the memory for requests; nil: not counted
	// here.
	memory  *semaphore.Weighted
	answers atomic.Int64 // unsent bytes
	// calls and streams are those under way; guarded by usages.mu.
	calls   int
	streams int
}

// reserve takes one token from a bucket, or returns after how long there will be
// one. A call that would have to wait takes none.
func reserve(bucket *rate.Limiter, now time.Time) (again time.Duration) {
	r := bucket.ReserveN(now, 1)
	if again = r.DelayFrom(now); again > 0 {
		r.CancelAt(now)
	}
	return again
}

// idle reports whether a usage is equivalent to a new one.
func (s *usage) idle(now time.Time) bool {
	return s.calls+s.streams+len(s.workers) == 0 && s.answers.Load() == 0 && s.bucket.TokensAt(now) >= float64(s.bucket.Burst())
}

// acquire counts a call of a caller and its chain, or returns why there is no
// quota for it. A caller that exceeds its own rate does not use up that of its
// chain.
func (q *quotas) acquire(caller, chain string, stream bool, now time.Time) (own, all *usage, err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	fresh := func(perSecond float64, burst, workers int) *usage {
		return &usage{bucket: rate.NewLimiter(rate.Limit(perSecond), burst), workers: make(chan struct{}, workers)}
	}
	own = q.get("caller", caller, now, func() *usage {
		s := fresh(q.limits.CallerRate, q.limits.CallerBurst, (q.limits.ChainWorkers+1)/2)
		s.memory = semaphore.NewWeighted(q.bytes)
		return s
	})
	all = q.get("chain", chain, now, func() *usage {
		return fresh(q.limits.ChainRate, q.limits.ChainBurst, q.limits.ChainWorkers)
	})
	switch {
	case stream && own.streams >= q.limits.CallerStreams:
		return nil, nil, fault.Exhausted(pb.ErrorReason_ERROR_REASON_TOO_MANY_CALLS, fmt.Sprintf("the caller has %d open streams, the maximum", own.streams), time.Second)
	case !stream && own.calls >= q.limits.CallerCalls:
		return nil, nil, fault.Exhausted(pb.ErrorReason_ERROR_REASON_TOO_MANY_CALLS, fmt.Sprintf("the caller has %d calls under way, the maximum", own.calls), time.Second)
	}
	for _, s := range []struct {
		*usage
		subject string
	}{{own, "the caller"}, {all, "the chain"}} {
		if again := reserve(s.bucket, now); again > 0 {
			return nil, nil, fault.Exhausted(pb.ErrorReason_ERROR_REASON_RATE_EXCEEDED, s.subject+" exceeds its call rate; retry later", again)
		}
	}
	if stream {
		own.streams++
	} else {
		own.calls++
	}
	return own, all, nil
}

// release ends the counting of a call.
func (q *quotas) release(own *usage, stream bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if stream {
		own.streams--
	} else {
		own.calls--
	}
}

// get returns the usage of a name, creating it if necessary. When there are too
// many, it removes the idle ones; they would be equal if created again. The
// caller holds the lock.
func (s *usages) get(kind, name string, now time.Time, fresh func() *usage) *usage {
	key := kind + " " + name
	if known, ok := s.known[key]; ok {
		return known
	}
	if len(s.known) >= maxTracked && now.Sub(s.swept) >= sweepInterval {
		s.swept = now
		for k, one := range s.known {
			if one.idle(now) {
				delete(s.known, k)
			}
		}
	}
	if len(s.known) >= maxTracked {
		key = "every other " + kind // apart: a call takes a place in either
		if known, ok := s.known[key]; ok {
			return known
		}
	}
	made := fresh()
	s.known[key] = made
	return made
}

// limitRate enforces the quotas of a caller and its chain. Streams count from
// their begin to their end; their messages are not counted.
func (in *interceptors) limitRate(ctx context.Context, c *call, next func(context.Context) error) error {
	if isPublic(c.method) {
		return next(ctx)
	}
	own, all, err := in.quotas.acquire(c.actor.Name, c.actor.Chain, c.stream, time.Now())
	if err != nil {
		in.counters.QuotaExceeded.Add(1)
		return err
	}
	defer in.quotas.release(own, c.stream)
	c.callerUsage, c.chainUsage = own, all
	c.workers = &workers{of: []*usage{own, all}}
	return next(storage.WithPlace(ctx, c.workers))
}

// waitForWorker waits until a unary call may be handled. Its request has
// arrived by then, so that a slow network does not occupy a worker of the
// chain.
func (c *call) waitForWorker(ctx context.Context) error {
	if c.stream {
		return nil
	}
	c.onEnd(c.workers.Leave)
	return c.workers.Return(ctx)
}

// workers are the places that a unary call has while it is handled: one of its caller and
// one of its chain. It implements storage.Place: a call that waits for its COMMIT has none,
// so that as many calls as come can be committed together.
type workers struct {
	of []*usage
	// held is how many of them the call has.
	held int
}

// Return waits for a place of each. The caller's own comes first: a call that waits for it
// occupies none of the chain.
func (w *workers) Return(ctx context.Context) error {
	for _, s := range w.of[w.held:] {
		select {
		case s.workers <- struct{}{}:
			w.held++
		case <-ctx.Done():
			w.Leave()
			return ctx.Err()
		}
	}
	return nil
}

// Leave gives them up.
func (w *workers) Leave() {
	for ; w.held > 0; w.held-- {
		<-w.of[w.held-1].workers
	}
}
