package demo

import (
	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/proto"
)

// The facts of a service, as a till records them; id and time are added when
// they are sent.

func consents() *pb.Event {
	return &pb.Event{Fact: &pb.Event_ConsentConfirmed{ConsentConfirmed: &pb.ConsentConfirmed{}}}
}

func based() *pb.Event {
	return &pb.Event{Fact: &pb.Event_BaseApplied{BaseApplied: &pb.BaseApplied{WholeScalp: true}}}
}

func applied(section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{
		SectionId: section, Part: pb.SectionPart_SECTION_PART_MID_STRAND,
	}}}
}

func tested(section string, curlLeft float64) *pb.Event {
	return &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{
		SectionId: section, RemainingCurlPercent: curlLeft,
	}}}
}

func feels(comfort pb.Comfort, section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: comfort, SectionId: section}}}
}

// rinsed is water on a section; on the whole head without one.
func rinsed(section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{SectionId: section}}}
}

func rinsedOut() *pb.Event {
	return &pb.Event{Fact: &pb.Event_RinseFinished{RinseFinished: &pb.RinseFinished{}}}
}

func normalizerOn() *pb.Event {
	return &pb.Event{Fact: &pb.Event_NormalizerOn{NormalizerOn: &pb.NormalizerOn{}}}
}

func normalizerOff() *pb.Event {
	return &pb.Event{Fact: &pb.Event_NormalizerOff{NormalizerOff: &pb.NormalizerOff{}}}
}

func lather(number int32, colour pb.IndicatorColour) *pb.Event {
	return &pb.Event{Fact: &pb.Event_Shampoo{Shampoo: &pb.Shampoo{Number: number, Indicator: colour}}}
}

func conditioned() *pb.Event {
	return &pb.Event{Fact: &pb.Event_Conditioned{Conditioned: &pb.Conditioned{}}}
}

func used(product, lot string, grams float64) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ProductUsed{ProductUsed: &pb.ProductUsed{
		Product: product, LotCode: lot, Grams: proto.Float64(grams),
	}}}
}

func scalpUnchanged() *pb.Event {
	return &pb.Event{Fact: &pb.Event_ScalpChecked{ScalpChecked: &pb.ScalpChecked{Changed: false}}}
}
