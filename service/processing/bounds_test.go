package processing

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
)

// TestEventsAreBounded: a session that is full takes no more remarks, and goes on
// taking what concerns the client's safety, up to a bound of its own. What was
// recorded before is answered as before.
func TestEventsAreBounded(t *testing.T) {
	t.Parallel()
	s := Service{Check: func(proto.Message) []fault.Violation { return nil }}
	remark := func(id string) *pb.Event { return &pb.Event{EventId: id, Fact: &pb.Event_Note{Note: &pb.Note{}}} }
	burns := func(id string) *pb.Event {
		return &pb.Event{EventId: id, Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_BURNING}}}
	}
	var old []*pb.StoredEvent
	for i := range mostEvents - 1 {
		old = append(old, &pb.StoredEvent{Event: remark(fmt.Sprint("e", i))})
	}
	const recorded, again, rejected = pb.EventStatus_EVENT_STATUS_RECORDED, pb.EventStatus_EVENT_STATUS_ALREADY_RECORDED, pb.EventStatus_EVENT_STATUS_REJECTED
	results, fresh := s.acceptEvents([]*pb.Event{remark("last"), remark("one more"), remark("e0"), burns("burns")}, old, "till", time.Time{})
	for i, want := range []pb.EventStatus{recorded, rejected, again, recorded} {
		if results[i].Status != want {
			t.Errorf("event %d: %v, want %v", i, results[i], want)
		}
	}
	if len(fresh) != 2 || fresh[1].Sequence != mostEvents+1 || !strings.Contains(results[1].Reason, "5,000 events") {
		t.Errorf("%d are recorded, and told: %v", len(fresh), results[1])
	}
	for i := range mostSafetyEvents - len(old) {
		old = append(old, &pb.StoredEvent{Event: burns(fmt.Sprint("b", i))})
	}
	results, fresh = s.acceptEvents([]*pb.Event{burns("one more")}, old, "till", time.Time{})
	if len(fresh) != 0 || results[0].Status != rejected || !strings.Contains(results[0].Reason, "10,000 events") {
		t.Errorf("beyond all bounds: %v", results[0])
	}
}

// TestUnknownFactsAreBounded: facts that this server does not know have a bound of
// their own, and take no room from what concerns the client's safety.
func TestUnknownFactsAreBounded(t *testing.T) {
	t.Parallel()
	s := Service{Check: func(proto.Message) []fault.Violation { return nil }}
	newer := &pb.Event{EventId: "newer"}
	newer.ProtoReflect().SetUnknown(protowire.AppendBytes(protowire.AppendTag(nil, 4000, protowire.BytesType), nil))
	var sent []*pb.Event
	for i := range mostSafetyEvents + 1 {
		sent = append(sent, &pb.Event{EventId: fmt.Sprint("o", i), Fact: &pb.Event_OtherFact{OtherFact: &pb.OtherFact{Fact: "other", RinseNow: true}}})
	}
	sent = append(sent, newer,
		&pb.Event{EventId: "burns", Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_BURNING}}},
		&pb.Event{EventId: "water", Fact: &pb.Event_WaterOn{WaterOn: &pb.WaterOn{}}})
	results, fresh := s.acceptEvents(sent, nil, "till", time.Time{})
	if len(fresh) != mostOtherEvents+2 {
		t.Errorf("%d facts are recorded, want %d", len(fresh), mostOtherEvents+2)
	}
	last := results[len(results)-4:]
	for i, want := range []pb.EventStatus{pb.EventStatus_EVENT_STATUS_REJECTED, pb.EventStatus_EVENT_STATUS_REJECTED,
		pb.EventStatus_EVENT_STATUS_RECORDED, pb.EventStatus_EVENT_STATUS_RECORDED} {
		if last[i].Status != want {
			t.Errorf("%s: %v (%s), want %v", last[i].EventId, last[i].Status, last[i].Reason, want)
		}
	}
	if !strings.Contains(last[0].Reason, "200 facts") {
		t.Errorf("the reason is %q", last[0].Reason)
	}
}

// TestDiscomfortHasRoom: no other fact, not even one about safety, keeps a report
// of discomfort or a splash out.
func TestDiscomfortHasRoom(t *testing.T) {
	t.Parallel()
	s := Service{Check: func(proto.Message) []fault.Violation { return nil }}
	feels := func(id string, c pb.Comfort) *pb.Event {
		return &pb.Event{EventId: id, Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: c}}}
	}
	var old []*pb.StoredEvent
	for i := range mostSafetyEvents {
		old = append(old, &pb.StoredEvent{Event: feels(fmt.Sprint("f", i), pb.Comfort_COMFORT_COMFORTABLE)})
	}
	sent := []*pb.Event{feels("fine", pb.Comfort_COMFORT_COMFORTABLE), feels("tingles", pb.Comfort_COMFORT_TINGLING), feels("newer", 99),
		{EventId: "splash", Fact: &pb.Event_Splash{Splash: &pb.Splash{}}}}
	for i := range keptForDiscomfort {
		sent = append(sent, feels(fmt.Sprint("b", i), pb.Comfort_COMFORT_BURNING))
	}
	results, fresh := s.acceptEvents(sent, old, "till", time.Time{})
	if len(fresh) != keptForDiscomfort {
		t.Errorf("%d facts are recorded, want %d", len(fresh), keptForDiscomfort)
	}
	for i, r := range results[:4] {
		if rejected := r.Status == pb.EventStatus_EVENT_STATUS_REJECTED; rejected != (i == 0) {
			t.Errorf("%s: %v (%s)", r.EventId, r.Status, r.Reason)
		}
	}
}
