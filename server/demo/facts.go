package demo

import (
	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/proto"
)

// The facts of a service, as a till records them; id and time are added when
// they are sent.

// consents is the client's word in the chair, after the one in the consultation.
func consents() *pb.Event {
	return &pb.Event{Fact: &pb.Event_ConsentConfirmed{ConsentConfirmed: &pb.ConsentConfirmed{}}}
}

// based is the protective base on the whole scalp, as the directions ask.
func based() *pb.Event {
	return &pb.Event{Fact: &pb.Event_BaseApplied{BaseApplied: &pb.BaseApplied{WholeScalp: true}}}
}

// applied is the first contact, on the middle of the strand; it starts the
// section's clock.
func applied(section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{
		SectionId: section, Part: pb.SectionPart_SECTION_PART_MID_STRAND,
	}}}
}

// tested is a strand test, read by eye in steps of five percent.
func tested(section string, curlLeft float64) *pb.Event {
	return &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{
		SectionId: section, RemainingCurlPercent: new(curlLeft),
	}}}
}

// feels is what the client says; anything but comfort means water.
func feels(comfort pb.Comfort, section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: comfort, SectionId: section}}}
}

// rinsed is water on a section; on the whole head without one.
func rinsed(section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{SectionId: section}}}
}

// rinsedOut is the end of the rinse: no product is left on the head.
func rinsedOut() *pb.Event {
	return &pb.Event{Fact: &pb.Event_RinseFinished{RinseFinished: &pb.RinseFinished{}}}
}

// normalizerOn and normalizerOff enclose about five minutes (common practice).
func normalizerOn() *pb.Event {
	return &pb.Event{Fact: &pb.Event_NormalizerOn{NormalizerOn: &pb.NormalizerOn{}}}
}

func normalizerOff() *pb.Event {
	return &pb.Event{Fact: &pb.Event_NormalizerOff{NormalizerOff: &pb.NormalizerOff{}}}
}

// lather is one neutralizing shampoo and the colour of its foam.
func lather(number int32, colour pb.IndicatorColour) *pb.Event {
	return &pb.Event{Fact: &pb.Event_Shampoo{Shampoo: &pb.Shampoo{Number: new(number), Indicator: colour}}}
}

// conditioned comes after the last clear lather.
func conditioned() *pb.Event {
	return &pb.Event{Fact: &pb.Event_Conditioned{Conditioned: &pb.Conditioned{}}}
}

// used is a product and its lot, so that a recall finds the head it was on.
func used(product, lot string, grams float64) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ProductUsed{ProductUsed: &pb.ProductUsed{
		Product: product, LotCode: lot, Grams: proto.Float64(grams),
	}}}
}

// scalpUnchanged is a second look at the scalp, which closes the service.
func scalpUnchanged() *pb.Event {
	return &pb.Event{Fact: &pb.Event_ScalpChecked{ScalpChecked: &pb.ScalpChecked{Changed: false}}}
}
