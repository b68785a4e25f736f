package demo

import (
	pb "alkalog/proto/alkalogv1"

	"google.golang.org/grpc/codes"
)

// student is a service by a student. It may begin only after the supervisor has
// countersigned. The signature is under the decision and not under the service: the
// supervisor has seen scalp, strand and tub before anything begins. A service that
// never touched the hair does not count as chemical work later.
func (d *run) student() {
	d.page.act("Teo is a student: his supervisor signs first")
	d.page.say("Towards noon Teo fills in Maren's consultation himself. Imara is with him, and Teo asks for a decision.")
	d.clock.advance(10 * minute)
	maren := d.createClient("Maren", d.people.teo)
	request := virginRequest(regular, regularLot)
	request.Practitioner, request.Supervisor = d.people.teo.name, d.people.supervisor.name
	decision := d.decide(maren, healthyConsultation(northQuay, d.people.teo, d.clock.Now()), request, d.people.teo)
	d.page.answer("%s, asked for as %s, for %s under %s", enumLabel(decision.GetVerdict()), enumLabel(decision.GetRole()), d.people.teo.displayName, d.people.supervisor.displayName)
	d.expect(decision.GetVerdict() == pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, "a student may do it under conditions, not %s", decision.GetVerdict())

	// Before the signature, even a verdict that lets it go ahead is not enough.
	d.page.say("He tries to begin at once.")
	start := &pb.StartSessionRequest{Parent: maren.GetName(), Decision: decision.GetName(), RequestId: newID()}
	unsigned := callRefused(d, d.people.teo, d.processing.StartSession, start, codes.FailedPrecondition)
	d.page.printError(unsigned)
	d.expect(reasonOf(unsigned) == "NOT_COUNTERSIGNED", "the reason is NOT_COUNTERSIGNED, not %s", reasonOf(unsigned))

	d.page.say("Imara looks at the scalp, the strand and the tub, and countersigns. Now he may begin.")
	d.clock.advance(2 * minute)
	signed := call(d, d.people.supervisor, d.eligibility.CountersignDecision, &pb.CountersignDecisionRequest{
		Name: decision.GetName(), Practitioner: d.people.supervisor.name, RequestId: newID(),
	}).GetDecision()
	d.page.answer("signed by %s at %s", lastSegment(signed.GetCountersignature().GetPractitioner()), formatTime(signed.GetCountersignature().GetCreateTime(), "15:04:05"))
	start.RequestId = newID()
	session := call(d, d.people.teo, d.processing.StartSession, start).GetSession()
	d.page.answer("begun, with %d deviations", len(session.GetState().GetDeviations()))
	d.expect(session.GetDecision() == decision.GetName() && len(session.GetState().GetDeviations()) == 0, "the signed service begins as planned")

	d.page.say("Maren is called away before anything is on her hair, and that is recorded too.")
	call(d, d.people.teo, d.outcome.RecordOutcome, &pb.RecordOutcomeRequest{
		Parent: maren.GetName(), RequestId: newID(),
		Outcome: &pb.Outcome{Session: session.GetName(), BrokenOffReason: "The client was called away before the first contact.", ScalpChanged: no},
	})
}
