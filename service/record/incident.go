package record

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
	"alkalog/storage"
)

// followUpAfter is when follow-ups fall due after an incident. Burns often show
// later (common practice); the two times are our own choice.
var followUpAfter = [...]time.Duration{24 * time.Hour, 48 * time.Hour}

// OpenIncident gives a new incident of a client its name, times and follow-ups,
// and returns what is to be written. An incident without a time occurred now.
// Follow-ups are counted from when it occurred and not from when it was recorded:
// the skin does not wait for the entry. i is changed.
func OpenIncident(audit ledger.EntryContext, client string, i *pb.Incident) storage.Changes {
	i.Name = client + "/incidents/" + storage.NewID()
	i.CreateTime, i.UpdateTime = timestamppb.New(audit.Time), timestamppb.New(audit.Time)
	i.State = pb.IncidentState_INCIDENT_STATE_OPEN
	if i.OccurTime == nil {
		i.OccurTime = timestamppb.New(audit.Time)
	}
	i.FollowUps = nil
	for n, after := range followUpAfter {
		i.FollowUps = append(i.FollowUps, &pb.FollowUp{Number: int32(n + 1), DueTime: timestamppb.New(i.OccurTime.AsTime().Add(after))})
	}
	insert := storage.Incidents.Insert(i)
	return storage.Changes{Records: []storage.Record{insert}, Entries: []*pb.AuditEntry{audit.Incident(i)}}
}

// ChangeIncident returns what is to be written when more is known of an incident.
// The record comes first, because it gives amended the etag that the entry's
// digest covers.
func ChangeIncident(audit ledger.EntryContext, stored, amended *pb.Incident) storage.Changes {
	amended.UpdateTime = timestamppb.New(audit.Time)
	replace := storage.Incidents.Replace(stored, amended)
	return storage.Changes{Records: []storage.Record{replace}, Entries: []*pb.AuditEntry{audit.IncidentChanged(amended)}}
}

// incidentsAtATime is how many incidents are read at once. Our own choice; it
// bounds the memory of one query.
const incidentsAtATime = 500

// IncidentsPlan adds what Incidents reads of a client to a plan.
func IncidentsPlan(p *storage.Plan, client string) {
	storage.Incidents.WantList(p, client, storage.Page{Size: incidentsAtATime})
}

// Incidents reads all incidents of a client, newest first, whichever salon they
// happened in: they follow the client as the card does. Those of visits that were
// moved to another client are left out. No number of newer ones hides an older one.
func Incidents(r *storage.Snapshot, client string) ([]*pb.Incident, error) {
	var all []*pb.Incident
	for page := (storage.Page{Size: incidentsAtATime}); ; {
		incidents, next, err := storage.ListIncidents(r, client, page)
		if err != nil {
			return nil, err
		}
		all = append(all, incidents...)
		if page.Token = next; next == "" {
			return slices.DeleteFunc(all, func(i *pb.Incident) bool { return i.MovedTo != "" }), nil
		}
	}
}

// KeepIncidents returns what is to be written so that every incident that the
// facts of a session call for is on record: a new one is opened, and one that was
// opened from earlier facts of the same kind and place takes on the new ones.
// Wanted is the incidents that the facts call for, without names. It never closes an incident: a person does.
func KeepIncidents(r *storage.Snapshot, audit ledger.EntryContext, session *pb.Session, wanted []*pb.Incident) (storage.Changes, error) {
	if len(wanted) == 0 {
		return storage.Changes{}, nil
	}
	client := Parent(session.Name)
	known, err := Incidents(r, client)
	if err != nil {
		return storage.Changes{}, err
	}
	var all storage.Changes
	for _, want := range wanted {
		changes := storage.Changes{}
		switch stored := sameIncident(known, want); {
		case stored == nil:
			changes = OpenIncident(audit, client, want)
		case len(want.EventIds) > len(stored.EventIds) || want.FlushMinutes != nil && want.GetFlushMinutes() != stored.GetFlushMinutes():
			amended := proto.CloneOf(stored)
			amended.EventIds = want.EventIds
			if want.FlushMinutes != nil {
				amended.FlushMinutes = want.FlushMinutes
			}
			changes = ChangeIncident(audit, stored, amended)
		}
		all = all.With(changes)
	}
	return all, nil
}

// sameIncident finds the incident that the server opened from the same session
// for the same kind of thing in the same place; nil: there is none. Incidents
// that a person recorded are never merged with it, since two reports may be about
// two things.
func sameIncident(known []*pb.Incident, want *pb.Incident) *pb.Incident {
	for _, i := range known {
		if i.Origin == pb.IncidentOrigin_INCIDENT_ORIGIN_FACTS && i.Session == want.Session && i.Kind == want.Kind &&
			i.Place == want.Place && i.SectionId == want.SectionId {
			return i
		}
	}
	return nil
}
