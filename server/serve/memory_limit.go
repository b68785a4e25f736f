package serve

import (
	"context"
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
)

// memory bounds what requests being worked on and answers being sent take
// together. What does not fit is refused with RESOURCE_EXHAUSTED and a time to
// retry; health stays SERVING, because a restart would help nobody.
type memoryLimiter struct {
	limit    int64
	requests *semaphore.Weighted
	answers  atomic.Int64 // bytes that readers have not taken yet
	counters *Counters
}

func newMemoryLimiter(limit int64, counters *Counters) *memoryLimiter {
	return &memoryLimiter{limit: limit, requests: semaphore.NewWeighted(limit), counters: counters}
}

const (
	// callerPart is the part of the memory that one caller may take, and
	// chainPart the part that untaken answers of one chain may.
	callerFraction, chainFraction = 8, 2
	// roomTime is how long a request waits for memory before it is refused.
	memoryWait = time.Second
	// messageBytes is what a decoded message takes beside its text; measured
	// sizes of the contract's structs are 60 to 500 bytes.
	messageOverhead = 400
)

// take reserves memory for a request of a caller, or says when to retry.
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

// noRoom is why there is no memory: the call has ended, or there is too little.
func (m *memoryLimiter) waitFailed(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return m.shed()
}

func (m *memoryLimiter) shed() error {
	m.counters.Shed.Add(1)
	return fault.Exhausted(pb.ErrorReason_ERROR_REASON_OVERLOADED, "the server has no memory for this call now; retry later", memoryWait)
}
