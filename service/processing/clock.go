package processing

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/service/timing"
)

// oldestStart is how long ago a service may be said to have begun. Our own choice:
// nobody has product on the hair a day later.
const oldestStart = 24 * time.Hour

// startClocks measures the till's clock at the start of a session and sets when it
// was begun. A time that cannot be refuses an intention; of a service that is under
// way it is recorded as the till gave it, with the time of recording in its place.
// The till's own time is kept beside it only where the session counts from another.
func startClocks(session *pb.Session, req *pb.StartSessionRequest, sender string, now time.Time) error {
	session.UnderWay = req.UnderWay
	session.TillClocks = timing.MeasureClock(nil, sender, req.Echo, req.SendTime, now)
	session.Clock = timing.ClockStateOf(session.TillClocks, sender)
	session.StartTime = timestamppb.New(now)
	if req.StartTime == nil {
		return nil
	}
	at := timing.CorrectedTime(session.Clock, req.StartTime.AsTime())
	impossible := at.After(now.Add(tillBehind)) || at.Before(now.Add(-oldestStart))
	if impossible && !req.UnderWay {
		return fault.Invalid("start_time", "must be within the last 24 hours and at most five minutes ahead; it is now "+
			now.UTC().Format(time.RFC3339)+". Leave it out for a service that begins now")
	}
	if !impossible && !at.After(now) {
		session.StartTime = timestamppb.New(at)
	}
	if !session.StartTime.AsTime().Equal(req.StartTime.AsTime()) {
		session.TillStartTime = req.StartTime
	}
	return nil
}

// compareClocks adds what a batch tells of its till's clock, and says when the
// batch's events happened by the server's. The clock is measured before the events are
// timed, so the first batch after a clock was set is timed by the new offset. Earlier
// events keep the correction that they were recorded with.
func compareClocks(session *pb.Session, req *pb.RecordEventsRequest, sender string, old, fresh []*pb.StoredEvent, now time.Time) {
	session.TillClocks = timing.MeasureClock(session.TillClocks, sender, req.Echo, req.SendTime, now)
	if session.Clock != nil { // else begun before clocks were compared
		session.Clock = timing.ClockStateOf(session.TillClocks, sender)
	}
	timing.CorrectTimes(session, old, fresh)
}

// sayServerClock adds what is known of this server's own clock to a state. It changes no
// figure: guidance goes by the reference clock, and people are told when that could not be
// checked.
func (s Service) sayServerClock(state *pb.SessionState) {
	if s.ServerClock == nil {
		return
	}
	if state.Clock == nil {
		state.Clock = &pb.ClockState{}
	}
	offset, known := s.ServerClock()
	if known {
		state.Clock.ServerOffsetMs = new(offset.Milliseconds())
		return
	}
	assumption := "Keep your own eye on the clock: the server's clock could not be checked."
	if state.Clock.Assumption != "" {
		assumption = state.Clock.Assumption + " " + assumption
	}
	state.Clock.Assumption = assumption
}
