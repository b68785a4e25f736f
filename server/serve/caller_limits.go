package serve

import (
	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
)

// forCallers returns what callers are told of the limits. The quotas of callers
// without an identity, of connections and of memory are left out: no honest
// caller plans by them. Times are in milliseconds, sizes in bytes.
func (l Limits) forCallers() *pb.CallerLimits {
	return &pb.CallerLimits{
		DefaultCallMs:        l.CallTime.Milliseconds(),
		MaxCallMs:            l.MaxCallTime.Milliseconds(),
		MinCallMs:            l.MinTime.Milliseconds(),
		DefaultStreamMs:      l.StreamTime.Milliseconds(),
		CallerCallsPerSecond: l.Quotas.CallerRate,
		CallerBurstCalls:     int64(l.Quotas.CallerBurst),
		ChainCallsPerSecond:  l.Quotas.ChainRate,
		ChainBurstCalls:      int64(l.Quotas.ChainBurst),
		CallerOpenCalls:      int64(l.Quotas.CallerCalls),
		CallerOpenStreams:    int64(l.Quotas.CallerStreams),
		RequestBytes:         int64(l.RequestBytes),
		HeaderBytes:          int64(l.HeaderBytes),
		DefaultPageSize:      storage.DefaultPageSize,
		MaxPageSize:          storage.MaxPageSize,
		PageBytes:            storage.MaxPageBytes,
		HeartbeatMs:          l.HeartbeatInterval.Milliseconds(),
	}
}
