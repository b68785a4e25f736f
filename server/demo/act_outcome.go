package demo

import (
	pb "alkalog/proto/alkalogv1"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
)

// neutralize shampoos until the indicator no longer shows alkali. The acid
// normalizer is left out, because nothing acid belongs on a burn. A till that taps
// "completed" too early is refused: the facts, not the tap, say when hair is
// neutral.
func (d *run) neutralize(session *pb.Session) {
	const pink, clear = pb.IndicatorColour_INDICATOR_COLOUR_ALKALI, pb.IndicatorColour_INDICATOR_COLOUR_CLEAR
	d.page.say("The paramedic allows the hair to be washed. No normalizer: it is acid, and nothing acid belongs on a burn.")
	d.perform(session, []step{at(4*minute, productUsed(shampoo, shampooLot, 60)), at(minute, shampooed(1, pink))})
	d.page.say("Teo taps \"completed\", as he does every day.")
	d.page.printError(callRefused(d, d.people.amara, d.outcome.RecordOutcome, outcomeOf(session, true), codes.FailedPrecondition))
	d.perform(session, []step{at(3*minute, shampooed(2, clear)), at(3*minute, shampooed(3, clear)), at(4*minute, scalpUnchanged())})
	state := call(d, d.people.amara, d.processing.GetSession, &pb.GetSessionRequest{Name: session.GetName()}).GetSession().GetState()
	d.page.answer("shown to be neutral by: %s", enumLabel(state.GetNeutralProof()))
	d.expect(state.GetNeutralProof() == pb.NeutralProof_NEUTRAL_PROOF_COLOUR_GONE && state.GetScalpChecked(), "the hair is shown to be neutral and the scalp was looked at")
}

// incidents shows the incidents that the server opened from the events; Amara adds
// what she saw. The server opens incidents from facts, because a salon that has
// just rinsed an eye does not fill in forms. What only a person can see is added
// later; it is never a diagnosis.
func (d *run) incidents(session *pb.Session) {
	d.page.say("Nobody has written an incident report. The server has opened two from the facts, and Amara adds what she saw.")
	seen := map[pb.IncidentKind]*pb.Incident{
		pb.IncidentKind_INCIDENT_KIND_BURN: {Blister: no, Seen: "No redness and no blister at the crown.", Advice: "See a doctor if it hurts or changes.", Referred: no},
		pb.IncidentKind_INCIDENT_KIND_EYE:  {Blister: no, Seen: "Right eye red; went with the paramedic.", Advice: "Eye clinic today.", Referred: yes},
	}
	found := d.incidentsOf(session)
	for _, i := range found {
		more := seen[i.GetKind()]
		more.Name, more.Etag, more.Kind, more.Salon = i.GetName(), i.GetEtag(), i.GetKind(), i.GetSalon()
		told := call(d, d.people.amara, d.incident.UpdateIncident, &pb.UpdateIncidentRequest{
			Incident: more, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"blister", "seen", "advice", "referred"}}, RequestId: newID(),
		}).GetIncident()
		d.page.printIncident(told)
		d.expect(told.GetOrigin() == pb.IncidentOrigin_INCIDENT_ORIGIN_FACTS && len(told.GetFollowUps()) == 2, "the server opened the incident, with two follow-ups")
	}
	d.expect(len(found) == 2, "a burn and an eye are two incidents, not %d", len(found))
}

// incidentsOf reads the incidents of a session's client. They are listed per
// client, since they outlive the session.
func (d *run) incidentsOf(session *pb.Session) []*pb.Incident {
	return call(d, d.people.amara, d.incident.ListIncidents, &pb.ListIncidentsRequest{Parent: parent(session.GetName(), 2)}).GetIncidents()
}

// outcomeOf is Amara's assessment. The server takes times, lots and deviations from
// the events. What the events already say cannot be stated differently here. A
// service that was broken off needs a reason.
func outcomeOf(session *pb.Session, completed bool) *pb.RecordOutcomeRequest {
	outcome := &pb.Outcome{
		Session: session.GetName(), Completed: completed, ScalpChanged: no,
		HomeCareAdvice: []string{"Nothing on the scalp but lukewarm water for a week.", "Burning, blisters or trouble seeing: to a doctor at once."},
	}
	if !completed {
		outcome.BrokenOffReason = "It burned at the crown, and product got into the right eye."
		for _, id := range []string{"crown", "nape", "edges"} {
			outcome.Sections = append(outcome.Sections, &pb.SectionOutcome{SectionId: id, Condition: pb.HairCondition_HAIR_CONDITION_SOUND, Breakage: no})
		}
	}
	return &pb.RecordOutcomeRequest{Parent: parent(session.GetName(), 2), Outcome: outcome, RequestId: newID()}
}

// conclude records the outcome and shows the record card. The summary is what
// somebody reads in a glance before the next visit; the card below it is
// everything.
func (d *run) conclude(session *pb.Session) {
	d.page.say("Amara records the service as stopped early. First the summary of the card, then the whole card:")
	outcome := call(d, d.people.amara, d.outcome.RecordOutcome, outcomeOf(session, false)).GetOutcome()
	card := d.card(outcome.GetSession())
	d.page.printSummary(card.GetSummary())
	d.page.printCard(card)
	d.expect(len(card.GetVisits()) == 1 && len(card.GetRates()) > 0, "the card has one visit and what it taught")
	d.expect(len(card.GetSummary().GetIncidents()) == 2 && len(card.GetSummary().GetTenderSpots()) == 1, "the glance has both incidents and the tender spot")
}

// card reads the record card of a session's client. It is computed from the facts
// at each reading, so later corrections count.
func (d *run) card(session string) *pb.RecordCard {
	return call(d, d.people.amara, d.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: parent(session, 2)}).GetRecordCard()
}
