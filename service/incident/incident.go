// Package incident serves what went wrong with a client: recorded by hand or
// opened from the facts of a session, followed up after 24 and 48 hours, and on
// the record card for ever. What was seen is recorded, never a diagnosis.
package incident

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/storage"
)

// Service is the IncidentService.
type Service struct {
	pb.UnimplementedIncidentServiceServer

	DB  *storage.DB
	Now func() time.Time
}

// noticedAhead is how far ahead of the server's clock a stated time may be.
// Our own choice, as for the answers of a consultation.
const noticedAhead = 5 * time.Minute

// CreateIncident records an incident that a person noticed.
func (s Service) CreateIncident(ctx context.Context, req *pb.CreateIncidentRequest) (*pb.CreateIncidentResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Parent, s.Now())
	return storage.Write(ctx, s.DB, record.Chain(audit.Chain), req, func(r *storage.Snapshot) (*pb.CreateIncidentResponse, storage.Changes, error) {
		incident := proto.CloneOf(req.Incident)
		record.Clear(incident)
		incident.Origin = pb.IncidentOrigin_INCIDENT_ORIGIN_PERSON
		check := record.All(record.Exist(storage.Clients, req.Parent), refersTo(req.Parent, incident), notInFuture(incident, audit.Time))
		if err := check(r, caller); err != nil {
			return nil, storage.Changes{}, err
		}
		changes := record.OpenIncident(audit, req.Parent, incident)
		return &pb.CreateIncidentResponse{Incident: incident}, changes, nil
	})
}

