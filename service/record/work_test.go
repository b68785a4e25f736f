package record

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/card"
)

// opening is when the sessions of these tests were created; invented.
var opening = time.Date(2026, time.March, 2, 10, 0, 0, 0, time.UTC)

func stamp(after time.Duration) *timestamppb.Timestamp { return timestamppb.New(opening.Add(after)) }

// appliedAt is product on a section as a till noted it, recorded an hour after the
// opening.
func appliedAt(occurred time.Duration) *pb.StoredEvent {
	return &pb.StoredEvent{RecordTime: stamp(time.Hour), Event: &pb.Event{
		OccurTime: stamp(occurred), Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{SectionId: "front"}}}}
}

// A visit counts from first contact on, in the span in which the contact fits,
// whatever the till's clock says.
func TestContact(t *testing.T) {
	corrected, bounded := appliedAt(11*time.Minute), appliedAt(10*time.Minute)
	corrected.CorrectedTime = stamp(time.Minute)
	bounded.EarliestTime, bounded.LatestTime = stamp(5*time.Minute), stamp(20*time.Minute)
	stage := appliedAt(time.Minute)
	stage.Event.Fact = &pb.Event_StageApplied{StageApplied: &pb.StageApplied{}}
	session := &pb.Session{CreateTime: stamp(0), StartTime: stamp(0)}
	touched := &pb.Outcome{Sections: []*pb.SectionOutcome{{FirstContactTime: stamp(3 * time.Minute)}}}
	for _, c := range []struct {
		name        string
		visit       card.StoredVisit
		first, last time.Duration
		want        bool
	}{
		{"nothing happened", card.StoredVisit{}, 0, 0, false},
		{"a whole stage in one fact", card.StoredVisit{Events: []*pb.StoredEvent{stage}}, time.Minute, time.Minute, true},
		{"broken off before contact", card.StoredVisit{Outcome: &pb.Outcome{Sections: []*pb.SectionOutcome{{SectionId: "front"}}}}, 0, 0, false},
		{"other facts only", card.StoredVisit{Events: []*pb.StoredEvent{{Event: &pb.Event{Fact: &pb.Event_Note{Note: &pb.Note{}}}}}}, 0, 0, false},
		{"open, two sections", card.StoredVisit{Events: []*pb.StoredEvent{appliedAt(9 * time.Minute), appliedAt(4 * time.Minute)}}, 4 * time.Minute, 9 * time.Minute, true},
		{"a till's clock that was corrected", card.StoredVisit{Events: []*pb.StoredEvent{corrected}}, time.Minute, time.Minute, true},
		{"a till's clock that is bounded", card.StoredVisit{Events: []*pb.StoredEvent{bounded}}, 5 * time.Minute, 20 * time.Minute, true},
		{"a till's clock that is years ahead", card.StoredVisit{Events: []*pb.StoredEvent{appliedAt(20000 * time.Hour)}}, time.Hour, time.Hour, true},
		{"a till's clock that is years behind", card.StoredVisit{Events: []*pb.StoredEvent{appliedAt(-20000 * time.Hour)}}, 0, 0, true},
		{"sent late by a till that was offline", card.StoredVisit{Events: []*pb.StoredEvent{appliedAt(-5 * time.Hour)}}, -5 * time.Hour, -5 * time.Hour, true},
		{"an older visit, told from its outcome", card.StoredVisit{Outcome: touched}, 3 * time.Minute, 3 * time.Minute, true},
		{"completed without a recorded contact", card.StoredVisit{Outcome: &pb.Outcome{Completed: true}}, 0, 0, true},
	} {
		c.visit.Session = session
		first, last, ok := contact(c.visit)
		if ok != c.want || ok && (!first.Equal(opening.Add(c.first)) || !last.Equal(opening.Add(c.last))) {
			t.Errorf("%s: %s to %s, %v; want %s to %s, %v", c.name, first.Sub(opening), last.Sub(opening), ok, c.first, c.last, c.want)
		}
	}
}

// What a product does to hair, and where a service did it.
func TestWorkOfAService(t *testing.T) {
	for kind, want := range map[pb.ProductKind]pb.ChemicalWork{
		pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER:    pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE,
		pb.ProductKind_PRODUCT_KIND_THIO_RELAXER:         pb.ChemicalWork_CHEMICAL_WORK_THIO,
		pb.ProductKind_PRODUCT_KIND_SULFITE_RELAXER:      pb.ChemicalWork_CHEMICAL_WORK_THIO,
		pb.ProductKind_PRODUCT_KIND_SMOOTHING:            pb.ChemicalWork_CHEMICAL_WORK_SMOOTHING,
		pb.ProductKind_PRODUCT_KIND_PROTECTIVE_BASE:      0,
		pb.ProductKind_PRODUCT_KIND_NEUTRALIZING_SHAMPOO: 0,
	} {
		if got := workOf(kind); got != want {
			t.Errorf("%s: %s, want %s", kind, got, want)
		}
	}
	if zoneTreated(pb.ServiceKind_SERVICE_KIND_RETOUCH) != pb.Zone_ZONE_MID_STRAND || zoneTreated(pb.ServiceKind_SERVICE_KIND_VIRGIN) != 0 {
		t.Error("a retouch is on mid-strand since, and a first service on the whole head")
	}
}
