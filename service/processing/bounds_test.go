package processing

import (
	"fmt"
	"strings"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"google.golang.org/protobuf/proto"
)

// TestEventsAreBounded: a session that is full takes no more remarks, and goes on
// taking what concerns the client's safety, up to a bound of its own. What was
// recorded before is answered as before.
func TestEventsAreBounded(t *testing.T) {
	t.Parallel()
	s := Service{Check: func(proto.Message) []fault.Violation { return nil }}
	remark := func(id string) *pb.Event { return &pb.Event{EventId: id, Fact: &pb.Event_Note{Note: &pb.Note{}}} }
	burns := func(id string) *pb.Event {
		return &pb.Event{EventId: id, Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{}}}
	}
	var old []*pb.StoredEvent
	for i := range mostEvents - 1 {
		old = append(old, &pb.StoredEvent{Event: remark(fmt.Sprint("e", i))})
	}
	const recorded, again, rejected = pb.EventStatus_EVENT_STATUS_RECORDED, pb.EventStatus_EVENT_STATUS_ALREADY_RECORDED, pb.EventStatus_EVENT_STATUS_REJECTED
	results, fresh := s.sort([]*pb.Event{remark("last"), remark("one more"), remark("e0"), burns("burns")}, old, "till", time.Time{})
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
	results, fresh = s.sort([]*pb.Event{burns("one more")}, old, "till", time.Time{})
	if len(fresh) != 0 || results[0].Status != rejected || !strings.Contains(results[0].Reason, "10,000 events") {
		t.Errorf("beyond all bounds: %v", results[0])
	}
}
