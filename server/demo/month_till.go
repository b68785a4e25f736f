package demo

import (
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// till is the device of a visit: its clock, its queue, and what it has heard.
type till struct {
	// Facts that are not sent yet.
	queue []*pb.Event
	// The newest time of the server, and the true time at which it was received; the
	// difference to the present stands for the till's monotonic clock.
	heard   *pb.ClockEcho
	heardAt time.Time
	// When it loses the server, and when it has it again; zero: never.
	offlineFrom  time.Time
	offlineUntil time.Time
	// What is on the screen, and its alarms.
	state   *pb.SessionState
	calling map[alarmKey]bool
}

// alarmKey tells alarms apart. Since when an alarm calls is not part of it: an estimate
// moves with each strand test, and a person sees the same alarm.
type alarmKey struct {
	kind    pb.AlarmKind
	section string
	place   pb.Place
}

// tillTime is the time by the till's clock, which may be wrong. Every time that the
// server gets from it is this one.
func (v *visit) tillTime() *timestamppb.Timestamp {
	return timestamppb.New(v.clock.Now().Add(v.by.offset))
}

// hear stores the server's time from an answer. An answer without a time leaves the
// older one in place.
func (v *visit) hear(server *timestamppb.Timestamp) {
	if server != nil {
		v.heard, v.heardAt = &pb.ClockEcho{ServerTime: server, ReceiveTime: v.tillTime()}, v.clock.Now()
	}
}

// echo returns it with the time since; nil for tills that return none. Nothing was
// heard before the first answer.
func (v *visit) echo() *pb.ClockEcho {
	if v.by.noEcho || v.heard == nil {
		return nil
	}
	elapsed := v.clock.Now().Sub(v.heardAt).Milliseconds()
	return &pb.ClockEcho{ServerTime: v.heard.GetServerTime(), ReceiveTime: v.heard.GetReceiveTime(), ElapsedMs: &elapsed}
}

// offline reports whether the till cannot reach the server now. It knows by itself;
// the server does not.
func (v *visit) offline() bool {
	now := v.clock.Now()
	return !v.offlineFrom.IsZero() && now.After(v.offlineFrom) && now.Before(v.offlineUntil)
}

// record takes down what happens now, a tap each. The till sends it at once, or
// when it reaches the server again. Facts of one call are one batch, and carry the
// same time, but they are as many taps. An offline till keeps them in the order in
// which they were tapped.
func (v *visit) record(facts ...*pb.Event) {
	for _, fact := range facts {
		fact.EventId, fact.OccurTime = newID(), v.tillTime()
		if v.firstContact.IsZero() {
			v.tapsBefore++
		} else {
			v.taps++
		}
		if v.tell != nil {
			v.tell(fact)
		}
	}
	v.queue = append(v.queue, facts...)
	if !v.offline() {
		v.send()
	}
}

// send sends what is queued and notes the answer. Every fact must be recorded, however
// late it comes and however wrong its time is: what happened is never refused.
func (v *visit) send() {
	if len(v.queue) == 0 || v.failed() {
		return
	}
	answer := call(v.run, v.by.person, v.processing.RecordEvents, &pb.RecordEventsRequest{
		Name: v.session.GetName(), Events: v.queue, SendTime: v.tillTime(), Echo: v.echo(), RequestId: newID(),
	})
	v.queue = nil
	v.hear(answer.GetServerTime())
	for _, r := range answer.GetResults() {
		v.expect(r.GetStatus() == pb.EventStatus_EVENT_STATUS_RECORDED, "every fact is recorded, not %s %s", r.GetStatus(), r.GetReason())
	}
	v.observe(answer.GetState())
}

// look reads the state, as a glance at the till's screen does. A real till watches
// the session and is told; here the hands look whenever they would have been told,
// which is the same to them and does not depend on how fast a stream is. What is
// queued goes first, so that the state is not older than the facts.
func (v *visit) look() {
	if v.offline() || v.failed() {
		return
	}
	v.send()
	answer := call(v.run, v.by.person, v.processing.GetSession, &pb.GetSessionRequest{Name: v.session.GetName()})
	v.hear(answer.GetServerTime())
	v.observe(answer.GetSession().GetState())
}

// observe counts the alarms that the state raises anew, and notes them and the
// deviations as signs. An alarm that went away and comes again counts again:
// somebody has to read it again. The state comes with every answer, so nothing is
// polled that is known already.
func (v *visit) observe(state *pb.SessionState) {
	if state == nil {
		return
	}
	now := map[alarmKey]bool{}
	for _, a := range state.GetAlarms() {
		key := alarmKey{a.GetKind(), a.GetSectionId(), a.GetPlace()}
		now[key] = true
		if !v.calling[key] {
			v.alarms[a.GetKind()]++
		}
		kind := codeOf(a.GetKind())
		if a.GetKind() == pb.AlarmKind_ALARM_KIND_RINSE_NOW && !v.calling[key] {
			v.causes = append(v.causes, codeOf(a.GetCause()))
		}
		v.sign("alarm", kind)
		v.sign("alarm", kind, codeOf(a.GetCause()))
	}
	v.state, v.calling = state, now
	v.noteDeviations(state.GetDeviations())
}

// noteDeviations keeps the kinds of the deviations so far; later facts may have withdrawn
// some.
func (v *visit) noteDeviations(all []*pb.Deviation) {
	v.deviations = nil
	for _, d := range all {
		v.deviations = append(v.deviations, codeOf(d.GetKind()))
		v.sign("deviation", codeOf(d.GetKind()))
	}
}

// codeOf is the name of an enum value without its prefix, "RINSE_NOW". Signs are
// written with it, so that the table of dangers reads like the contract.
func codeOf(value protoreflect.Enum) string {
	return strings.ToUpper(strings.ReplaceAll(enumLabel(value), " ", "_"))
}
