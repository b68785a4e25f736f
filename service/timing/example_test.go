package timing_test

import (
	"fmt"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/timing"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// A section is applied at nine, tested twice, and the client speaks up.
func Example() {
	in := &pb.DecisionInputs{
		Consultation: &pb.Consultation{Hair: &pb.HairAnalysis{
			Texture:  pb.Texture_TEXTURE_MEDIUM,
			CurlType: pb.CurlType_CURL_TYPE_VI,
			Sections: []*pb.HeadSection{{SectionId: "crown"}, {SectionId: "nape", Resistant: pb.Answer_ANSWER_YES}},
		}},
		Product: &pb.Product{Directions: &pb.Directions{
			UsualMinutes:   proto.Int32(13),
			MaximumMinutes: proto.Int32(18),
			BaseNeeded:     pb.Answer_ANSWER_NO,
		}},
	}
	plan := timing.Plan(in)
	for _, s := range plan.Sections {
		fmt.Printf("%d. %s: %.0f minutes (%.0f to %.0f), first strand test at %.1f, limit %.0f\n", s.Order, s.SectionId,
			s.ExpectedMinutes, s.ExpectedMinutesLow, s.ExpectedMinutesHigh, s.FirstStrandTestMinute, s.HardLimitMinute)
	}

	nine := time.Date(2026, 3, 5, 9, 0, 0, 0, time.UTC)
	session := &pb.Session{Decision: "decided", Plan: plan, Limits: timing.Limits(in), StartTime: timestamppb.New(nine)}
	var events []*pb.StoredEvent
	happens := func(minute float64, e *pb.Event) {
		at := nine.Add(time.Duration(minute * float64(time.Minute)))
		e.EventId, e.OccurTime = fmt.Sprint(len(events)), timestamppb.New(at)
		events = append(events, &pb.StoredEvent{Event: e, RecordTime: timestamppb.New(at)})
		state := timing.Fold(session, events, at)
		nape := state.Sections[0]
		fmt.Printf("minute %.0f: straightened by %.0f %% (%.0f to %.0f)", minute,
			nape.StraighteningPercent.Value, nape.StraighteningPercent.Low, nape.StraighteningPercent.High)
		if len(state.Alarms) > 0 {
			fmt.Print("; ", state.Alarms[0].Message)
		} else {
			fmt.Printf("; latest rinse at minute %.1f", nape.LatestRinseTime.AsTime().Sub(nine).Minutes())
		}
		fmt.Println()
	}
	happens(0, &pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{SectionId: "nape", Part: pb.SectionPart_SECTION_PART_MID_STRAND}}})
	happens(5, &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{SectionId: "nape", RemainingCurlPercent: new(float64(75))}}})
	happens(8, &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{SectionId: "nape", RemainingCurlPercent: new(float64(55))}}})
	happens(9, &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_BURNING}}})
	// Output:
	// 1. nape: 17 minutes (9 to 31), first strand test at 6.1, limit 18
	// 2. crown: 14 minutes (8 to 26), first strand test at 5.0, limit 18
	// minute 0: straightened by 0 % (0 to 0); latest rinse at minute 8.5
	// minute 5: straightened by 26 % (19 to 35); latest rinse at minute 14.0
	// minute 8: straightened by 43 % (35 to 51); latest rinse at minute 14.9
	// minute 9: straightened by 47 % (39 to 56); Rinse now. It burns.
}
