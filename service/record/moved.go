package record

import (
	"errors"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/storage"
)

// A visit that was moved to the right client leaves a copy under the wrong one,
// because nothing on record is taken away. What is shown of the copy is where the
// visit went, and nothing of the person whose visit it was.

// Current follows a session to where its visit was moved; facts and outcomes go
// there. A till that was offline still sends facts under the old name; they
// belong to the person who was in the chair. NOT_FOUND if the caller may not see
// the new one.
func Current(r *storage.Snapshot, caller actor.Actor, session *pb.Session) (*pb.Session, error) {
	for session.MovedTo != "" {
		moved, err := Get(r, caller, storage.Sessions, session.MovedTo)
		if err != nil {
			return nil, err
		}
		session = moved
	}
	return session, nil
}

// CurrentIncident follows an incident to where its visit was moved. A follow-up
// that was due under the wrong client is answered under the right one.
func CurrentIncident(r *storage.Snapshot, caller actor.Actor, incident *pb.Incident) (*pb.Incident, error) {
	for incident.MovedTo != "" {
		moved, err := Get(r, caller, storage.Incidents, incident.MovedTo)
		if err != nil {
			return nil, err
		}
		incident = moved
	}
	return incident, nil
}

// ShownSession is a session as its readers see it. The copy of a moved visit
// keeps its times, its salon, who worked and how it ended; no section, product or
// fact.
func ShownSession(s *pb.Session) *pb.Session {
	if s.GetMovedTo() == "" {
		return s
	}
	return &pb.Session{Name: s.Name, Etag: s.Etag, CreateTime: s.CreateTime, UpdateTime: s.UpdateTime, StartTime: s.StartTime,
		Salon: s.Salon, Practitioner: s.Practitioner, MovedTo: s.MovedTo, Closing: s.Closing}
}

// ShownIncident is an incident as its readers see it. Of a moved one the copy
// keeps where and when it was recorded, not what was seen.
func ShownIncident(i *pb.Incident) *pb.Incident {
	if i.GetMovedTo() == "" {
		return i
	}
	return &pb.Incident{Name: i.Name, Etag: i.Etag, CreateTime: i.CreateTime, UpdateTime: i.UpdateTime, State: i.State,
		Salon: i.Salon, Practitioner: i.Practitioner, MovedTo: i.MovedTo}
}

// ShownOutcome is an outcome as its readers see it. Whether a visit was moved is
// written on its session alone, so this reads it. An outcome without a session is
// shown as it is: it was imported.
func ShownOutcome(r *storage.Snapshot, o *pb.Outcome) (*pb.Outcome, error) {
	session, err := storage.Sessions.GetUnchecked(r, o.Session)
	switch {
	case errors.Is(err, storage.ErrNotFound):
		return o, nil
	case err != nil || session.MovedTo == "":
		return o, err
	}
	return &pb.Outcome{Name: o.Name, CreateTime: o.CreateTime, Session: o.Session}, nil
}
