package demo

import (
	"math/rand/v2"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// playBefore plays the client's visit before the month, by the salon's supervisor,
// as a till does that was offline: all its facts are sent together at the end. It
// puts the client on record. A few large calls instead of many small ones keep the
// month short, since what is looked at is the visit after this one. The supervisor
// does it, because a student would need a signature and the licence of the others
// does not matter here.
func (v *visit) playBefore(wait func(time.Time)) {
	v.wait = wait
	by := v.by.salon.supervisor
	v.meet(by)
	then := *v.truth
	then.relaxed, then.newHair = v.before.at.AddDate(0, 0, -75), 20
	then.washed = v.before.at.Add(-5 * 24 * time.Hour)
	card := then.consultationOf(pb.ServiceKind_SERVICE_KIND_RETOUCH, v.product, v.by.salon.name, by, v.clock.Now())
	stored := v.draft(&pb.Client{Name: v.client}, card, by)
	v.submit(stored, by)
	decision := v.check(&pb.Client{Name: v.client}, stored, &pb.CheckEligibilityRequest{
		ServiceKind: pb.ServiceKind_SERVICE_KIND_RETOUCH, Product: v.product, LotCode: v.lot, Practitioner: by.name, Salon: v.by.salon.name,
	}, by)
	v.expect(!contract.AtLeast(decision.GetVerdict(), pb.Verdict_VERDICT_ASK), "the visit before may go ahead, not %s: %v", decision.GetVerdict(), stoppingRules(decision))
	session := call(v.run, by, v.processing.StartSession, &pb.StartSessionRequest{Parent: v.client, Decision: decision.GetName(), RequestId: newID()}).GetSession()

	random := newRandom(v.Seed, uint64(v.at.UnixNano()))
	facts, took := v.factsBefore(decision, session, random)
	for i, fact := range facts {
		fact.EventId, fact.OccurTime = newID(), timestampAfter(v.before.at, took[i])
	}
	v.wait(v.before.at.Add(minutesOf(took[len(took)-1] + 1)))
	call(v.run, by, v.processing.RecordEvents, &pb.RecordEventsRequest{Name: session.GetName(), Events: facts, SendTime: v.now(), RequestId: newID()})
	outcome := &pb.Outcome{Session: session.GetName(), Completed: !v.before.splash, ScalpChanged: no}
	if v.before.splash {
		outcome.BrokenOffReason = "Product in an eye."
	}
	call(v.run, by, v.outcome.RecordOutcome, &pb.RecordOutcomeRequest{Parent: v.client, Outcome: outcome, RequestId: newID()})
}

// factsBefore are the facts of that visit with their minutes since it began, in any order:
// the server sorts them. Nothing is wrong in it, unless product came into an eye: prepared,
// applied and tested as planned, rinsed at the planned time, and neutralized.
func (v *visit) factsBefore(decision *pb.Decision, session *pb.Session, random *rand.Rand) (facts []*pb.Event, took []float64) {
	note := func(minute float64, what ...*pb.Event) {
		for _, fact := range what {
			facts, took = append(facts, fact), append(took, minute)
		}
	}
	note(1, consentConfirmed(), baseApplied(), productConfirmed(v.product, v.lot))
	for _, c := range decision.GetConditions() {
		if c.GetBeforeContact() && c.GetRuleId() != "" {
			note(1, conditionMet(c))
		}
	}
	minute := 2.0
	latest := map[string]*pb.PlannedSection{}
	for _, s := range session.GetPlan().GetSections() {
		latest[s.GetSectionId()] = s
	}
	// The call to the bowl is the earliest of the stage's sections.
	for _, stage := range session.GetPlan().GetStages() {
		call := minute + 60
		for _, id := range stage.GetSectionIds() {
			call = min(call, minute+latest[id].GetLatestRinseMinute())
			note(minute, sectionApplied(id))
			if test := minute + latest[id].GetFirstStrandTestMinute(); test < call {
				note(test, strandTest(id, pb.CurlReading_CURL_READING_PARTLY))
			}
			minute += truePace + random.Float64() - 0.5
		}
		if v.before.splash {
			note(minute, splashed(eye))
			note(minute+0.5, waterOn(eye), waterOn(head), helpCalled(false))
			note(minute+20, helpCalled(true), waterOff(eye), rinseFinished(), scalpUnchanged())
			return facts, took
		}
		minute = call
		note(minute, waterOn(head))
		note(minute+4, rinseFinished(), normalizerOn())
		note(minute+9, normalizerOff())
		note(minute+11, shampooed(1, pb.IndicatorColour_INDICATOR_COLOUR_ALKALI))
		note(minute+13, shampooed(2, pb.IndicatorColour_INDICATOR_COLOUR_CLEAR))
		note(minute+15, shampooed(3, pb.IndicatorColour_INDICATOR_COLOUR_CLEAR))
		minute += 16
	}
	note(minute, scalpUnchanged())
	return facts, took
}
