package record

import (
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// Rates come from all visits of a card, not from the newest alone.
func TestCardLearnsFromAllVisits(t *testing.T) {
	visit := func() *pb.Visit {
		return &pb.Visit{Sections: []*pb.SectionOutcome{
			{SectionId: "nape", Rate: &pb.RateEstimate{Mean: -2.6, Deviation: 0.13, Readings: 7}},
			{SectionId: "front"},
		}}
	}
	one := &pb.RecordCard{Visits: []*pb.Visit{visit()}}
	two := &pb.RecordCard{Visits: []*pb.Visit{visit(), visit()}}
	learn(one)
	learn(two)
	nape := func(c *pb.RecordCard) int32 {
		for _, r := range c.Rates {
			if r.SectionId == "nape" {
				return r.Rate.Readings
			}
		}
		return 0
	}
	if nape(one) != 7 || nape(two) != 14 {
		t.Errorf("%d and %d readings of the nape, want 7 and 14", nape(one), nape(two))
	}
}
