package processing

import (
	"fmt"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/service/timing"
	"alkalog/storage"
)

// decideAgain decides again, on the records of now, what a service is to begin on.
// Where that is the same or milder, the service begins on the earlier decision, if
// those records do not change before it is committed. Where it is stricter, or a
// product has another composition, the new decision is stored with its audit entry
// and the request is refused; a service that is under way is recorded with it.
func (s Service) decideAgain(r *storage.Snapshot, caller actor.Actor, audit ledger.EntryContext, req *pb.StartSessionRequest, earlier *pb.Decision, session *pb.Session) (storage.Changes, error) {
	again, err := record.DecideAgain(r, caller, s.Rules, earlier, audit.Time)
	if err != nil {
		return storage.Changes{}, err
	}
	if len(again.Changes) == 0 {
		return storage.Changes{Records: record.InputGuards(again.Inputs)}, nil
	}
	changes, err := record.StoreDecision(r, s.Rules, audit, req.Parent, again)
	if err != nil {
		return storage.Changes{}, err
	}
	if !req.UnderWay {
		changes.Refusal = outdated(earlier, again).Stored()
		return changes, nil
	}
	// A service under way keeps the decision it began on, and names the stricter
	// one, whose limits it takes over.
	session.NewerDecision = again.Name
	session.Limits = timing.Limits(again.Inputs)
	return changes, nil
}

// outdated says that a decision is not what the records of now give. Messages of
// findings stay in the new decision: an error may be logged by anybody. The names of
// both decisions are in the error's details, so that a till can show the new one.
func outdated(earlier, again *pb.Decision) *fault.Error {
	message := fmt.Sprintf("the records have changed since the decision, which is now another (%s); read %s and begin on that if it lets you",
		strings.ToLower(strings.TrimPrefix(again.StandingVerdict.String(), "VERDICT_")), again.Name)
	return fault.Precondition(pb.ErrorReason_ERROR_REASON_DECISION_OUTDATED, again.Name, message).
		Naming("decision", earlier.Name).Naming("new_decision", again.Name)
}

// timeSheet is what a till or a printed slip goes on by without the server. Its times are
// those of the plan, from the session's start and in the salon's zone; it cannot know of
// strand tests, so the latest times on it are the plan's, and the hard limit holds in
// every case. First aid is on it because that is when nobody looks for a network.
func timeSheet(r *storage.Snapshot, caller actor.Actor, session *pb.Session) (*pb.TimeSheet, error) {
	salon, err := record.Get(r, caller, storage.Salons, session.Salon)
	if err != nil {
		return nil, err
	}
	sheet := &pb.TimeSheet{
		Sections:        timing.SectionTimes(session, record.Zone(salon)),
		EmergencyNumber: record.EmergencyNumber(salon),
	}
	for _, text := range record.FirstAid(sheet.EmergencyNumber) {
		switch text.Kind {
		case pb.IncidentKind_INCIDENT_KIND_BURN:
			sheet.FirstAid = append(sheet.FirstAid, "It burns: "+strings.Join(text.Instructions, " "))
		case pb.IncidentKind_INCIDENT_KIND_EYE:
			sheet.FirstAid = append(sheet.FirstAid, "Product in an eye: "+strings.Join(text.Instructions, " "))
		}
	}
	return sheet, nil
}
