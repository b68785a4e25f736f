package demo

import (
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// service is Lindiwe's relaxing on the clock, from the base to the card.
func (d *day) service(decision *pb.Decision) {
	d.page.act("Lindiwe's service on the clock")
	d.clock.advance(10 * time.Minute)
	session := call(d, d.cast.amara, d.processing.StartSession, &pb.StartSessionRequest{
		Parent: parent(decision.GetName(), 2), Decision: decision.GetName(), RequestId: newID(),
	}).GetSession()
	limits := session.GetLimits()
	d.page.answer("begun at %s; limit %.0f min (%s), strand test every %.0f min, %.0f min to the bowl, target %.0f %%, cap %.0f %%",
		hour(session.GetStartTime()), limits.GetHardLimitMinutes(), limits.GetHardLimitBasis(), limits.GetStrandTestMinutes(),
		limits.GetMinutesToBowl(), limits.GetTargetPercent(), limits.GetCapPercent())
	d.perform(session, preparing())
	d.page.say("Amara applies; Teo, who is to rinse, is away for towels when back-right is due.")
	d.perform(session, processing())
	d.discomfort(session)
	d.neutralize(session)
	d.conclude(session)
}

// step is what the till sends at once: how long after the step before, and what
// happened. The board, which shows the whole head, is told where it helps.
type step struct {
	after time.Duration
	facts []*pb.Event
	board bool
}

// at is a step; showing lets the board be told after it.
func at(after time.Duration, facts ...*pb.Event) step { return step{after: after, facts: facts} }

func showing(s step) step { return step{after: s.after, facts: s.facts, board: true} }

const (
	atOnce = 0
	minute = time.Minute
)

func preparing() []step {
	return []step{
		at(atOnce, consents()),
		at(3*minute, used(base, "", 20), based()),
		at(minute, used(regular, regularLot, 90)),
	}
}

// processing is what was done and seen while the relaxer was on. The front
// resists: nobody knew that before. Back-right comes to the water late.
func processing() []step {
	return []step{
		at(minute, applied("back-left")),
		at(3*minute, tested("back-left", 80), applied("back-right")),
		showing(at(3*minute, tested("back-left", 55), tested("back-right", 80), applied("front"))),
		at(3*minute, tested("back-left", 40), tested("back-right", 60), tested("front", 85), applied("hairline")),
		at(2*minute, tested("back-left", 30)),
		showing(at(minute, rinsed("back-left"), tested("back-right", 45), tested("front", 70), tested("hairline", 75))),
		at(2*minute, tested("back-right", 35)),
		at(minute, tested("front", 55), tested("hairline", 50)),
		at(2*minute, tested("hairline", 40)),
		at(minute, tested("front", 45)),
		showing(at(minute, rinsed("hairline"), rinsed("back-right"), tested("front", 40))),
		at(2*minute, tested("front", 35)),
	}
}

// perform sends the steps as they happen and writes what the server says.
func (d *day) perform(session *pb.Session, steps []step) {
	for _, s := range steps {
		d.clock.advance(s.after)
		state := d.record(session, s.facts...).GetState()
		if s.board {
			d.page.say("The board shows the whole head:")
			d.board(state)
		}
	}
}

// record sends facts that happened now, writes them down and what the server
// says to them.
func (d *day) record(session *pb.Session, facts ...*pb.Event) *pb.RecordEventsResponse {
	for _, fact := range facts {
		fact.EventId, fact.OccurTime = newID(), d.now()
		d.page.say("%s  %s", hour(fact.GetOccurTime()), doing(fact))
	}
	answer := call(d, d.cast.amara, d.processing.RecordEvents, &pb.RecordEventsRequest{
		Name: session.GetName(), Events: facts, SendTime: d.now(), RequestId: newID(),
	})
	for _, r := range answer.GetResults() {
		d.expect(r.GetStatus() == pb.EventStatus_EVENT_STATUS_RECORDED, "every fact is recorded, not %s %s", r.GetStatus(), r.GetReason())
	}
	d.guidance(answer, facts)
	return answer
}

// guidance writes what the server says to facts: the clocks of their sections,
// new calls to act, and departures that they brought to light.
func (d *day) guidance(answer *pb.RecordEventsResponse, facts []*pb.Event) {
	touched := map[string]bool{}
	for _, fact := range facts {
		touched[subject(fact)] = true
	}
	for _, s := range answer.GetState().GetSections() {
		if touched[s.GetSectionId()] && s.GetFirstContactTime() != nil {
			d.page.tellClock(s)
		}
	}
	for _, a := range answer.GetState().GetAlarms() {
		key := strings.Join([]string{a.GetKind().String(), a.GetSectionId(), hour(a.GetSinceTime())}, " ")
		if !d.alarmed[key] {
			d.page.tellAlarm(a)
			d.alarmed[key] = true
		}
	}
	for _, v := range answer.GetNewDeviations() {
		d.page.tellDeviation(v)
	}
}
