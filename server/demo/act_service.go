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
	d.page.say("Amara takes the third way of the plan: section by section, each by its own clock. Teo is to rinse, but is away for towels when back-right is due.")
	d.perform(session, processing())
	d.missed()
	d.perform(session, rinsing())
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

// at is a step; onBoard is one after which the board is told.
func at(after time.Duration, facts ...*pb.Event) step { return step{after: after, facts: facts} }

func onBoard(after time.Duration, facts ...*pb.Event) step { return step{after, facts, true} }

// How long after the step before.
const (
	atOnce = 0
	minute = time.Minute
)

// preparing is what comes before the first contact; without the base the server
// would note a deviation.
func preparing() []step {
	return []step{
		at(atOnce, consents()),
		at(3*minute, used(base, baseLot, 20), based()),
		at(minute, used(regular, regularLot, 90)),
	}
}

// processing is what was done and seen while the relaxer was on. The front
// resists: nobody knew that before.
func processing() []step {
	return []step{
		at(minute, applied("back-left")),
		at(3*minute, tested("back-left", 80), applied("back-right")),
		onBoard(3*minute, tested("back-left", 55), tested("back-right", 80), applied("front")),
		at(3*minute, tested("back-left", 40), tested("back-right", 60), tested("front", 85), applied("hairline")),
		at(2*minute, tested("back-left", 30)),
		onBoard(minute, rinsed("back-left"), tested("back-right", 45), tested("front", 70), tested("hairline", 75)),
		at(2*minute, tested("back-right", 35)),
		at(minute, tested("front", 55), tested("hairline", 50)),
		at(2*minute, tested("hairline", 40)),
		at(minute, tested("front", 45)),
	}
}

// rinsing is how back-right comes to the water late; the front stays on.
func rinsing() []step {
	return []step{
		onBoard(minute, rinsed("hairline"), rinsed("back-right"), tested("front", 40)),
		at(2*minute, tested("front", 35)),
	}
}

// missed waits until the server has noticed by itself that nobody followed its
// call to rinse. It looks every few seconds of the machine's time, and the
// salon's clock stands still meanwhile.
func (d *day) missed() {
	d.page.say("Nobody follows the call for a minute, and nobody looks at a screen. The server notices by itself:")
	deadline := time.Now().Add(patience)
	for !d.over() && time.Now().Before(deadline) {
		if entries := d.entries(d.cast.supervisor, `kind = "ALARM"`); len(entries) > 0 {
			d.page.tellEntry(entries[0])
			return
		}
		select {
		case <-d.ctx.Done():
		case <-time.After(patience / 40):
		}
	}
	d.expect(false, "a missed call to rinse is on the audit log")
}

// perform sends the steps as they happen and writes what the server says.
func (d *day) perform(session *pb.Session, steps []step) {
	for _, s := range steps {
		d.clock.advance(s.after)
		d.record(session, s)
	}
}

// record sends facts that happen now, writes them down and what the server says
// to them.
func (d *day) record(session *pb.Session, s step) *pb.RecordEventsResponse {
	for _, fact := range s.facts {
		fact.EventId, fact.OccurTime = newID(), d.now()
		d.page.say("%s  %s", hour(fact.GetOccurTime()), doing(fact))
	}
	answer := call(d, d.cast.amara, d.processing.RecordEvents, &pb.RecordEventsRequest{
		Name: session.GetName(), Events: s.facts, SendTime: d.now(), RequestId: newID(),
		// The till goes by the salon's clock, as the server does, and the network takes no time.
		Echo: &pb.ClockEcho{ServerTime: d.now(), ReceiveTime: d.now()},
	})
	for _, r := range answer.GetResults() {
		d.expect(r.GetStatus() == pb.EventStatus_EVENT_STATUS_RECORDED, "every fact is recorded, not %s %s", r.GetStatus(), r.GetReason())
	}
	d.guidance(answer, s)
	return answer
}

// guidance writes what the server says to facts: the clocks of their sections,
// new calls to act, and departures that they brought to light.
func (d *day) guidance(answer *pb.RecordEventsResponse, s step) {
	touched := map[string]bool{}
	for _, fact := range s.facts {
		touched[subject(fact)] = true
	}
	state := answer.GetState()
	for _, section := range state.GetSections() {
		if (s.board || touched[section.GetSectionId()]) && section.GetFirstContactTime() != nil {
			d.page.tellClock(section)
		}
	}
	for _, a := range state.GetAlarms() {
		key := strings.Join([]string{a.GetKind().String(), a.GetSectionId(), hour(a.GetSinceTime()), a.GetMessage()}, " ")
		if !d.page.told[key] {
			d.page.tellAlarm(a)
			d.page.told[key] = true
		}
	}
	for _, v := range answer.GetNewDeviations() {
		d.page.tellDeviation(v)
	}
	if s.facts[0].GetShampoo() != nil {
		d.page.answer("lathers so far: %d; shown to be neutral: %t", state.GetShampoos(), state.GetNeutral())
	}
}
