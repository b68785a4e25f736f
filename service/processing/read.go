package processing

import (
	"context"
	"strconv"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/storage"
)

// mostEventBytes is how much of a GetSession answer events may take; a client receives
// 4 MiB at once unless it is told otherwise. What does not fit is on the pages of
// ListEvents. Our own choice: it leaves room for the session.
const mostEventBytes = 3 << 20

// GetSession returns a session with its state now.
func (s Service) GetSession(ctx context.Context, req *pb.GetSessionRequest) (*pb.GetSessionResponse, error) {
	session, events, err := s.load(ctx, req.Name)
	if err != nil {
		return nil, err
	}
	session.State = forRevision(ctx, session.State)
	answer := &pb.GetSessionResponse{Session: session}
	if req.WithEvents {
		n := fitting(events, mostEventBytes)
		if answer.Events = events[:n]; n < len(events) {
			answer.EventsPageToken = eventsToken(req.Name, events[n-1])
		}
	}
	return answer, nil
}

// fitting returns how many of the first events take up to so many bytes, at least one if
// there is any.
func fitting(events []*pb.StoredEvent, most int) int {
	bytes := 0
	for n, e := range events {
		if bytes += proto.Size(e); bytes > most && n > 0 {
			return n
		}
	}
	return len(events)
}

// eventsToken is the token of the page after an event of a session. It does not depend on
// the view, so GetSession and ListEvents can go on from each other.
func eventsToken(session string, last *pb.StoredEvent) string {
	return storage.PageToken("events of "+session, strconv.FormatInt(last.Sequence, 10))
}

// ListEvents lists the events of a session in the order of recording. A page begins after
// a sequence, so events that arrive meanwhile shift nothing and come last. Errors:
// NOT_FOUND for the session, INVALID_ARGUMENT for a token of another list.
func (s Service) ListEvents(ctx context.Context, req *pb.ListEventsRequest) (*pb.ListEventsResponse, error) {
	caller := actor.From(ctx)
	page := storage.Page{Size: req.PageSize, Token: req.PageToken}
	key, err := page.After("events of " + req.Parent)
	if err != nil {
		return nil, err
	}
	after, _ := strconv.ParseInt(key, 10, 64) // empty on the first page
	var events []*pb.StoredEvent
	err = storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) error {
		session, err := record.Get(r, caller, storage.Sessions, req.Parent)
		if err != nil || session.MovedTo != "" {
			return err // of a moved visit nothing is shown here
		}
		events, err = storage.EventsPage(r, req.Parent, after, page.Limit()+1)
		return err
	})
	if err != nil {
		return nil, err
	}
	if req.View != pb.RecordView_RECORD_VIEW_FULL {
		for _, e := range events {
			e.Guidance = nil
		}
	}
	answer := &pb.ListEventsResponse{}
	n := min(fitting(events, storage.MaxPageBytes), page.Limit())
	if answer.Events = events[:min(n, len(events))]; n < len(events) {
		answer.NextPageToken = eventsToken(req.Parent, events[n-1])
	}
	return answer, nil
}

// load reads a session, with its state now, and its events from one snapshot. One that was
// moved is shown without its content: it is about another person.
func (s Service) load(ctx context.Context, name string) (session *pb.Session, events []*pb.StoredEvent, err error) {
	caller := actor.From(ctx)
	err = storage.Read(ctx, s.DB, record.Chain(name), func(r *storage.Snapshot) (err error) {
		if session, err = record.Get(r, caller, storage.Sessions, name); err != nil {
			return err
		}
		if session.MovedTo != "" {
			session = record.ShownSession(session)
			return nil
		}
		if events, err = storage.Events(r, name, 0); err != nil {
			return err
		}
		if session.State, err = record.State(r, session, events, s.Now()); err != nil {
			return err
		}
		s.sayServerClock(session.State)
		return nil
	})
	return session, events, err
}
