package timing

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// A till that was offline may send "it burns" before the first contact. The call
// to rinse does not wait for the rest, and water ends it.
func TestBurningCallsForWaterBeforeContactIsKnown(t *testing.T) {
	start := time.Date(2026, time.November, 3, 10, 0, 0, 0, time.UTC)
	session := &pb.Session{Name: "chains/ebb/clients/c/sessions/s", StartTime: timestamppb.New(start)}
	event := func(id string, minute int, e *pb.Event) *pb.StoredEvent {
		at := timestamppb.New(start.Add(time.Duration(minute) * time.Minute))
		e.EventId, e.OccurTime = id, at
		return &pb.StoredEvent{Event: e, RecordTime: at}
	}
	burns := event("a", 1, &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_BURNING}}})
	water := event("b", 2, &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}})

	calling := Fold(session, []*pb.StoredEvent{burns}, start.Add(time.Minute))
	if len(calling.Alarms) == 0 || calling.Alarms[0].Kind != pb.AlarmKind_ALARM_KIND_RINSE_NOW {
		t.Errorf("it burns, and the alarms are %v", calling.Alarms)
	}
	rinsed := Fold(session, []*pb.StoredEvent{burns, water}, start.Add(2*time.Minute))
	for _, a := range rinsed.Alarms {
		if a.Kind == pb.AlarmKind_ALARM_KIND_RINSE_NOW {
			t.Errorf("water is on, and the call stands: %v", a)
		}
	}
}
