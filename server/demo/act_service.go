package demo

import (
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
	d.perform(session, processing())
	d.discomfort(session)
	d.neutralize(session)
	d.conclude(session)
}

// step is a line of the service: how long after the line before, and what then
// happened. The board is the whole head, shown where a reader wants it.
type step struct {
	after time.Duration
	fact  *pb.Event
	board bool
}

// How long after the line before.
const (
	atOnce = 0
	minute = time.Minute
)

func preparing() []step {
	return []step{
		{after: atOnce, fact: consents()},
		{after: minute, fact: used(base, "", 20)},
		{after: 2 * minute, fact: based()},
		{after: minute, fact: used(regular, regularLot, 90)},
	}
}

// processing is what was done and seen while the relaxer was on. The front
// resists: nobody knew that before. A telephone call keeps Amara from
// back-right, which comes to the water two minutes late.
func processing() []step {
	return []step{
		{after: minute, fact: applied("back-left")},
		{after: 3 * minute, fact: tested("back-left", 92)},
		{after: atOnce, fact: applied("back-right")},
		{after: 3 * minute, fact: tested("back-left", 71)},
		{after: atOnce, fact: tested("back-right", 91)},
		{after: atOnce, fact: applied("front"), board: true},
		{after: 3 * minute, fact: tested("back-left", 46)},
		{after: atOnce, fact: tested("back-right", 70)},
		{after: atOnce, fact: tested("front", 97)},
		{after: atOnce, fact: applied("hairline"), board: true},
		{after: 2 * minute, fact: tested("back-left", 31)},
		{after: minute, fact: rinsed("back-left")},
		{after: atOnce, fact: tested("back-right", 45)},
		{after: atOnce, fact: tested("front", 92)},
		{after: atOnce, fact: tested("hairline", 84)},
		{after: 2 * minute, fact: tested("back-right", 33), board: true},
		{after: minute, fact: tested("front", 85)},
		{after: atOnce, fact: tested("hairline", 55)},
		{after: 2 * minute, fact: rinsed("back-right")},
		{after: atOnce, fact: tested("hairline", 38)},
		{after: minute, fact: rinsed("hairline")},
		{after: atOnce, fact: tested("front", 70)},
		{after: 2 * minute, fact: tested("front", 55), board: true},
	}
}

// perform records the steps as they happen and writes what the server says.
func (d *day) perform(session *pb.Session, steps []step) {
	for _, s := range steps {
		d.clock.advance(s.after)
		state := d.record(session, s.fact).GetState()
		if s.board {
			d.page.say("The board shows the whole head:")
			d.board(state)
		}
	}
}

// record sends one fact, writes it down and what it brought to light.
func (d *day) record(session *pb.Session, fact *pb.Event) *pb.RecordEventsResponse {
	fact.EventId, fact.OccurTime = newID(), d.now()
	d.page.say("%s  %s", hour(fact.GetOccurTime()), doing(fact))
	answer := call(d, d.cast.amara, d.processing.RecordEvents, &pb.RecordEventsRequest{
		Name: session.GetName(), Events: []*pb.Event{fact}, SendTime: d.now(), RequestId: newID(),
	})
	for _, r := range answer.GetResults() {
		d.expect(r.GetStatus() == pb.EventStatus_EVENT_STATUS_RECORDED, "every fact is recorded, not %s %s", r.GetStatus(), r.GetReason())
	}
	d.guidance(answer, subject(fact))
	return answer
}
