package processing

import (
	"context"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/service/actor"
)

// forRevision is a state as the caller's till can read it. A till says by which
// revision of the contract it was built in the request metadata alkalog-revision.
// One that says nothing was built before there was one. The contract says what stands
// for an alarm that a till does not know: it is called to rinse instead, and not called
// to confirm, which it cannot. What is stored and logged does not depend on who asks.
func forRevision(ctx context.Context, state *pb.SessionState) *pb.SessionState {
	revision := actor.From(ctx).Revision
	if revision >= contract.Revision || state == nil {
		return state
	}
	old := proto.CloneOf(state)
	contract.ForRevision(old, revision)
	slices.SortStableFunc(old.Alarms, func(a, b *pb.Alarm) int { return contract.CompareRank(b.Kind, a.Kind) })
	return old
}
