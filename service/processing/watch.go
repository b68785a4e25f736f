package processing

import (
	"strconv"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
)

// Hub tells the watchers on this server that a session has new events. It is a
// hint: what another server recorded is found by looking.
type Hub struct {
	mu       sync.Mutex
	watchers map[string]map[chan struct{}]bool
}

// Signal wakes the watchers of a session. It never waits for one.
func (h *Hub) Signal(session string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for c := range h.watchers[session] {
		select {
		case c <- struct{}{}:
		default: // it has not yet taken the last signal, which will do
		}
	}
}

// watch registers a watcher; leave ends it.
func (h *Hub) watch(session string) (signal <-chan struct{}, leave func()) {
	c := make(chan struct{}, 1)
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.watchers == nil {
		h.watchers = map[string]map[chan struct{}]bool{}
	}
	if h.watchers[session] == nil {
		h.watchers[session] = map[chan struct{}]bool{}
	}
	h.watchers[session][c] = true
	return c, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		delete(h.watchers[session], c)
		if len(h.watchers[session]) == 0 {
			delete(h.watchers, session)
		}
	}
}

const (
	// lookEvery is how often a watcher looks for what another server recorded,
	// and for guidance that time alone has changed.
	lookEvery = time.Second
	// heartbeatEvery keeps a quiet stream alive; the contract promises 20 s.
	heartbeatEvery = 15 * time.Second
)

// WatchSession sends the state now, then each change. The first message is the
// whole state, also when resuming, so that nothing can be missed. A watcher that is too
// slow for one message per look simply gets the newest state next: no message
// is queued, so none can pile up and no writer ever waits.
func (s Service) WatchSession(req *pb.WatchSessionRequest, stream pb.ProcessingService_WatchSessionServer) error {
	if _, err := sequenceOf(req.ResumeToken); err != nil {
		return err
	}
	signal, leave := s.Hub.watch(req.Name)
	defer leave()
	look, beat := time.NewTicker(lookEvery), time.NewTicker(heartbeatEvery)
	defer look.Stop()
	defer beat.Stop()
	var sent *pb.SessionState
	for {
		session, _, err := s.load(stream.Context(), req.Name)
		if err != nil {
			return err
		}
		state := session.State
		if !sameGuidance(sent, state) {
			sent = state
			if err := stream.Send(&pb.WatchSessionResponse{
				ResumeToken: token(state),
				Message:     &pb.WatchSessionResponse_State{State: state},
			}); err != nil {
				return err
			}
		}
		select {
		case <-stream.Context().Done():
			return stream.Context().Err()
		case <-signal:
		case <-look.C:
		case <-beat.C:
			if err := stream.Send(&pb.WatchSessionResponse{
				ResumeToken: token(sent),
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

// guidance is a state without the figures that tick on by themselves.
func guidance(state *pb.SessionState) *pb.SessionState {
	g := proto.CloneOf(state)
	g.Time = nil
	for _, section := range g.Sections {
		section.ExposureMinutes = 0
		section.StraighteningPercent, section.MinutesToTarget, section.MinutesToCap = nil, nil, nil
	}
	return g
}

// token is where a watch resumes: behind the events that state rests on.
func token(state *pb.SessionState) string { return "seq-" + strconv.FormatInt(state.Sequence, 10) }

// sequenceOf reads a token; an empty one begins afresh.
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
