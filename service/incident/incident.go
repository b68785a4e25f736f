// Package incident is the IncidentService: what went wrong with a client, from the
// first report to the last follow-up.
//
// An incident has one of two origins. A person records what they noticed, through
// CreateIncident. Or the server opens it from the facts of a session (discomfort,
// a splash, a flush), in the write that records those facts; that code is shared
// and is in package record. What was seen is recorded, never a diagnosis: the
// service refers, and a doctor judges.
//
// Incidents are inputs of every later decision on the client, in all salons of the
// chain. So they are protected: what comes from facts changes only with more
// facts, and what a person wrote down is corrected by a supervisor who did not do
// the service. Each change is committed with its audit entry. Nothing deletes an
// incident except the erasure of the client.
//
// Each incident has two follow-ups, due 24 and 48 hours after it occurred, because
// burns often show later. A follow-up is answered once. WatchOverdue marks those
// that were missed and logs them, also when no till is connected.
//
// An incident of a visit that was moved to another client is read and changed
// under its new name; the old name shows only where it went.
//
// The file for the maker (ExportIncident) names the client only with the client's
// consent.
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

// Service implements the IncidentService. Now is the clock; tests inject theirs.
// It keeps nothing between calls, so several servers can run on one database.
type Service struct {
	pb.UnimplementedIncidentServiceServer

	DB  *storage.DB
	Now func() time.Time
}

// noticedAhead is how far ahead of the server's clock a stated time may be,
// because the clocks of tills differ. Our own choice, the same as for the answers
// of a consultation.
const noticedAhead = 5 * time.Minute

// CreateIncident records an incident that a person noticed. The name, the times of
// recording, the state and the follow-ups are set by the server. An incident
// without a time is taken to occur now. Errors: NOT_FOUND for a client or a named
// record that the caller may not see, INVALID_ARGUMENT for a session of another
// client or a time in the future.
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

// UpdateIncident changes what is known of an incident. Anybody who may see it can
// add what was seen later; the fields that decisions depend on are protected
// (checkCorrection). The etag in the request must be the stored one or empty.
// Errors: NOT_FOUND, ABORTED for another etag, INVALID_ARGUMENT for the mask or a
// value, FAILED_PRECONDITION for a protected field. Nothing is changed then.
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

// checkCorrection protects the facts that the next decision depends on from being
// changed by the person who did the service, in whose interest a milder record
// would be.
//
// Fields that the server took from the facts of a session cannot be changed by
// hand at all; sending more facts changes them. Kind, place, time, session,
// practitioner and a reported blister of an incident that a person recorded are
// corrected by a supervisor whose service it was not. A blister can be added by
// anybody: that only makes decisions stricter.
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

// changedOf lists those of the named fields that differ. Presence counts, too: an
// unset field differs from one that is set to its default.
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

// refersTo checks the names that an incident of a client gives. Each must be a
// record that the caller may see, and the session must be one of the same client;
// otherwise the incident would put one client's visit on the record of another.
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

// notInFuture refuses an incident that has not occurred yet: the follow-ups are
// counted from that time, so a wrong date would postpone them.
func notInFuture(i *pb.Incident, now time.Time) record.Check {
	return func(*storage.Snapshot, actor.Actor) error {
		if i.OccurTime != nil && i.OccurTime.AsTime().After(now.Add(noticedAhead)) {
			return fault.Invalid("incident.occur_time", "must not be in the future")
		}
		return nil
	}
}

// answeredAhead is how long before it is due a follow-up may be answered. Our own
// choice: half of the time between the two.
const answeredAhead = 12 * time.Hour

// GetIncident returns an incident. One of a visit that was moved to another client
// is shown without its content.
func (s Service) GetIncident(ctx context.Context, req *pb.GetIncidentRequest) (*pb.GetIncidentResponse, error) {
	m, err := record.Read(ctx, s.DB, storage.Incidents, req.Name)
	return &pb.GetIncidentResponse{Incident: record.ShownIncident(m)}, err
}

// ListIncidents lists the incidents of a client, or of the whole chain for the
// parent "chains/<id>/clients/-", newest first. A caller that is confined to some
// salons gets those of its salons; a page may be shorter than asked for.
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

// RecordFollowUp answers a follow-up. "Not reached" is an answer, too: the log
// must show that somebody tried. The caller must be the practitioner named or be
// allowed to act for that person. Errors: NOT_FOUND, INVALID_ARGUMENT for a
// number that the incident does not have, FAILED_PRECONDITION for a follow-up
// that was answered or is not due for long.
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

// followedUp returns the incident with a follow-up answered. An answer long before
// the due time is refused, because it says nothing about the hours in which burns
// show. An answer is not changed: what is learned later goes into the incident
// itself. With the last follow-up the incident counts as followed up.
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

// incidentsDue is how many incidents with an open follow-up are read for one
// salon. Our own choice: a salon with more of them has a larger problem than the
// length of a list.
const incidentsDue = 2000

// ListFollowUps lists what a salon has still to follow up, the earliest due
// first. The list is read whole and paged here, because its order is by follow-up
// and the database holds incidents. The page token holds the position after the
// last item, so that answering a follow-up between two pages neither hides nor
// repeats another. Overdue ones stay on the list until somebody answers them.
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

// openFollowUps lists the follow-ups that are not done, the earliest due first.
// Incidents of moved visits are left out: their copies under the right client
// have their own. The kind of incident is in the item, so a till can show it
// without another call.
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

// dueKey is the sort key of a follow-up in the list. Microseconds are padded with
// zeros to 20 digits, so that keys compare as text.
func dueKey(d *pb.DueFollowUp) string {
	return fmt.Sprintf("%020d %s %d", d.FollowUp.DueTime.AsTime().UnixMicro(), d.Incident, d.FollowUp.Number)
}
