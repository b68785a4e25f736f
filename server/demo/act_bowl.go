package demo

import (
	"context"
	"errors"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// discomfort ends the processing: the client feels a tingling, everybody who
// watches is told at once, and the assistant rinses.
func (d *day) discomfort(session *pb.Session) {
	d.page.say("The display at the bowls watches the service.")
	watch := d.watch(session)
	defer watch.leave()
	watch.until(func(*pb.SessionState) bool { return true })

	d.clock.advance(minute)
	told := d.record(session, at(atOnce, feels(pb.Comfort_COMFORT_TINGLING, "front")))
	d.expect(hasAlarm(told.GetState(), pb.AlarmKind_ALARM_KIND_RINSE_NOW), "a tingling means: rinse now")
	shown := watch.until(func(s *pb.SessionState) bool { return hasAlarm(s, pb.AlarmKind_ALARM_KIND_RINSE_NOW) })
	d.page.say("The display at the bowls shows, without having asked:")
	for _, a := range shown.GetAlarms() {
		if a.GetKind() == pb.AlarmKind_ALARM_KIND_RINSE_NOW {
			d.page.tellAlarm(a)
		}
	}
	d.clock.advance(40 * time.Second)
	water := rinsed("")
	water.Actor = d.cast.teo.name
	state := d.record(session, onBoard(atOnce, water)).GetState()
	d.page.answer("discomfort reported at %s, water on front at %s", hour(state.GetDiscomfortTime()), hour(rinsedAt(state, "front")))
	d.page.say("Two facts with two times, by two people: Amara heard it, Teo rinsed.")
	d.expect(!departed(state.GetDeviations(), pb.DeviationKind_DEVIATION_KIND_RINSE_AFTER_DISCOMFORT_LATE), "water within a minute of a complaint is in time")
}

// neutralize goes on until the indicator has shown alkali and then no more. A
// first clear lather alone would prove nothing.
func (d *day) neutralize(session *pb.Session) {
	const pink, clear = pb.IndicatorColour_INDICATOR_COLOUR_ALKALI, pb.IndicatorColour_INDICATOR_COLOUR_CLEAR
	d.perform(session, []step{
		at(5*minute, rinsedOut()),
		at(minute, normalizerOn()),
		at(5*minute, normalizerOff(), used(shampoo, shampooLot, 60)),
		at(2*minute, lather(1, pink)),
		at(3*minute, lather(2, pink)),
	})
	d.page.say("It is late, and Amara tries to close the service as completed.")
	failure := refused(d, d.cast.amara, d.outcome.RecordOutcome, outcomeOf(session), codes.FailedPrecondition)
	d.page.tellError(failure)
	d.perform(session, []step{
		at(3*minute, lather(3, clear)),
		at(3*minute, lather(4, clear)),
		at(2*minute, conditioned()),
		at(5*minute, scalpUnchanged()),
	})
	state := call(d, d.cast.amara, d.processing.GetSession, &pb.GetSessionRequest{Name: session.GetName()}).GetSession().GetState()
	d.expect(state.GetNeutral() && state.GetShampoos() == 4 && state.GetScalpChecked(), "the hair is shown to be neutral and the scalp was looked at")
}

// hasAlarm tells whether a state calls to that act, whatever the section.
func hasAlarm(s *pb.SessionState, kind pb.AlarmKind) bool {
	return slices.ContainsFunc(s.GetAlarms(), func(a *pb.Alarm) bool { return a.GetKind() == kind })
}

// departed tells whether a departure of that kind was found.
func departed(found []*pb.Deviation, kind pb.DeviationKind) bool {
	return slices.ContainsFunc(found, func(v *pb.Deviation) bool { return v.GetKind() == kind })
}

// rinsedAt is when water came on a section.
func rinsedAt(s *pb.SessionState, section string) *timestamppb.Timestamp {
	for _, state := range s.GetSections() {
		if state.GetSectionId() == section {
			return state.GetRinseTime()
		}
	}
	return nil
}

// watching is a display that follows a session.
type watching struct {
	d       *day
	request *pb.WatchSessionRequest
	stream  pb.ProcessingService_WatchSessionClient
	leave   context.CancelFunc
}

// watch opens the stream; the display stands in the salon, so Amara's identity
// serves it.
func (d *day) watch(session *pb.Session) *watching {
	ctx, cancel := context.WithTimeout(d.cast.amara.identify(d.ctx), patience)
	w := &watching{d: d, request: &pb.WatchSessionRequest{Name: session.GetName()}, leave: cancel}
	if d.over() {
		return w
	}
	stream, err := d.processing.WatchSession(ctx, w.request)
	if err != nil {
		d.fail(err)
	}
	w.stream = stream
	return w
}

// until receives messages until one carries a state that is right.
func (w *watching) until(right func(*pb.SessionState) bool) *pb.SessionState {
	for !w.d.over() {
		message, err := w.stream.Recv()
		err = errors.Join(err, w.d.calls.write(pb.ProcessingService_WatchSession_FullMethodName, w.request, message, err))
		if err != nil {
			w.d.fail(err)
			return nil
		}
		if state := message.GetState(); state != nil && right(state) {
			return state
		}
	}
	return nil
}
