package demo

import (
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// places that need water
const (
	head = pb.Place_PLACE_HEAD
	eye  = pb.Place_PLACE_EYE_RIGHT
)

// burning ends the processing: it burns, every display shows the alarm at once, and
// the assistant rinses. The display shows it without being asked, because the
// person at the bowl is not the one who heard it.
func (d *run) burning(session *pb.Session) {
	d.page.say("The display at the bowls watches the service.")
	watch := d.watch(session)
	defer watch.cancel()
	watch.waitFor(func(*pb.SessionState) bool { return true })

	d.clock.advance(minute)
	told := d.record(session, comfortCheck(pb.Comfort_COMFORT_BURNING, "crown"))
	d.expect(calls(told, pb.AlarmKind_ALARM_KIND_RINSE_NOW, head), "burning means: rinse now")
	shown := watch.waitFor(func(s *pb.SessionState) bool { return calls(s, pb.AlarmKind_ALARM_KIND_RINSE_NOW, head) })
	d.page.say("The server pushes the alarms to the display, the most urgent first:")
	d.page.printAlarm(first(shown.GetAlarms()))

	d.clock.advance(20 * time.Second)
	water := waterOn(head)
	water.Actor = d.people.teo.name
	state := d.record(session, water)
	d.page.say("Two events at two times, by two people: Amara heard it, Teo rinsed.")
	d.expect(calls(state, pb.AlarmKind_ALARM_KIND_FLUSH, head), "water on a burn counts its minutes")
}

// bowlFails is the minute that must not be missed: the water stops, it burns again,
// and nobody looks at a screen. A second report of burning must raise the alarm
// again although the first was answered, and the server must notice by itself that
// nobody rinses.
func (d *run) bowlFails(session *pb.Session) {
	d.page.say("After almost two minutes the valve of the bowl jams, and the water stops.")
	d.clock.advance(100 * time.Second)
	state := d.record(session, waterOff(head))
	d.expect(calls(state, pb.AlarmKind_ALARM_KIND_WATER_OFF_TOO_SOON, head), "the server calls the water back")
	d.clock.advance(20 * time.Second)
	state = d.record(session, comfortCheck(pb.Comfort_COMFORT_BURNING, "crown"))
	d.expect(calls(state, pb.AlarmKind_ALARM_KIND_RINSE_NOW, head), "burning anew means: rinse now, anew")

	d.page.say("Amara and Teo lead her to the other bowl; it takes more than a minute, and nobody looks at a screen. The server detects it:")
	d.clock.advance(70 * time.Second)
	d.missed()
	state = d.record(session, waterOn(head))
	d.expect(recordDeviation(state, pb.DeviationKind_DEVIATION_KIND_RINSE_AFTER_DISCOMFORT_LATE), "the late water is a deviation")
}

// splash is product in an eye: water, minimum minutes, help and first aid. The
// first aid comes with its source and the local emergency number.
func (d *run) splash(session *pb.Session) {
	d.page.say("As she leans back, product from her hair runs into her right eye.")
	d.clock.advance(minute)
	state := d.record(session, splashed(eye))
	d.expect(calls(state, pb.AlarmKind_ALARM_KIND_RINSE_NOW, eye), "product in an eye means: rinse it now")
	d.clock.advance(15 * time.Second)
	state = d.record(session, waterOn(eye))
	d.expect(calls(state, pb.AlarmKind_ALARM_KIND_FLUSH, eye) && calls(state, pb.AlarmKind_ALARM_KIND_FLUSH, head), "eye and head are both flushed")
	d.clock.advance(20 * time.Second)
	d.record(session, helpCalled(false))

	d.page.say("Teo reads out the server's instructions:")
	aid := call(d, d.people.amara, d.incident.DescribeFirstAid, &pb.DescribeFirstAidRequest{Salon: northQuay, Kind: pb.IncidentKind_INCIDENT_KIND_EYE})
	for _, text := range aid.GetTexts() {
		for i, instruction := range text.GetInstructions() {
			d.page.answer("%d. %s", i+1, instruction)
		}
		d.page.detail("source: %s", text.GetSource())
	}
	d.expect(len(aid.GetTexts()) == 1 && aid.GetEmergencyNumber() != "", "there is first aid for an eye, with a number to call")
}

// untilHelp is a flush that is stopped too soon, resumed, and continued until
// medical help ends it. No alarm ever says that it is enough: only medical help
// does.
func (d *run) untilHelp(session *pb.Session) {
	d.page.say("After four minutes Lindiwe wants to sit up, and they stop to look.")
	d.clock.advance(4*minute - 20*time.Second)
	state := d.record(session, waterOff(eye))
	d.expect(calls(state, pb.AlarmKind_ALARM_KIND_WATER_OFF_TOO_SOON, eye), "four minutes are too few for an eye")
	d.clock.advance(75 * time.Second)
	state = d.record(session, waterOn(eye))
	d.expect(recordDeviation(state, pb.DeviationKind_DEVIATION_KIND_FLUSH_SHORT), "water taken from an eye is a deviation")

	d.clock.advance(12 * minute)
	state = call(d, d.people.amara, d.processing.GetSession, &pb.GetSessionRequest{Name: session.GetName()}).GetSession().GetState()
	d.page.say("%s  Twelve minutes on. The server counts the minutes and does not say that it is enough:", clockTime(state.GetTime()))
	for _, f := range state.GetFlushes() {
		d.page.printFlush(f)
	}
	for _, a := range state.GetAlarms() {
		d.page.printAlarm(a)
	}
	d.expect(calls(state, pb.AlarmKind_ALARM_KIND_FLUSH, eye) && calls(state, pb.AlarmKind_ALARM_KIND_FLUSH, head), "after fifteen minutes the flush goes on")
	d.clock.advance(2 * minute)
	state = d.record(session, helpCalled(true), waterOff(eye), waterOff(head), rinseFinished())
	d.expect(!calls(state, pb.AlarmKind_ALARM_KIND_FLUSH, eye) && !calls(state, pb.AlarmKind_ALARM_KIND_WATER_OFF_TOO_SOON, eye), "medical help ends the flush")
}

// missed waits until the server has recorded that nobody followed its alarm to
// rinse. The server checks every few seconds of real time, while the salon's clock
// stands still. The entry is written by the server, with no till involved.
func (d *run) missed() {
	for began := time.Now(); !d.failed() && time.Since(began) < callTimeout; {
		if entries := d.entries(d.people.supervisor, `kind = "ALARM"`); len(entries) > 0 {
			d.page.printEntry(entries[0])
			return
		}
		select {
		case <-d.ctx.Done():
		case <-time.After(callTimeout / 40):
		}
	}
	d.expect(false, "a missed call to rinse is on the audit log")
}

// calls reports whether a state has an alarm for an act at a place. Two places can
// call at the same time.
func calls(s *pb.SessionState, kind pb.AlarmKind, place pb.Place) bool {
	return slices.ContainsFunc(s.GetAlarms(), func(a *pb.Alarm) bool { return a.GetKind() == kind && a.GetPlace() == place })
}

// first returns the most urgent alarm. Alarms arrive in the order of urgency; a
// small screen shows the first.
func first(alarms []*pb.Alarm) *pb.Alarm {
	if len(alarms) == 0 {
		return nil
	}
	return alarms[0]
}

// recordDeviation reports whether a state has a deviation of a kind. A deviation is
// recorded and never refused.
func recordDeviation(s *pb.SessionState, kind pb.DeviationKind) bool {
	return slices.ContainsFunc(s.GetDeviations(), func(v *pb.Deviation) bool { return v.GetKind() == kind })
}
