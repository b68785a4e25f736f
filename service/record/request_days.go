package record

import (
	"cmp"

	pb "alkalog/proto/alkalogv1"
)

// defaultRequestDays is how many days answered requests are remembered unless a
// chain says otherwise. The contract says so, at Retention.request_days.
const defaultRequestDays = 35

// RequestDays is how many days a chain remembers answered requests. A retry after
// that time is a new request: a till must not keep one longer.
func RequestDays(chain *pb.Chain) int32 {
	return cmp.Or(chain.GetRetention().GetRequestDays(), defaultRequestDays)
}
