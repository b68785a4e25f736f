package processing

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
)

// A till of before RINSE_DUE is called to rinse by it; what is stored stays as it is.
func TestOlderTillsAreCalledToRinse(t *testing.T) {
	const now, due, off, confirm, test = pb.AlarmKind_ALARM_KIND_RINSE_NOW, pb.AlarmKind_ALARM_KIND_RINSE_DUE,
		pb.AlarmKind_ALARM_KIND_WATER_OFF_TOO_SOON, pb.AlarmKind_ALARM_KIND_CONFIRM_PRODUCT, pb.AlarmKind_ALARM_KIND_STRAND_TEST_DUE
	state := &pb.SessionState{Alarms: []*pb.Alarm{{Kind: off}, {Kind: due}, {Kind: confirm}, {Kind: test}}}
	kept := proto.CloneOf(state)
	for revision, want := range map[int][]pb.AlarmKind{
		0: {now, now, test},
		1: {now, now, test},
		2: {off, due, confirm, test},
		3: {off, due, confirm, test},
	} {
		ctx := actor.NewContext(t.Context(), actor.Actor{Revision: revision})
		var got []pb.AlarmKind
		for _, a := range forRevision(ctx, state).Alarms {
			got = append(got, a.Kind)
		}
		if !slices.Equal(got, want) {
			t.Errorf("revision %d: %v, want %v", revision, got, want)
		}
	}
	if !proto.Equal(kept, state) {
		t.Errorf("the state itself was changed: %v", state)
	}
}
