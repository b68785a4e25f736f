package card

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// TestMergedCardIsTheStricter: every visit and reminder of linked clients is on the card,
// each reminder once; the later next retouch counts; the slowest section is that of the
// newest visit.
func TestMergedCardIsTheStricter(t *testing.T) {
	at := func(day int) *timestamppb.Timestamp {
		return timestamppb.New(time.Date(2026, 3, day, 10, 0, 0, 0, time.UTC))
	}
	visit := func(name string, day int) *pb.Visit { return &pb.Visit{Session: name, StartTime: at(day)} }
	one := &pb.RecordCard{Client: "one", Visits: []*pb.Visit{visit("c", 9), visit("a", 1)}, Reminders: []string{"look", "ask"},
		NextRetouchTime: at(20), NextRetouchReason: "sooner", MostResistantSection: "nape"}
	other := &pb.RecordCard{Client: "other", Visits: []*pb.Visit{visit("b", 5)}, Reminders: []string{"ask", "test"},
		NextRetouchTime: at(25), NextRetouchReason: "later", MostResistantSection: "front"}
	for _, cards := range [][]*pb.RecordCard{{one, other, {}}, {other, {}, one}} {
		got := Merge(cards)
		var order []string
		for _, v := range got.Visits {
			order = append(order, v.Session)
		}
		slices.Sort(got.Reminders)
		if got.Client != cards[0].Client || !slices.Equal(order, []string{"c", "b", "a"}) || !slices.Equal(got.Reminders, []string{"ask", "look", "test"}) ||
			!got.NextRetouchTime.AsTime().Equal(at(25).AsTime()) || got.NextRetouchReason != "later" || got.MostResistantSection != "nape" {
			t.Errorf("the card is %v", got)
		}
	}
}
