package demo

import (
	"context"
	"errors"

	pb "alkalog/proto/alkalogv1"
)

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
