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

// TestSecondsFromDiscomfortToWater: they count from the report, or from the first contact if
// that came later. Exactly a minute is in time.
func TestSecondsFromDiscomfortToWater(t *testing.T) {
	start := time.Date(2026, time.November, 3, 10, 0, 0, 0, time.UTC)
	session := &pb.Session{Name: "chains/ebb/clients/c/sessions/s", StartTime: timestamppb.New(start)}
	for what, c := range map[string]struct {
		contact, burns, water int // seconds after the start
		want                  float64
		late                  bool
	}{
		"after a minute":               {0, 60, 120, 60, false},
		"a second later":               {0, 60, 121, 61, true},
		"it burned before the contact": {100, 0, 130, 30, false},
		"water before the contact":     {100, 0, 10, 0, false},
	} {
		var events []*pb.StoredEvent
		add := func(id string, second int, e *pb.Event) {
			at := timestamppb.New(start.Add(time.Duration(second) * time.Second))
			e.EventId, e.OccurTime = id, at
			events = append(events, &pb.StoredEvent{Event: e, RecordTime: at, Sequence: int64(len(events) + 1)})
		}
		add("a", c.contact, &pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{SectionId: "front", Part: pb.SectionPart_SECTION_PART_MID_STRAND}}})
		add("b", c.burns, &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_BURNING}}})
		add("c", c.water, &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}})
		found := Discomforts(session, events, nil, start.Add(time.Hour))
		if len(found) != 1 || found[0].Seconds == nil || *found[0].Seconds != c.want || found[0].Late != c.late {
			t.Errorf("%s: %v, want %v seconds, late: %t", what, found, c.want, c.late)
		}
	}
}
