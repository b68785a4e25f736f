package processing

import (
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/service/timing"
)

// WatchSession sends the state now, then each change. The first message is the
// whole state, also when resuming, so that nothing can be missed. No message is
// ever queued: a watcher that is slow gets the newest state next, one that takes
// nothing at all is let go by the server, and no writer ever waits for either.
//
// The order of the loop matters. The watcher is registered before the first read, and the
// sequence that it has seen is noted before the state is sent: a fact that is committed at
// any moment either is in the state or wakes the next round.
func (s Service) WatchSession(req *pb.WatchSessionRequest, stream pb.ProcessingService_WatchSessionServer) error {
	if _, err := sequenceOf(req.ResumeToken); err != nil {
		return err
	}
	w, leave := s.Notifier.watch(req.Name)
	defer leave()
	beat := time.NewTicker(s.BeatEvery)
	defer beat.Stop()
	var sent *pb.SessionState
	for {
		session, events, err := s.load(stream.Context(), req.Name)
		if err != nil {
			return err
		}
		s.Notifier.saw(w, session.State.Sequence)
		if !sameGuidance(sent, session.State) {
			sent = session.State
			if err := stream.Send(&pb.WatchSessionResponse{
				ResumeToken: token(sent),
				Message:     &pb.WatchSessionResponse_State{State: forRevision(stream.Context(), sent)},
			}); err != nil {
				return err
			}
		}
		if err := s.await(stream, w, session, events, beat.C); err != nil {
			return err
		}
	}
}

// await returns when there may be something new to send: events, or guidance
// that time alone changes. Meanwhile it keeps the stream alive.
// Without a next instant the channel for it is nil, and only news or the end of the
// stream wakes it.
func (s Service) await(stream pb.ProcessingService_WatchSessionServer, w *watcher, session *pb.Session, events []*pb.StoredEvent, beat <-chan time.Time) error {
	var change <-chan time.Time
	if until, ok := timing.NextChange(session, events, session.State); ok {
		timer := time.NewTimer(until.Sub(s.Now()))
		defer timer.Stop()
		change = timer.C
	}
	for {
		select {
		case <-stream.Context().Done():
			return stream.Context().Err()
		case <-w.news:
			return nil
		case <-change:
			return nil
		case <-beat:
			if err := stream.Send(&pb.WatchSessionResponse{
				ResumeToken: token(session.State),
				Message:     &pb.WatchSessionResponse_Heartbeat{Heartbeat: timestamppb.New(s.Now())},
			}); err != nil {
				return err
			}
		}
	}
}

// sameGuidance reports whether a watcher that has seen one state learns nothing
// that matters from the other: figures that only tick on do not count.
func sameGuidance(seen, now *pb.SessionState) bool {
	return seen != nil && proto.Equal(guidance(seen), guidance(now))
}

// guidance is a state without the figures that tick on by themselves. Times stay: an
// instant that was advised does not move while nothing happens.
func guidance(state *pb.SessionState) *pb.SessionState {
	g := proto.CloneOf(state)
	g.Time = nil
	for _, w := range g.Flushes {
		w.FlushedMinutes = nil
	}
	if g.Clock != nil {
		g.Clock.ServerOffsetMs = nil
	}
	for _, section := range g.Sections {
		section.ExposureMinutes = 0
		section.StraighteningPercent, section.MinutesToTarget, section.MinutesToCap = nil, nil, nil
	}
	return g
}

// token is where a watch resumes: behind the events that state rests on. The first message
// after resuming is the whole state, so an old token costs nothing but its size.
func token(state *pb.SessionState) string { return "seq-" + strconv.FormatInt(state.Sequence, 10) }

// sequenceOf reads a token; an empty one begins afresh. A token that is none is
// INVALID_ARGUMENT, because a till that mixes up its tokens should hear of it.
func sequenceOf(token string) (int64, error) {
	if token == "" {
		return 0, nil
	}
	digits, ok := strings.CutPrefix(token, "seq-")
	sequence, err := strconv.ParseInt(digits, 10, 64)
	if !ok || err != nil || sequence < 0 {
		return 0, fault.Invalid("resume_token", "must be the last resume_token received, or empty")
	}
	return sequence, nil
}
