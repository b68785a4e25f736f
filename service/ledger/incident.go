package ledger

import (
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// Incident is the entry of an incident that was opened, as stored. Kind, place and words stay sealed with the client's key; the entry names
// the incident, the session and the product.
func (ec EntryContext) Incident(i *pb.Incident) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_INCIDENT, i)
	ec.ofIncident(e, i)
	e.Summary = "an incident was recorded"
	if i.OccurTime != nil {
		e.OccurTime = i.OccurTime
	}
	return e
}

// IncidentChanged is the entry of an incident of which more is known.
func (ec EntryContext) IncidentChanged(i *pb.Incident) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_INCIDENT, i)
	ec.ofIncident(e, i)
	e.Summary = "more was recorded of an incident"
	return e
}

// FollowedUp is the entry of a follow-up that was answered.
func (ec EntryContext) FollowedUp(i *pb.Incident, number int32) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_FOLLOW_UP, i)
	ec.ofIncident(e, i)
	e.Summary = fmt.Sprintf("follow-up %d of an incident was answered", number)
	return e
}

// FollowUpOverdue is the entry of a follow-up that was not done in time.
func (ec EntryContext) FollowUpOverdue(i *pb.Incident, f *pb.FollowUp) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_FOLLOW_UP_OVERDUE, i)
	ec.ofIncident(e, i)
	e.OccurTime = timestamppb.New(f.GetDueTime().AsTime())
	e.Summary = fmt.Sprintf("follow-up %d of an incident is overdue", f.GetNumber())
	return e
}

// ofIncident fills in what an incident is about.
func (ec EntryContext) ofIncident(e *pb.AuditEntry, i *pb.Incident) {
	e.Incident = i.Name
	e.Client = parent(i.Name)
	e.Session = i.Session
	e.Product = i.Product
	e.Salon = i.Salon
	e.Practitioner = i.Practitioner // whose service it was; who wrote it down is the actor
}

// VisitMoved is the entry of a visit that was set aside as another client's; session
// is the one that was set aside, as stored.
func (ec EntryContext) VisitMoved(session *pb.Session, by string) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_VISIT_MOVED, session)
	ec.during(e, session)
	e.OnBehalfOf = ""
	if by != ec.Actor {
		e.OnBehalfOf = by
	}
	e.MovedTo = session.MovedTo
	e.ReasonCode = session.GetClosing().GetReason().String()
	e.Summary = "a visit was moved to the right client's record"
	return e
}
