package demo

import (
	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/types/known/fieldmaskpb"
)

// questions is an incomplete consultation: the server names what is missing, and
// after the answers the service may go ahead. "Not answered" is not "no": a rule
// that waits for an answer becomes an open question, with the worst that the answer
// could bring. Only unanswered fields that still matter are asked.
func (d *run) questions() *pb.Decision {
	d.page.act("Lindiwe: what was not asked is not taken for a no")
	d.page.say("Lindiwe's hair has never been relaxed. The telephone rings twice, and Amara leaves three fields of the consultation empty.")
	d.clock.advance(20 * minute)
	lindiwe := d.createClient("Lindiwe", d.people.amara)
	card := healthyConsultation(northQuay, d.people.amara, d.clock.Now())
	card.Tests.Incompatibility = pb.IncompatibilityReading_INCOMPATIBILITY_READING_UNSPECIFIED
	card.History.BadReaction = pb.Answer_ANSWER_UNSPECIFIED
	card.Scalp.Scratched = nil
	draft := d.draft(lindiwe, card, d.people.amara)
	asked := d.check(lindiwe, draft, virginRequest(regular, regularLot), d.people.amara)
	d.page.printDecision(asked)
	d.expect(asked.GetVerdict() == pb.Verdict_VERDICT_ASK, "missing answers are asked for, not %s", asked.GetVerdict())
	d.expect(len(asked.GetOpenQuestions()) == 3, "exactly the three missing answers are asked for, not %d", len(asked.GetOpenQuestions()))

	d.page.say("Amara asks, does the test for metal salts on a clipped strand, completes the card and submits it. It can no longer be changed.")
	d.clock.advance(35 * minute)
	draft = d.complete(draft)
	d.submit(draft, d.people.amara)
	decision := d.check(lindiwe, draft, virginRequest(regular, regularLot), d.people.amara)
	d.page.printDecision(decision)
	d.page.printConditions(decision, nil)
	d.page.printPlan(decision.GetPlan())
	d.expect(decision.GetVerdict() == pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, "a sound head may be relaxed under conditions, not %s", decision.GetVerdict())
	d.expect(len(decision.GetConditions()) > 0 && len(decision.GetPlan().GetSections()) == 3, "there are conditions and a plan for three sections")
	d.expect(len(decision.GetOpenQuestions()) == 0, "nothing that could matter is left to ask")
	return decision
}

// complete adds the missing answers. The mask replaces whole parts of the
// consultation. Single answers can also be given by their path.
func (d *run) complete(draft *pb.Consultation) *pb.Consultation {
	full := healthyConsultation(northQuay, d.people.amara, d.clock.Now())
	full.Name, full.Etag = draft.GetName(), draft.GetEtag()
	return call(d, d.people.amara, d.consultation.UpdateConsultation, &pb.UpdateConsultationRequest{
		Consultation: full,
		UpdateMask:   &fieldmaskpb.FieldMask{Paths: []string{"scalp", "tests", "history", "consent"}},
		RequestId:    newID(),
	}).GetConsultation()
}