// UpdateIncident changes what is known of an incident.
func (s Service) UpdateIncident(ctx context.Context, req *pb.UpdateIncidentRequest) (*pb.UpdateIncidentResponse, error) {
	if req.Incident.Name == "" {
		return nil, fault.Invalid("incident.name", "must be the name of the incident to change")
	}
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Incident.Name, s.Now())
	return storage.Write(ctx, s.DB, record.Chain(audit.Chain), req, func(r *storage.Snapshot) (*pb.UpdateIncidentResponse, storage.Changes, error) {
		stored, err := record.GetFresh(r, caller, storage.Incidents, req.Incident.Name, req.Incident.Etag)
		if err == nil {
			stored, err = record.CurrentIncident(r, caller, stored)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		amended, err := record.Apply(stored, req.Incident, req.UpdateMask)
		if err == nil {
			err = record.All(refersTo(record.Parent(amended.Name), amended), notInFuture(amended, audit.Time), checkCorrection(stored, amended))(r, caller)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		changes := record.ChangeIncident(audit, stored, amended)
		return &pb.UpdateIncidentResponse{Incident: amended}, changes, nil
	})
}

// checkCorrection keeps facts that the next decision depends on from being changed by
// the person whom they incriminate. What the server took from facts is never changed: more facts
// change it. What a person wrote down of kind, place, time, session and blisters is
// corrected by a supervisor whose service it was not.
func checkCorrection(stored, amended *pb.Incident) record.Check {
	return func(r *storage.Snapshot, caller actor.Actor) error {
		changed := changedOf(stored, amended, "kind", "place", "section_id", "occur_time", "session", "product", "lot_code", "salon", "practitioner", "flush_minutes")
		if len(changed) > 0 && stored.Origin == pb.IncidentOrigin_INCIDENT_ORIGIN_FACTS {
			return fault.Precondition(pb.ErrorReason_ERROR_REASON_INCIDENT_FROM_FACTS, stored.Name,
				strings.Join(changed, ", ")+" come from the facts of the session and cannot be typed over; send facts, or add what was seen")
		}
		protected := changedOf(stored, amended, "kind", "place", "occur_time", "session", "practitioner")
		if stored.Blister == pb.Answer_ANSWER_YES && amended.Blister != pb.Answer_ANSWER_YES {
			protected = append(protected, "blister")
		}
		if len(protected) > 0 && (caller.Role != pb.Role_ROLE_SUPERVISOR || caller.Name == stored.Practitioner) {
			return fault.Precondition(pb.ErrorReason_ERROR_REASON_SECOND_PERSON_NEEDED, stored.Name,
				strings.Join(protected, ", ")+" can be corrected by a supervisor whose service it was not")
		}
		return nil
	}
}

// changedOf lists those of the named fields that differ.
func changedOf(stored, amended *pb.Incident, names ...protoreflect.Name) []string {
	a, b := stored.ProtoReflect(), amended.ProtoReflect()
	var changed []string
	for _, name := range names {
		f := a.Descriptor().Fields().ByName(name)
		if a.Has(f) != b.Has(f) || !a.Get(f).Equal(b.Get(f)) {
			changed = append(changed, string(name))
		}
	}
	return changed
}

// refersTo checks the names that an incident of a client gives: its salon, its
// practitioner, its product, and a session that is the client's.
func refersTo(client string, i *pb.Incident) record.Check {
	return func(r *storage.Snapshot, caller actor.Actor) error {
		if i.Session != "" && record.Parent(i.Session) != client {
			return fault.Invalid("incident.session", "must be a session of the same client")
		}
		return record.All(
			record.Exist(storage.Salons, i.Salon),
			record.Exist(storage.Practitioners, i.Practitioner),
			record.Exist(storage.Products, i.Product),
			record.Exist(storage.Sessions, i.Session),
		)(r, caller)
	}
}

// notInFuture refuses an incident that has not happened yet.
func notInFuture(i *pb.Incident, now time.Time) record.Check {
	return func(*storage.Snapshot, actor.Actor) error {
		if i.OccurTime != nil && i.OccurTime.AsTime().After(now.Add(noticedAhead)) {
			return fault.Invalid("incident.occur_time", "must not be in the future")
		}
		return nil
	}
}

// answeredAhead is how long before it is due a follow-up may be answered. Our own
// choice: half of the time between two of them.
const answeredAhead = 12 * time.Hour

// GetIncident returns an incident.
func (s Service) GetIncident(ctx context.Context, req *pb.GetIncidentRequest) (*pb.GetIncidentResponse, error) {
	m, err := record.Read(ctx, s.DB, storage.Incidents, req.Name)
	return &pb.GetIncidentResponse{Incident: record.ShownIncident(m)}, err
}

// ListIncidents lists the incidents of a client or of the chain, newest first.
func (s Service) ListIncidents(ctx context.Context, req *pb.ListIncidentsRequest) (*pb.ListIncidentsResponse, error) {
	caller := actor.From(ctx)
	answer := &pb.ListIncidentsResponse{}
	client, holds := req.Parent, record.ParentExists(req.Parent)
	if chain, all := strings.CutSuffix(req.Parent, "/clients/-"); all {
		client, holds = "", record.ParentExists(chain)
	}
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
		if err = holds(r, caller); err != nil {
			return err
		}
		page := storage.Page{Size: req.PageSize, Token: req.PageToken}
		answer.Incidents, answer.NextPageToken, err = record.Pages(r, caller, page, func(page storage.Page) ([]*pb.Incident, string, error) {
			return storage.ListIncidents(r, client, page)
		})
		for i, incident := range answer.Incidents {
			answer.Incidents[i] = record.ShownIncident(incident)
		}
		return err
	})
	return answer, err
}

// RecordFollowUp answers a follow-up of an incident.
func (s Service) RecordFollowUp(ctx context.Context, req *pb.RecordFollowUpRequest) (*pb.RecordFollowUpResponse, error) {
	if req.FollowUp.Channel == pb.FollowUpChannel_FOLLOW_UP_CHANNEL_UNSPECIFIED {
		return nil, fault.Invalid("follow_up.channel", "must say how the client was reached, or that the client was not")
	}
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Name, s.Now())
	return storage.Write(ctx, s.DB, record.Chain(audit.Chain), req, func(r *storage.Snapshot) (*pb.RecordFollowUpResponse, storage.Changes, error) {
		stored, err := record.Get(r, caller, storage.Incidents, req.Name)
		if err == nil {
			stored, err = record.CurrentIncident(r, caller, stored)
		}
		if err == nil {
			err = record.ActingFor("follow_up.practitioner", req.FollowUp.Practitioner)(r, caller)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		amended, err := followedUp(stored, req, audit.Time)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		replace := storage.Incidents.Replace(stored, amended)
		return &pb.RecordFollowUpResponse{Incident: amended}, storage.Changes{
			Records: []storage.Record{replace},
			Entries: []*pb.AuditEntry{audit.FollowedUp(amended, req.GetNumber())},
		}, nil
	})
}

