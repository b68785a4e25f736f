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
)

// Quotas bound what one caller, and all callers of one chain together, may ask
// for, so that nobody takes what others need. Zero fields have the stated
// defaults, which are our own choices. What is beyond them is answered
// RESOURCE_EXHAUSTED, with the time after which to try again.
type Quotas struct {
	// CallerRate is how many calls a second a caller may make on average.
	// Default 100: a till makes a few a minute; a service that brings records in
	// from elsewhere is the honest caller that needs most.
	CallerRate float64
	// CallerBurst is how many calls a caller who was quiet may make at once.
	// Default 500: a salon that was offline for a day, and everything it sends.
	CallerBurst int
	// ChainRate and ChainBurst are the same for all callers of a chain. Default
	// 1,000 and 5,000: ten times as much, for a chain of hundreds of salons.
	ChainRate  float64
	ChainBurst int
	// CallerCalls is how many calls of a caller may be under way, and CallerStreams
	// how many streams. Default 100 each: a wall of screens watches as many chairs.
	CallerCalls, CallerStreams int
	// ChainWorkers is how many calls of a chain are worked on at a time; others
	// wait for their turn, within their deadlines. Default 8: half of the
	// connections to the database. A caller has half of them at most, so that
	// nobody alone keeps a chain from its work.
	ChainWorkers int
	// Strangers are what callers without a proven identity may take.
	Anonymous AnonymousQuotas
}

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

func (q Quotas) check() error {
	if min(q.CallerRate, q.ChainRate) < 0 || min(q.CallerBurst, q.ChainBurst, q.CallerCalls, q.CallerStreams, q.ChainWorkers) < 0 {
		return errors.New("a quota is negative")
	}
	return q.Anonymous.check()
}

// longestStatement is how long the database works on one statement at most. Our
// own choice: the longest that the driver's read timeout leaves room for.
const maxStatementTime = 8 * time.Second

// statementTime is when the database gives up a statement: before the call is
// given up that it serves.
func (l Limits) statementTime() time.Duration { return min(maxStatementTime, l.CallTime*4/5) }

// mostShares is how many callers and chains are kept apart. Whoever is beyond
// that shares with all others who are: our own choice, some megabytes.
const maxTracked = 20000

// sweepEvery is how often idle shares are looked for at most, when there are too
// many: looking through them all must not be what callers can ask for.
const sweepInterval = time.Second

// quotas knows what everybody has taken. It goes by the machine's clock and not
// by the salon's, because it guards the machine.
type quotas struct {
	limits Quotas
	bytes  int64 // of requests that one caller may have under way
	*usages
}

func newQuotas(limits Quotas, bytes int64) *quotas {
	return &quotas{limits: limits, bytes: bytes, usages: newUsages()}
}

// shares are kept by kind and name.
type usages struct {
	mu    sync.Mutex
	known map[string]*usage
	swept time.Time // when idle shares were last looked for
}

func newUsages() *usages { return &usages{known: map[string]*usage{}} }

// share is what one caller, chain or address has.
type usage struct {
	bucket  *rate.Limiter
	workers chan struct{}       // has one for each call that is worked on
	memory  *semaphore.Weighted // for requests; nil: not counted here
	answers atomic.Int64        // bytes that readers have not taken yet
	calls   int
	streams int
}

// reserve takes one from a bucket, or says after how long there will be one.
func reserve(bucket *rate.Limiter, now time.Time) (again time.Duration) {
	r := bucket.ReserveN(now, 1)
	if again = r.DelayFrom(now); again > 0 {
		r.CancelAt(now)
	}
	return again
}

// idle reports whether a share says no more than a fresh one would.
func (s *usage) idle(now time.Time) bool {
	return s.calls+s.streams+len(s.workers) == 0 && s.answers.Load() == 0 && s.bucket.TokensAt(now) >= float64(s.bucket.Burst())
}

// take counts a call of a caller, or says why there is none to be had.
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
		return nil, nil, fault.Exhausted(pb.ErrorReason_ERROR_REASON_TOO_MANY_CALLS, fmt.Sprintf("the caller has %d streams open, and no more are allowed", own.streams), time.Second)
	case !stream && own.calls >= q.limits.CallerCalls:
		return nil, nil, fault.Exhausted(pb.ErrorReason_ERROR_REASON_TOO_MANY_CALLS, fmt.Sprintf("the caller has %d calls under way, and no more are allowed", own.calls), time.Second)
	}
	for _, s := range []struct {
		*usage
		whose string
	}{{own, "the caller"}, {all, "the chain"}} {
		if again := reserve(s.bucket, now); again > 0 {
			return nil, nil, fault.Exhausted(pb.ErrorReason_ERROR_REASON_RATE_EXCEEDED, s.whose+" calls more often than is allowed; try again later", again)
		}
	}
	if stream {
		own.streams++
	} else {
		own.calls++
	}
	return own, all, nil
}

// leave counts a call out.
func (q *quotas) release(own *usage, stream bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if stream {
		own.streams--
	} else {
		own.calls--
	}
}

// get returns the share of a name, which fresh makes. When there are too many,
// those that are idle are dropped; they would be the same if made again. The
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

// ration holds a caller, and its chain, to their quotas.
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
	return next(ctx)
}

// work waits until a unary call may be worked on. Its request is there by then:
// a slow network must not take a place from others of the chain.
func (c *call) waitForWorker(ctx context.Context) error {
	if c.stream {
		return nil
	}
	for _, s := range []*usage{c.callerUsage, c.chainUsage} { // who waits for calls of its own holds none of the chain's places
		select {
		case s.workers <- struct{}{}:
		case <-ctx.Done():
			return ctx.Err()
		}
		c.onEnd(func() { <-s.workers })
	}
	return nil
}
