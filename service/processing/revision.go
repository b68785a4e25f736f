package processing

import (
	"context"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/service/actor"
)

// alarmsRevision is the revision of the contract since which a till knows that a
// rinse that is due by the estimate is not one that is called for by the client.
const alarmsRevision = 2

// forRevision is a state as the caller's till can read it. A till says by which
// revision of the contract it was built in the request metadata alkalog-revision.
// One that says nothing was built before there was one: it is called to rinse
// instead of by the alarms that it does not know, and not called to confirm, which
// it cannot. What is stored and logged does not depend on who asks.
func forRevision(ctx context.Context, state *pb.SessionState) *pb.SessionState {
	if actor.From(ctx).Revision >= alarmsRevision || state == nil {
		return state
	}
	old := proto.CloneOf(state)
	old.Alarms = slices.DeleteFunc(old.Alarms, func(a *pb.Alarm) bool {
		return a.Kind == pb.AlarmKind_ALARM_KIND_CONFIRM_PRODUCT
	})
	for _, a := range old.Alarms {
		switch a.Kind {
		case pb.AlarmKind_ALARM_KIND_RINSE_DUE, pb.AlarmKind_ALARM_KIND_WATER_OFF_TOO_SOON:
			a.Kind = pb.AlarmKind_ALARM_KIND_RINSE_NOW
		}
	}
	slices.SortStableFunc(old.Alarms, func(a, b *pb.Alarm) int { return contract.CompareRank(b.Kind, a.Kind) })
	return old
}
