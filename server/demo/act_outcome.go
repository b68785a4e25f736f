package demo

import (
	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/proto"
)

// outcomeOf is what Amara judges when all is done; times, lots and deviations
// are not hers to write: the server takes them from the facts.
func outcomeOf(session *pb.Session) *pb.RecordOutcomeRequest {
	judged := func(section string, percent float64) *pb.SectionOutcome {
		return &pb.SectionOutcome{
			SectionId: section, StraighteningPercent: proto.Float64(percent),
			Condition: pb.HairCondition_HAIR_CONDITION_SOUND, Breakage: no,
		}
	}
	return &pb.RecordOutcomeRequest{
		Parent: parent(session.GetName(), 2),
		Outcome: &pb.Outcome{
			Session: session.GetName(), Completed: true, ScalpChanged: no,
			Sections: []*pb.SectionOutcome{
				judged("back-left", 72), judged("back-right", 79), judged("front", 65), judged("hairline", 69),
			},
			Comments:       "The front resists. A tingling at the front, gone with the water.",
			HomeCareAdvice: []string{"No shampoo with sulfates for two weeks.", "Moisturise the ends twice a week; no tight styles."},
		},
		RequestId: newID(),
	}
}

// conclude records the outcome and shows the card the next visit starts from.
func (d *day) conclude(session *pb.Session) {
	d.page.say("Now the service can be closed.")
	outcome := call(d, d.cast.amara, d.outcome.RecordOutcome, outcomeOf(session)).GetOutcome()
	d.page.answer("recorded: completed %t, most resistant section %s", outcome.GetCompleted(), outcome.GetMostResistantSection())
	d.page.answer("next retouch not before %s: %s", date(outcome.GetNextRetouchTime()), outcome.GetNextRetouchReason())
	d.expect(outcome.GetMostResistantSection() == "front", "the front is found to resist, not %q", outcome.GetMostResistantSection())
	d.expect(departed(outcome.GetDeviations(), pb.DeviationKind_DEVIATION_KIND_RINSED_LATE), "the late rinse is on the outcome")

	d.page.act("Lindiwe's record card")
	card := d.card(outcome.GetSession())
	d.page.tellCard(card)
	d.expect(len(card.GetVisits()) == 1 && len(card.GetRates()) > 0, "the card has one visit and what it taught")
}

// card reads the record card of the client of a session.
func (d *day) card(session string) *pb.RecordCard {
	return call(d, d.cast.amara, d.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: parent(session, 2)}).GetRecordCard()
}
