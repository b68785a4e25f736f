package storage_test

import (
	"errors"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// TestARetryMayTellALaterTime: the fields of one attempt are neither compared nor
// kept; every other field is both.
func TestARetryMayTellALaterTime(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	client := &pb.Client{Name: "chains/" + chain + "/clients/c"}
	if _, err := storage.Write(t.Context(), db, chain, &pb.CreateClientRequest{RequestId: storage.NewID()},
		func(*storage.Snapshot) (*pb.CreateClientResponse, storage.Changes, error) {
			return &pb.CreateClientResponse{}, storage.Changes{Records: []storage.Record{storage.Clients.Insert(client)}}, nil
		}); err != nil {
		t.Fatal(err)
	}
	runs := 0
	report := func(req *pb.RecordEventsRequest) (*pb.RecordEventsResponse, error) {
		return storage.Write(t.Context(), db, chain, req, func(*storage.Snapshot) (*pb.RecordEventsResponse, storage.Changes, error) {
			runs++
			return &pb.RecordEventsResponse{Results: []*pb.EventResult{{EventId: "e"}}, ServerTime: &timestamppb.Timestamp{Seconds: 3}}, storage.Changes{}, nil
		})
	}
	first := &pb.RecordEventsRequest{Name: "chains/" + chain + "/clients/c/sessions/s", RequestId: storage.NewID(),
		SendTime: &timestamppb.Timestamp{Seconds: 1}}
	if _, err := report(first); err != nil {
		t.Fatal(err)
	}
	later := proto.CloneOf(first)
	later.SendTime = &timestamppb.Timestamp{Seconds: 2}
	later.Echo = &pb.ClockEcho{ServerTime: &timestamppb.Timestamp{Seconds: 3}, ReceiveTime: &timestamppb.Timestamp{Seconds: 3}, ElapsedMs: proto.Int64(5)}
	want := &pb.RecordEventsResponse{Results: []*pb.EventResult{{EventId: "e"}}}
	for what, req := range map[string]*pb.RecordEventsRequest{"the same": first, "a later attempt": later} {
		if answer, err := report(req); err != nil || runs != 1 || !proto.Equal(answer, want) {
			t.Errorf("%s: %v, %v, done %d times", what, answer, err, runs)
		}
	}
	other := proto.CloneOf(later)
	other.Name += "x"
	if _, err := report(other); !errors.Is(err, storage.ErrReused) {
		t.Errorf("another session under the same id: %v", err)
	}
	if first.SendTime == nil || later.Echo == nil {
		t.Error("the caller's message was changed")
	}
}
