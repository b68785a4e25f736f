package serve

import (
	"context"
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
)

// memoryLimiter bounds the memory of requests being handled and of unsent
// answers. A request that does not fit is refused with RESOURCE_EXHAUSTED and a
// retry delay. Requests and answers have the same limit each, so that answers
// nobody takes cannot keep out the requests of others.
type memoryLimiter struct {
	limit    int64               // bytes, for requests and for answers each
	requests *semaphore.Weighted // bytes reserved for requests
	answers  atomic.Int64        // unsent bytes
	counters *Counters
}

// newMemoryLimiter returns a limiter of so many bytes.
func newMemoryLimiter(limit int64, counters *Counters) *memoryLimiter {
	return &memoryLimiter{limit: limit, requests: semaphore.NewWeighted(limit), counters: counters}
}

const (
	// One caller may use 1/callerFraction of the memory, and the unsent answers
	// of one chain 1/chainFraction; our own choice.
	callerFraction, chainFraction = 8, 2
	// memoryWait is how long a request waits for memory before it is refused.
	memoryWait = time.Second
	// messageOverhead is what a decoded message needs besides its text, in
	// bytes. Measured sizes of the contract's structs are 60 to 500.
	messageOverhead = 400
)

// reserve reserves memory for a request of a caller, or returns an error with a
// retry delay. The caller's own share is acquired first: a caller that waits for
// its share holds nothing of the common one. give must be called once.
func (m *memoryLimiter) reserve(ctx context.Context, c *call, bytes int64) (give func(), err error) {
	if m.answers.Load() > m.limit || c.callerUsage.answers.Load() > m.limit/callerFraction || c.chainUsage.answers.Load() > m.limit/chainFraction {
		return nil, m.shed()
	}
	own := c.callerUsage.memory
	wait, cancel := context.WithTimeout(ctx, memoryWait)
	defer cancel()
	if err := own.Acquire(wait, bytes); err != nil {
		return nil, m.waitFailed(ctx)
	}
	if err := m.requests.Acquire(wait, bytes); err != nil {
		own.Release(bytes)
		return nil, m.waitFailed(ctx)
	}
	return func() {
		m.requests.Release(bytes)
		own.Release(bytes)
	}, nil
}

// waitFailed returns why no memory was reserved: the call has ended, or there is
// too little. The two must not be confused: only the second is worth a retry.
func (m *memoryLimiter) waitFailed(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return m.shed()
}

// shed counts and returns the refusal of a call for lack of memory.
func (m *memoryLimiter) shed() error {
	m.counters.Shed.Add(1)
	return fault.Exhausted(pb.ErrorReason_ERROR_REASON_OVERLOADED, "the server has no memory for this call now; retry later", memoryWait)
}
