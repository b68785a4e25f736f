package ledger

import (
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// Incident returns the entry of an incident that was opened, as stored. What happened,
// where and in which words stays sealed with the client's key; the entry names the
// incident, the session and the product.
func (ec EntryContext) Incident(i *pb.Incident) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_INCIDENT, i)
	ec.ofIncident(e, i)
	e.Summary = "an incident was recorded"
	if i.OccurTime != nil {
		e.OccurTime = i.OccurTime
	}
	return e
}

// IncidentChanged returns the entry of an incident of which more was recorded.
func (ec EntryContext) IncidentChanged(i *pb.Incident) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_INCIDENT, i)
	ec.ofIncident(e, i)
	e.Summary = "more was recorded of an incident"
	return e
}

// FollowedUp returns the entry of a follow-up that was answered.
func (ec EntryContext) FollowedUp(i *pb.Incident, number int32) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_FOLLOW_UP, i)
	ec.ofIncident(e, i)
	e.Summary = fmt.Sprintf("follow-up %d of an incident was answered", number)
	return e
}

// FollowUpOverdue returns the entry of a follow-up that was not done in time. Its occur
// time is when it was due.
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
	// The one who performed the service; who recorded the incident is the actor.
	e.Practitioner = i.Practitioner
}

// VisitMoved returns the entry of a visit that was recorded for the wrong client and
// set aside. session is that visit, as stored; by is the person who moved it.
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
