package processing

import (
	"context"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/service/timing"
	"alkalog/storage"
)

// Service is the ProcessingService. Its fields are set once, before it serves; it is
// safe for concurrent use.
type Service struct {
	pb.UnimplementedProcessingServiceServer

	DB *storage.DB
	// Now is the reference clock; tests inject theirs.
	Now func() time.Time
	// ServerClock is how far this server's own clock is ahead of the one that Now
	// goes by, and whether that is known. Nil: not compared.
	ServerClock func() (time.Duration, bool)
	// Check says what is not right in a message by the contract's rules.
	Check func(proto.Message) []fault.Violation
	// Notifier wakes watchers. Every change of a session must be told to it after its
	// commit.
	Notifier *Notifier
	// Rules decides again when a service begins.
	Rules *rules.Engine
	// BeatEvery is how often a quiet watch is told that the stream is alive.
	BeatEvery time.Duration
}

// tillBehind is how far a till's clock may lag behind ours. Assumption, as for
// one that runs ahead.
const tillBehind = 5 * time.Minute

// StartSession begins a service that a decision lets go ahead, or records one
// that is under way whatever the decision says. It decides again on the records of
// now: a decision is a snapshot, and licence, directions, lots and the record may
// have changed since. Deviations that the start itself shows, such as a second open
// session, are logged with it.
//
// Errors: INVALID_ARGUMENT for a start time that cannot be and for a request without
// a decision that is not under way; PERMISSION_DENIED for a practitioner that the
// caller may not act for; FAILED_PRECONDITION with the reason for everything that a
// decision does not allow. Under way, only unknown names and malformed requests are
// errors.
func (s Service) StartSession(ctx context.Context, req *pb.StartSessionRequest) (*pb.StartSessionResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Parent, s.Now())
	return storage.Write(ctx, s.DB, record.Chain(audit.Chain), req, func(r *storage.Snapshot) (*pb.StartSessionResponse, storage.Changes, error) {
		client, err := record.Get(r, caller, storage.Clients, req.Parent)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		session, earlier, err := s.newSession(r, caller, req, record.Linked(client), audit.Time)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		changes := storage.Changes{}
		if session.Decision != "" {
			changes, err = s.decideAgain(r, caller, audit, req, earlier, session)
			// A refusal is committed with the new decision and its entry, so it
			// comes back as a change and not as an error.
			if err != nil || changes.Refusal != nil {
				return nil, changes, err
			}
		}
		state, err := record.State(r, session, nil, audit.Time)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		changed, err := record.NoteDeviations(audit, session, state.Deviations, nil, record.NoLegacy)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		// Nobody may be linked with this client meanwhile: neither link nor session would
		// know of the other.
		changes.Records = append(changes.Records, storage.Clients.Unchanged(client), storage.Sessions.Insert(session))
		if changes.Open, err = record.StillOpen(r, client.LinkedClients); err != nil {
			return nil, storage.Changes{}, err
		}
		changes.Entries = append(changes.Entries, changed.Entries(audit, session, nil)...)
		answer := &pb.StartSessionResponse{Session: proto.CloneOf(session)}
		s.sayServerClock(state)
		answer.Session.State = forRevision(ctx, state)
		answer.TimeSheet, err = timeSheet(r, caller, session)
		return answer, changes, err
	})
}

// newSession makes the session that is asked for, and returns the decision it names; nil
// when there is none. The checks go from what the caller may see to what the records
// allow: a caller who may not see the client learns nothing of its decisions.
func (s Service) newSession(r *storage.Snapshot, caller actor.Actor, req *pb.StartSessionRequest, clients []string, now time.Time) (*pb.Session, *pb.Decision, error) {
	session := &pb.Session{
		Name:       req.Parent + "/sessions/" + storage.NewID(),
		CreateTime: timestamppb.New(now),
		UpdateTime: timestamppb.New(now),

		GuidanceRevision: timing.Revision,
	}
	if err := startClocks(session, req, caller.Name, now); err != nil {
		return nil, nil, err
	}
	var decision *pb.Decision
	var err error
	if req.Decision == "" {
		err = startWithoutDecision(r, caller, req, session)
	} else {
		decision, err = startOnDecision(r, caller, req, session, now)
	}
	if err == nil {
		err = checkNoOtherSession(r, req, clients, session)
	}
	return session, decision, err
}

// startOnDecision fills in a service that is to begin on a decision. A service under way
// that the decision does not allow is recorded without plan and with the decision as
// refused: nobody is guided by what was allowed to somebody else. A decision of another
// client is NOT_FOUND, as if it did not exist.
func startOnDecision(r *storage.Snapshot, caller actor.Actor, req *pb.StartSessionRequest, session *pb.Session, now time.Time) (*pb.Decision, error) {
	decision, err := record.Decision(r, caller, req.Decision)
	if err != nil {
		return nil, err
	}
	if record.Parent(decision.Name) != req.Parent {
		return nil, fault.NotFound(decision.Name)
	}
	session.Salon, session.Practitioner = req.Salon, req.Practitioner
	record.BeginOn(decision, session)
	if err := record.Exist(storage.Salons, session.Salon)(r, caller); err != nil {
		return nil, err
	}
	acting := record.ActingFor("practitioner", session.Practitioner)(r, caller)
	if acting != nil && (!req.UnderWay || fault.Denial(acting) == "") {
		return nil, acting
	}
	if session.NotCountersigned, err = lacksCountersignature(r, caller, decision, session); err != nil {
		return nil, err
	}
	switch objection, err := objection(r, decision, session, now); {
	case err != nil:
		return nil, err
	case objection != nil && !req.UnderWay:
		return nil, objection
	case objection != nil, acting != nil: // nobody begins on what another was allowed
		session.RefusedDecision, session.Plan = decision.Name, nil
	case session.NotCountersigned && !req.UnderWay:
		return nil, fault.Precondition(pb.ErrorReason_ERROR_REASON_NOT_COUNTERSIGNED, decision.Name, "a student's service begins with a supervisor's signature under the decision; it has none")
	default:
		session.Decision = decision.Name
	}
	return decision, nil
}

