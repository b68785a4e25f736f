package processing

import (
	"context"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// MoveSession puts a visit that was recorded under the wrong client on the right
// client's record: a copy of session, facts, outcome and incidents, in the write
// that sets the old ones aside. Nothing is taken away; the old ones name the new.
// The request is kept with the wrong client's records, so its stored answer is only
// the new name: the session is read by that, and not found once the right client was
// erased.
func (s Service) MoveSession(ctx context.Context, req *pb.MoveSessionRequest) (*pb.MoveSessionResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Name, s.Now())
	answer, err := storage.Write(ctx, s.DB, record.Chain(audit.Chain), req, func(r *storage.Snapshot) (*pb.MoveSessionResponse, storage.Changes, error) {
		stored, err := record.Get(r, caller, storage.Sessions, req.Name)
		if err == nil {
			err = record.All(record.Exist(storage.Clients, req.Client), record.ActingFor("practitioner", req.Practitioner), checkMove(stored, req))(r, caller)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		moved := proto.CloneOf(stored)
		moved.Name = req.Client + "/sessions/" + storage.NewID()
		moved.MovedFrom = stored.Name
		moved.UpdateTime = timestamppb.New(audit.Time)
		// Decision and consultation are on the other client, and stay there.
		moved.Decision, moved.Consultation, moved.RefusedDecision, moved.NewerDecision = "", "", "", ""
		var changes storage.Changes
		if err := copyOutcome(r, stored, moved, &changes); err != nil {
			return nil, storage.Changes{}, err
		}
		if moved.OtherSession, err = otherOpen(r, stored, req.Client); err != nil {
			return nil, storage.Changes{}, err
		}
		insert := storage.Sessions.Insert(moved)
		changes.Records = append([]storage.Record{insert}, changes.Records...)
		if err := copyEvents(r, stored, moved, &changes); err != nil {
			return nil, storage.Changes{}, err
		}
		if err := copyIncidents(r, audit, stored, moved, &changes); err != nil {
			return nil, storage.Changes{}, err
		}
		aside := proto.CloneOf(stored)
		aside.MovedTo = moved.Name
		aside.UpdateTime = timestamppb.New(audit.Time)
		aside.Closing = &pb.SessionClosing{Reason: pb.ClosingReason_CLOSING_REASON_WRONG_CLIENT,
			CloseTime: timestamppb.New(audit.Time), Actor: req.Practitioner, Comment: req.Comment}
		replace := storage.Sessions.Replace(stored, aside)
		changes.Records = append(changes.Records, replace)
		changes.Entries = append(changes.Entries, audit.VisitMoved(aside, req.Practitioner))
		return &pb.MoveSessionResponse{Session: &pb.Session{Name: moved.Name, Salon: moved.Salon}}, changes, nil
	})
	if err != nil {
		return nil, err
	}
	// The stored answer is only the new name; its content is read for each caller
	// anew.
	err = storage.Read(ctx, s.DB, record.Chain(audit.Chain), func(r *storage.Snapshot) (err error) {
		answer.Session, err = record.Get(r, caller, storage.Sessions, answer.Session.Name)
		return err
	})
	if err != nil {
		return nil, err
	}
	return answer, nil
}

// checkMove refuses what is not a mistake, or was mended already, and wants a second
// person: neither the practitioner of the visit nor a caller who is that practitioner can
// take a visit off a client's record.
func checkMove(stored *pb.Session, req *pb.MoveSessionRequest) record.Check {
	return func(_ *storage.Snapshot, caller actor.Actor) error {
		switch {
		case stored.MovedTo != "":
			return fault.Precondition(pb.ErrorReason_ERROR_REASON_VISIT_MOVED, stored.Name, "the visit was moved already, to "+stored.MovedTo).Naming("moved_to", stored.MovedTo)
		case record.Parent(stored.Name) == req.Client:
			return fault.Precondition(pb.ErrorReason_ERROR_REASON_SAME_CLIENT, stored.Name, "the visit is on that client's record already")
		case stored.Practitioner == req.Practitioner, stored.Practitioner == caller.Name:
			return fault.Precondition(pb.ErrorReason_ERROR_REASON_OWN_VISIT, stored.Name, "it takes a second person: nobody moves a visit of their own")
		case strings.TrimSpace(req.Comment) == "":
			return fault.Invalid("comment", "must say in words how it came about")
		}
		return nil
	}
}

// otherOpen returns the session that is open on a client, or on one linked with the
// client, beside a visit that moves there: an open visit can become the second one on the
// same head. The visit itself is not one of them, although the client whom it moves from can be
// linked with the one whom it moves to. It is empty for a closed visit.
func otherOpen(r *storage.Snapshot, moving *pb.Session, client string) (string, error) {
	if moving.Outcome != "" || moving.Closing != nil {
		return "", nil
	}
	clients, err := record.LinkedNames(r, client)
	if err != nil {
		return "", err
	}
	for _, name := range clients {
		if open, err := storage.OpenSessionOf(r, name); err != nil || open != "" && open != moving.Name {
			return open, err
		}
	}
	return "", nil
}

// copyOutcome puts the outcome of a visit beside the moved one, so that the right client's
// card has the visit as it was closed, and the next decision counts it.
func copyOutcome(r *storage.Snapshot, stored, moved *pb.Session, changes *storage.Changes) error {
	if stored.Outcome == "" {
		return nil
	}
	outcome, err := storage.Outcomes.GetUnchecked(r, stored.Outcome)
	if err != nil {
		return err
	}
	outcome = proto.CloneOf(outcome)
	outcome.Name = record.Parent(moved.Name) + "/outcomes/" + storage.NewID()
	outcome.Session = moved.Name
	moved.Outcome = outcome.Name
	changes.Records = append(changes.Records, storage.Outcomes.Insert(outcome))
	return nil
}

// copyEvents puts the facts of a visit beside the moved one, with their ids, times and
// senders, so that a till's repeated event is still known.
func copyEvents(r *storage.Snapshot, stored, moved *pb.Session, changes *storage.Changes) error {
	events, err := storage.Events(r, stored.Name, 0)
	for _, e := range events {
		changes.Records = append(changes.Records, storage.InsertEvent(moved.Name, e))
	}
	return err
}

// copyIncidents puts the incidents of a visit on the right client's record, and
// notes on the old ones where they went.
// Following up goes on with the copies, so nothing is open on the old ones any more.
func copyIncidents(r *storage.Snapshot, audit ledger.EntryContext, stored, moved *pb.Session, changes *storage.Changes) error {
	incidents, err := record.Incidents(r, record.Parent(stored.Name))
	if err != nil {
		return err
	}
	for _, old := range incidents {
		if old.Session != stored.Name {
			continue
		}
		copied := proto.CloneOf(old)
		copied.Name = record.Parent(moved.Name) + "/incidents/" + storage.NewID()
		copied.Session = moved.Name
		aside := proto.CloneOf(old)
		aside.MovedTo, aside.State, aside.FollowUps = copied.Name, pb.IncidentState_INCIDENT_STATE_FOLLOWED_UP, nil
		*changes = changes.With(storage.Changes{
			Records: []storage.Record{storage.Incidents.Insert(copied)},
		}).With(record.ChangeIncident(audit, old, aside))
		changes.Entries = append(changes.Entries, audit.Incident(copied))
	}
	return nil
}
