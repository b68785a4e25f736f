package demo

import (
	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/proto"
)

// Events of a service, as a till records them; ID and time are added when they are
// sent.

// consentConfirmed is consent repeated at the start of the service. A client may
// have changed her mind since the consultation.
func consentConfirmed() *pb.Event {
	return &pb.Event{Fact: &pb.Event_ConsentConfirmed{ConsentConfirmed: &pb.ConsentConfirmed{}}}
}

// baseApplied is protective base on the whole scalp. A base on the hairline only
// would not do where the directions ask for the whole scalp.
func baseApplied() *pb.Event {
	return &pb.Event{Fact: &pb.Event_BaseApplied{BaseApplied: &pb.BaseApplied{WholeScalp: true}}}
}

// sectionApplied is the first contact, on the mid strand; it starts the section's
// clock.
func sectionApplied(section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{
		SectionId: section, Part: pb.SectionPart_SECTION_PART_MID_STRAND,
	}}}
}

// stageApplied is the first contact with the next stage of the plan; it starts the clocks
// of all its sections.
func stageApplied() *pb.Event {
	return &pb.Event{Fact: &pb.Event_StageApplied{StageApplied: &pb.StageApplied{Part: pb.SectionPart_SECTION_PART_MID_STRAND}}}
}

// lathered is several lathers in one fact, noted after the last of them: the indicator
// showed alkali, and then none.
func lathered(lathers int32, normalized bool) *pb.Event {
	return &pb.Event{Fact: &pb.Event_Shampoo{Shampoo: &pb.Shampoo{
		Lathers: &lathers, AfterNormalizer: normalized,
		EarlierIndicator: pb.IndicatorColour_INDICATOR_COLOUR_ALKALI, Indicator: pb.IndicatorColour_INDICATOR_COLOUR_CLEAR,
	}}}
}

// strandTest is a strand test with a reading in words. An empty section means the
// whole head. A percentage is possible too, but wet hands do not measure.
func strandTest(section string, reading pb.CurlReading) *pb.Event {
	return &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{SectionId: section, Reading: reading}}}
}

// comfortCheck is what the client feels; anything but comfortable means rinsing.
func comfortCheck(comfort pb.Comfort, section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: comfort, SectionId: section}}}
}

// waterOn is running water on a place; on the head it is the rinse.
func waterOn(place pb.Place) *pb.Event {
	return &pb.Event{Fact: &pb.Event_WaterOn{WaterOn: &pb.WaterOn{Place: place}}}
}

// waterOff is the end of running water, intended or not. The minutes of water are
// counted between the two.
func waterOff(place pb.Place) *pb.Event {
	return &pb.Event{Fact: &pb.Event_WaterOff{WaterOff: &pb.WaterOff{Place: place}}}
}

// splashed is product on a place where it must not be.
func splashed(place pb.Place) *pb.Event {
	return &pb.Event{Fact: &pb.Event_Splash{Splash: &pb.Splash{Place: place}}}
}

// helpCalled is a call to the emergency number, or medical help ending the flush.
func helpCalled(tookOver bool) *pb.Event {
	return &pb.Event{Fact: &pb.Event_HelpCalled{HelpCalled: &pb.HelpCalled{Kind: pb.HelpKind_HELP_KIND_EMERGENCY, TookOver: tookOver}}}
}

// productConfirmed is the jar scanned before the first contact.
func productConfirmed(product, lot string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ProductConfirmed{ProductConfirmed: &pb.ProductConfirmed{Product: product, LotCode: lot, Scanned: true}}}
}

// conditionMet is a fulfilled condition of the decision. It names the condition by
// rule and subject, as the decision does.
func conditionMet(c *pb.Condition) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ConditionMet{ConditionMet: &pb.ConditionMet{RuleId: c.GetRuleId(), Subject: c.GetSubject()}}}
}

// rinseFinished is the end of the rinse. Water that has come on is not yet product
// that is out.
func rinseFinished() *pb.Event {
	return &pb.Event{Fact: &pb.Event_RinseFinished{RinseFinished: &pb.RinseFinished{}}}
}

// normalizerOn is the normalizer put on after the rinse.
func normalizerOn() *pb.Event {
	return &pb.Event{Fact: &pb.Event_NormalizerOn{NormalizerOn: &pb.NormalizerOn{}}}
}

// normalizerOff is the normalizer rinsed out.
func normalizerOff() *pb.Event {
	return &pb.Event{Fact: &pb.Event_NormalizerOff{NormalizerOff: &pb.NormalizerOff{}}}
}

// shampooed is one neutralizing shampoo and the colour of its foam. The colour is
// what an indicator in the shampoo shows, and pH paper can stand in for it.
func shampooed(number int32, colour pb.IndicatorColour) *pb.Event {
	return &pb.Event{Fact: &pb.Event_Shampoo{Shampoo: &pb.Shampoo{Number: new(number), Indicator: colour}}}
}

// productUsed is a product and its lot, so that a recall finds the clients. Grams
// are optional.
func productUsed(product, lot string, grams float64) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ProductUsed{ProductUsed: &pb.ProductUsed{
		Product: product, LotCode: lot, Grams: proto.Float64(grams),
	}}}
}

// scalpUnchanged is the scalp check at the end of the service. A change is an
// incident.
func scalpUnchanged() *pb.Event {
	return &pb.Event{Fact: &pb.Event_ScalpChecked{ScalpChecked: &pb.ScalpChecked{Changed: false}}}
}