// followedUp is the incident with a follow-up answered.
func followedUp(stored *pb.Incident, req *pb.RecordFollowUpRequest, now time.Time) (*pb.Incident, error) {
	n := int(req.GetNumber())
	if n > len(stored.FollowUps) {
		return nil, fault.Invalid("number", "must be the number of a follow-up of the incident")
	}
	if stored.FollowUps[n-1].DoneTime != nil {
		return nil, fault.Precondition(pb.ErrorReason_ERROR_REASON_FOLLOW_UP_DONE, stored.Name, "the follow-up was answered already; record what is new with UpdateIncident")
	}
	done := proto.CloneOf(req.FollowUp)
	if done.DoneTime == nil {
		done.DoneTime = timestamppb.New(now)
	}
	if due := stored.FollowUps[n-1].DueTime.AsTime(); done.DoneTime.AsTime().Before(due.Add(-answeredAhead)) {
		return nil, fault.Precondition(pb.ErrorReason_ERROR_REASON_FOLLOW_UP_TOO_EARLY, stored.Name,
			"the follow-up is due "+due.UTC().Format(time.RFC3339)+"; a look before that shows nothing of the days after; record what is seen now with UpdateIncident")
	}
	if done.DoneTime.AsTime().After(now.Add(noticedAhead)) {
		return nil, fault.Invalid("follow_up.done_time", "must not be in the future")
	}
	amended := proto.CloneOf(stored)
	old := amended.FollowUps[n-1]
	done.Number, done.DueTime, done.Overdue = old.Number, old.DueTime, old.Overdue
	amended.FollowUps[n-1] = done
	amended.UpdateTime = timestamppb.New(now)
	if storage.NextDue(amended) == nil {
		amended.State = pb.IncidentState_INCIDENT_STATE_FOLLOWED_UP
	}
	return amended, nil
}

// incidentsDue is how many incidents of a salon with a follow-up to do are looked
// at; a salon that has more waiting has a larger problem than a page. Our own
// choice.
const incidentsDue = 2000

// ListFollowUps lists what a salon has still to follow up, the earliest due
// first.
func (s Service) ListFollowUps(ctx context.Context, req *pb.ListFollowUpsRequest) (*pb.ListFollowUpsResponse, error) {
	caller := actor.From(ctx)
	answer := &pb.ListFollowUpsResponse{}
	page := storage.Page{Size: req.PageSize, Token: req.PageToken}
	list := "follow-ups of " + req.Parent
	after, err := page.After(list)
	if err != nil {
		return nil, err
	}
	var due []*pb.DueFollowUp
	err = storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) error {
		if _, err := record.Get(r, caller, storage.Salons, req.Parent); err != nil {
			return err
		}
		incidents, err := storage.DueIncidents(r, req.Parent, incidentsDue)
		due = openFollowUps(incidents)
		return err
	})
	if err != nil {
		return nil, err
	}
	for _, d := range due {
		if dueKey(d) <= after {
			continue
		}
		if len(answer.FollowUps) == page.Limit() {
			answer.NextPageToken = storage.PageToken(list, dueKey(answer.FollowUps[len(answer.FollowUps)-1]))
			break
		}
		answer.FollowUps = append(answer.FollowUps, d)
	}
	return answer, nil
}

// openFollowUps is the follow-ups of incidents that are not done, the earliest due first.
func openFollowUps(incidents []*pb.Incident) []*pb.DueFollowUp {
	var due []*pb.DueFollowUp
	for _, i := range incidents {
		for _, f := range i.FollowUps {
			if f.DoneTime == nil && i.MovedTo == "" {
				due = append(due, &pb.DueFollowUp{Incident: i.Name, FollowUp: f, Kind: i.Kind})
			}
		}
	}
	slices.SortFunc(due, func(a, b *pb.DueFollowUp) int { return cmp.Compare(dueKey(a), dueKey(b)) })
	return due
}

// dueKey gives the order of the list.
func dueKey(d *pb.DueFollowUp) string {
	return fmt.Sprintf("%020d %s %d", d.FollowUp.DueTime.AsTime().UnixMicro(), d.Incident, d.FollowUp.Number)
}
