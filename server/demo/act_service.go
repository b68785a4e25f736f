package demo

import (
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// service is Lindiwe's timed service, from scanning the jar to the record card. It
// goes wrong half way. The acts of the water and of the outcome follow in files of
// their own. The time sheet is what a till prints so that a service can go on
// without the server.
func (d *run) service(decision *pb.Decision) *pb.Session {
	d.page.act("Lindiwe's service on the clock")
	d.clock.advance(10 * time.Minute)
	started := call(d, d.people.amara, d.processing.StartSession, &pb.StartSessionRequest{
		Parent: parent(decision.GetName(), 2), Decision: decision.GetName(), RequestId: newID(),
	})
	d.noteServerTime(started.GetServerTime())
	session := started.GetSession()
	limits := session.GetLimits()
	d.page.answer("begun at %s; limit %.0f min (%s), strand test every %.0f min, %.0f min to the bowl",
		clockTime(session.GetStartTime()), limits.GetHardLimitMinutes(), limits.GetHardLimitBasis(), limits.GetStrandTestMinutes(), limits.GetMinutesToBowl())
	d.page.say("The till prints a time sheet, in case the server cannot be reached:")
	d.page.printTimeSheet(started.GetTimeSheet())
	d.expect(len(started.GetTimeSheet().GetSections()) == 3 && started.GetTimeSheet().GetEmergencyNumber() != "", "the slip has times for three sections and a number to call")

	d.page.say("Before anything touches the hair, Amara meets the conditions of the decision and scans the jar.")
	d.perform(session, preparing(decision))
	d.perform(session, processing())
	d.page.act("It burns, and the water fails")
	d.burning(session)
	d.bowlFails(session)
	d.splash(session)
	d.untilHelp(session)
	d.page.act("Afterwards: neutral, incidents, the card")
	d.neutralize(session)
	d.incidents(session)
	d.conclude(session)
	return session
}

// step is what the till sends at one time.
type step struct {
	// Time since the previous step.
	after time.Duration
	// What happens then, in one batch.
	facts []*pb.Event
}

// at returns a step. It keeps the scripts below readable as a time line.
func at(after time.Duration, facts ...*pb.Event) step { return step{after, facts} }

// time since the previous step
const (
	atOnce = 0
	minute = time.Minute
)

// preparing lists the steps before the first contact. Without them the server would
// record deviations. Conditions marked "before contact" that are missing at the
// first contact are deviations, and so is a jar that nobody scanned.
func preparing(decision *pb.Decision) []step {
	ready := []*pb.Event{productUsed(base, baseLot, 20), baseApplied()}
	for _, c := range decision.GetConditions() {
		ready = append(ready, conditionMet(c))
	}
	return []step{
		at(atOnce, consentConfirmed()),
		at(3*minute, ready...),
		at(minute, productConfirmed(regular, regularLot), productUsed(regular, regularLot, 90)),
	}
}

// processing lists what was done and seen while the relaxer was on, until it
// burned. The readings are in words, as wet hands note them.
func processing() []step {
	return []step{
		at(minute, sectionApplied("crown")),
		at(3*minute, sectionApplied("nape")),
		at(3*minute, strandTest("crown", pb.CurlReading_CURL_READING_SPRINGS_BACK), sectionApplied("edges")),
		at(3*minute, strandTest("crown", pb.CurlReading_CURL_READING_PARTLY)),
	}
}

// perform sends the steps at their times and prints the answers. The clock moves
// between the steps, so the answers show what time alone has changed.
func (d *run) perform(session *pb.Session, steps []step) {
	for _, s := range steps {
		d.clock.advance(s.after)
		d.record(session, s.facts...)
	}
}

// record sends events that happen now, and prints them and the answer. The echo
// lets the server measure the till's clock. Without it, guidance would have to
// assume the longest exposure that fits.
func (d *run) record(session *pb.Session, facts ...*pb.Event) *pb.SessionState {
	for _, fact := range facts {
		fact.EventId, fact.OccurTime = newID(), d.now()
		d.page.say("%s  %s", clockTime(fact.GetOccurTime()), stepText(fact))
	}
	answer := call(d, d.people.amara, d.processing.RecordEvents, &pb.RecordEventsRequest{
		Name: session.GetName(), Events: facts, SendTime: d.now(), Echo: d.clockEcho(), RequestId: newID(),
	})
	d.noteServerTime(answer.GetServerTime())
	for _, r := range answer.GetResults() {
		d.expect(r.GetStatus() == pb.EventStatus_EVENT_STATUS_RECORDED, "every fact is recorded, not %s %s", r.GetStatus(), r.GetReason())
	}
	d.guidance(answer, facts)
	return answer.GetState()
}

// guidance prints the answer to events: the clocks of their sections, new alarms
// and new deviations. An alarm that was printed is not printed again while it
// stands, as on a screen.
func (d *run) guidance(answer *pb.RecordEventsResponse, facts []*pb.Event) {
	touched := map[string]bool{}
	for _, fact := range facts {
		touched[alarmSubject(fact)] = true
	}
	state := answer.GetState()
	for _, section := range state.GetSections() {
		if touched[section.GetSectionId()] && section.GetFirstContactTime() != nil {
			d.page.printClock(section)
		}
	}
	for _, a := range state.GetAlarms() {
		key := strings.Join([]string{a.GetKind().String(), a.GetSectionId(), clockTime(a.GetSinceTime()), a.GetMessage()}, " ")
		if !d.page.printed[key] {
			d.page.printAlarm(a)
			d.page.printed[key] = true
		}
	}
	for _, v := range answer.GetNewDeviations() {
		d.page.printDeviation(v)
	}
	if facts[0].GetShampoo() != nil {
		d.page.answer("lathers so far: %d; shown to be neutral: %t", state.GetShampoos(), state.GetNeutral())
	}
}
