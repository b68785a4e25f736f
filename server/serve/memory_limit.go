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
// retry delay.
type memoryLimiter struct {
	limit    int64
	requests *semaphore.Weighted
	answers  atomic.Int64 // unsent bytes
	counters *Counters
}

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
// retry delay.
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

// waitFailed returns why no memory was reserved: the call has ended, or there
// is too little.
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
