package processing

import (
	"context"
	"errors"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

const (
	// silentFor is how long a session can be without events before the server closes
	// it as left open. Our own choice: nobody has product on the hair a day later.
	silentFor = 24 * time.Hour
	// closedAtOnce is how many sessions of a chain one sweep closes at most.
	closedAtOnce = 100
)

// CloseSession closes a session that nobody closed, without an outcome, so that another
// can begin on the client. Facts and the outcome can still be recorded afterwards: what
// happened does not end with the record of it. It is a deviation, and only a supervisor or
// a manager of the session's salon may do it. Calls for water go on after it.
func (s Service) CloseSession(ctx context.Context, req *pb.CloseSessionRequest) (*pb.CloseSessionResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Name, s.Now())
	answer, err := storage.Write(ctx, s.DB, record.Chain(audit.Chain), req, func(r *storage.Snapshot) (*pb.CloseSessionResponse, storage.Changes, error) {
		session, err := record.Get(r, caller, storage.Sessions, req.Name)
		if err == nil {
			err = record.ActingFor("practitioner", req.Practitioner)(r, caller)
		}
		if err == nil {
			err = checkClose(r, caller, session, req.Practitioner)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		closed, changes, err := closeLeftOpen(r, audit, session, &pb.SessionClosing{Actor: req.Practitioner, Comment: req.Comment})
		if closed != nil {
			closed.State = forRevision(ctx, closed.State)
		}
		return &pb.CloseSessionResponse{Session: closed}, changes, err
	})
	if err == nil {
		s.Notifier.Changed(req.Name)
	}
	return answer, err
}

// checkClose returns an error if a practitioner may not close a session. The role comes
// from the directory and not from the caller's certificate, because a till may speak for
// the supervisor.
func checkClose(r *storage.Snapshot, caller actor.Actor, session *pb.Session, practitioner string) error {
	by, err := record.Get(r, caller, storage.Practitioners, practitioner)
	switch {
	case err != nil:
		return err
	case session.Outcome != "":
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_SESSION_CLOSED, session.Name, "the session has an outcome already: "+session.Outcome).Naming("outcome", session.Outcome)
	case session.Closing != nil:
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_SESSION_CLOSED, session.Name, "the session was closed already, without an outcome")
	case by.Role != pb.Role_ROLE_SUPERVISOR && by.Role != pb.Role_ROLE_MANAGER:
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_NOT_A_SUPERVISOR, session.Name, "practitioner: the directory must know them as a supervisor or manager")
	case len(by.Salons) > 0 && !slices.Contains(by.Salons, session.Salon):
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_SUPERVISOR_OF_ANOTHER_SALON, session.Name, "practitioner: must work in the session's salon, "+session.Salon).Naming("salon", session.Salon)
	}
	return nil
}

// closeLeftOpen closes a session as left open, which is a deviation. Deviations that time
// had brought about and nobody had logged are logged with it, because a closed session is
// looked at for a short time only.
// The closing is set before the facts are folded, so that the state shows it among
// the deviations.
func closeLeftOpen(r *storage.Snapshot, audit ledger.EntryContext, session *pb.Session, closing *pb.SessionClosing) (*pb.Session, storage.Changes, error) {
	events, err := storage.Events(r, session.Name, 0)
	if err != nil {
		return nil, storage.Changes{}, err
	}
	closing.Reason, closing.CloseTime = pb.ClosingReason_CLOSING_REASON_LEFT_OPEN, timestamppb.New(audit.Time)
	closed := proto.CloneOf(session)
	closed.Closing, closed.UpdateTime = closing, timestamppb.New(audit.Time)
	after, err := record.State(r, closed, events, audit.Time)
	if err != nil {
		return nil, storage.Changes{}, err
	}
	changed, err := record.NoteDeviations(audit, closed, after.Deviations, nil, loggedBefore(r, session, events))
	if err != nil {
		return nil, storage.Changes{}, err
	}
	records := []storage.Record{storage.Sessions.Replace(session, closed)}
	changes := storage.Changes{Records: records, Entries: changed.Entries(audit, closed, events)}
	answer := proto.CloneOf(closed)
	answer.State = after
	return answer, changes, nil
}

// closeSilent closes the sessions of a chain that have had no events for a day. One
// that cannot be closed does not keep it from the others. A sweep closes a bounded number,
// so that a chain that comes back after a long outage does not hold up its alarms.
func (s Service) closeSilent(ctx context.Context, chain string, now time.Time) error {
	var silent []*pb.Session
	err := storage.Read(ctx, s.DB, record.Chain(chain), func(r *storage.Snapshot) (err error) {
		silent, err = storage.SilentSessions(r, now.Add(-silentFor), closedAtOnce)
		return err
	})
	for _, session := range silent {
		err = errors.Join(err, s.closeOne(ctx, session.Name, now))
	}
	return err
}

// errNotSilent keeps the server's request id from being used up.
// The id is made from the session's name: a stored answer would keep a later sweep
// from closing the same session.
var errNotSilent = errors.New("processing: the session is not silent any more")

// closeOne closes a session as the server's own act, if it is still open and silent. That
// is checked again inside the write, because facts may have come since the list was read.
func (s Service) closeOne(ctx context.Context, name string, now time.Time) error {
	req := &pb.CloseSessionRequest{Name: name, RequestId: record.OwnRequest("close " + name)}
	audit := record.EntryContext(actor.Server(), req, name, now)
	_, err := storage.Write(ctx, s.DB, record.Chain(name), req, func(r *storage.Snapshot) (*pb.CloseSessionResponse, storage.Changes, error) {
		session, err := storage.Sessions.GetUnchecked(r, name)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		if session.Outcome != "" || session.Closing != nil || session.UpdateTime.AsTime().After(now.Add(-silentFor)) {
			return nil, storage.Changes{}, errNotSilent
		}
		closed, changes, err := closeLeftOpen(r, audit, session, &pb.SessionClosing{})
		return &pb.CloseSessionResponse{Session: closed}, changes, err
	})
	if errors.Is(err, errNotSilent) {
		return nil // somebody was faster
	}
	return err
}