// checkNoOtherSession refuses to begin while another service is open on the client's head:
// two clocks on one head would each guide by half of the exposure.
// One that is under way is recorded, and names the other.
func checkNoOtherSession(r *storage.Snapshot, req *pb.StartSessionRequest, clients []string, session *pb.Session) error {
	open, err := record.OpenSession(r, clients)
	if err != nil || open == "" {
		return err
	}
	if !req.UnderWay {
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_SESSION_OPEN, open, "a service is open on this client: "+open+"; record its outcome, or let a supervisor close it (CloseSession)").
			Naming("session", open)
	}
	session.OtherSession = open
	return nil
}

// lacksCountersignature reports whether a service is a student's, by the decision if there is
// one or by who does it, and no supervisor has signed.
// Without a decision there is nothing that could be signed, so a student's service
// lacks it.
func lacksCountersignature(r *storage.Snapshot, caller actor.Actor, d *pb.Decision, session *pb.Session) (bool, error) {
	by, err := record.Get(r, caller, storage.Practitioners, session.Practitioner)
	student := by.GetRole() == pb.Role_ROLE_STUDENT || rules.NeedsSignature(d)
	return student && d.GetCountersignature() == nil, err
}

// startWithoutDecision fills in a service that is under way without any decision. Its
// limits are those of the product if one is named, else the most cautious.
func startWithoutDecision(r *storage.Snapshot, caller actor.Actor, req *pb.StartSessionRequest, session *pb.Session) error {
	switch {
	case !req.UnderWay:
		return fault.Invalid("decision", "must be a decision that lets the service go ahead; it may be left out only for a service that is under way")
	case req.Salon == "":
		return fault.Invalid("salon", "must be given for a service without a decision")
	case req.Practitioner == "":
		return fault.Invalid("practitioner", "must be given for a service without a decision")
	}
	session.Salon, session.Practitioner, session.Product = req.Salon, req.Practitioner, req.Product
	in := &pb.DecisionInputs{}
	var err error
	if in.Salon, err = record.Get(r, caller, storage.Salons, req.Salon); err != nil {
		return err
	}
	if req.Product != "" {
		if in.Product, err = record.Get(r, caller, storage.Products, req.Product); err != nil {
			return err
		}
	}
	session.ProductKind = in.Product.GetKind()
	session.Limits = timing.Limits(in)
	session.NotCountersigned, err = lacksCountersignature(r, caller, nil, session)
	return err
}

// objection says why a decision does not let a service begin now; nil: it does. The
// verdict that stands after overrides counts, not the first one. A decision is used once,
// because its answers were given for one visit.
func objection(r *storage.Snapshot, d *pb.Decision, session *pb.Session, now time.Time) (*fault.Error, error) {
	switch d.StandingVerdict {
	case pb.Verdict_VERDICT_PROCEED, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS:
	default:
		verdict := strings.ToLower(strings.TrimPrefix(d.StandingVerdict.String(), "VERDICT_"))
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_DECISION_DOES_NOT_ALLOW, d.Name, "the decision stands at "+verdict+"; the service may not begin"), nil
	}
	// Licence, supervision and the law were judged for these and nobody else.
	if session.Practitioner != d.Inputs.GetPractitioner().GetName() || session.Salon != d.Inputs.GetSalon().GetName() {
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_DECISION_FOR_ANOTHER, d.Name, "the decision is for another practitioner or salon; check again for these"), nil
	}
	if d.Inputs.GetConsultation().GetState() != pb.ConsultationState_CONSULTATION_STATE_SUBMITTED {
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_CONSULTATION_NOT_SUBMITTED, d.Name, "the decision was made on a draft; submit the consultation and check again"), nil
	}
	if age := now.Sub(d.CreateTime.AsTime()); age > rules.DecisionHolds {
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_DECISION_TOO_OLD, d.Name, "the decision is older than 24 hours; check again"), nil
	}
	if session.StartTime.AsTime().Before(d.CreateTime.AsTime().Add(-tillBehind)) {
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_BEGUN_BEFORE_DECISION, d.Name, "the service is said to have begun before the decision was made"), nil
	}
	used, _, err := storage.ListSessions(r, storage.SessionFilter{Decision: d.Name}, storage.Page{Size: 1})
	if err != nil {
		return nil, err
	}
	if len(used) > 0 {
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_DECISION_USED, d.Name, "the decision was used for "+used[0].Name+"; check again").Naming("session", used[0].Name), nil
	}
	return nil, nil
}
