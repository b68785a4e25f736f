package demo

import (
	"context"
	"errors"

	pb "alkalog/proto/alkalogv1"
)

// watcher is a display that follows a session.
type watcher struct {
	// Where an error ends the story.
	run *run
	// What was asked, for the JSON form.
	request *pb.WatchSessionRequest
	stream  pb.ProcessingService_WatchSessionClient
	// Ends the stream; a display that is switched off does nothing else.
	cancel context.CancelFunc
}

// watch opens the stream with Amara's identity. The stream ends with the run's
// context, so a failed story leaves nothing behind.
func (d *run) watch(session *pb.Session) *watcher {
	ctx, cancel := context.WithTimeout(d.people.amara.identify(d.ctx), callTimeout)
	w := &watcher{run: d, request: &pb.WatchSessionRequest{Name: session.GetName()}, cancel: cancel}
	if d.failed() {
		return w
	}
	stream, err := d.processing.WatchSession(ctx, w.request)
	if err != nil {
		d.fail(err)
	}
	w.stream = stream
	return w
}

// waitFor receives messages until a state satisfies right. Messages that do not
// satisfy it are read and passed over; a display would draw each.
func (w *watcher) waitFor(right func(*pb.SessionState) bool) *pb.SessionState {
	for !w.run.failed() {
		message, err := w.stream.Recv()
		err = errors.Join(err, w.run.calls.write(pb.ProcessingService_WatchSession_FullMethodName, w.request, message, err))
		if err != nil {
			w.run.fail(err)
			return nil
		}
		if state := message.GetState(); state != nil && right(state) {
			return state
		}
	}
	return nil
}
