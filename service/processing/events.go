package processing

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/timing"
	"alkalog/storage"
)

// RecordEvents records facts. None is lost because it came late or broke a
// rule, also after the session was closed; what it shows to be a deviation is on the
// audit log and in the answer, and so is what it disproves. Facts for a visit that was
// moved to another client go to the session that replaced it.
//
// The session is guarded by its version, so of two batches at once one is applied to
// the result of the other, and sequences have no gaps. A batch without anything new
// changes nothing and is answered with the state of now. Errors: NOT_FOUND.
func (s Service) RecordEvents(ctx context.Context, req *pb.RecordEventsRequest) (*pb.RecordEventsResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Name, s.Now())
	answer, err := storage.WritePlanned(ctx, s.DB, record.Chain(audit.Chain), eventsPlan(req), req, func(r *storage.Snapshot) (*pb.RecordEventsResponse, storage.Changes, error) {
		stored, err := record.Get(r, caller, storage.Sessions, req.Name)
		if err == nil {
			stored, err = record.Current(r, caller, stored)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		old, err := storage.Facts(r, stored.Name)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		results, fresh := s.acceptEvents(req.Events, old, audit.Actor, audit.Time)
		session := proto.CloneOf(stored)
		session.Sequence += int64(len(fresh))
		session.UpdateTime = timestamppb.New(audit.Time)
		// The clock is measured before the fold, which goes by corrected times.
		compareClocks(session, req, audit.Actor, old, fresh, audit.Time)
		all := append(old[:len(old):len(old)], fresh...)
		// What the facts of this batch disprove is what would stand now without them. It is
		// folded only if something stands.
		without := &pb.SessionState{}
		if mayBeDisproved(stored) {
			if without, err = deviationsOf(r, stored, old, audit.Time); err != nil {
				return nil, storage.Changes{}, err
			}
		}
		after, err := record.State(r, session, all, audit.Time)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		session.ProductsUsed = after.ProductsUsed
		s.sayServerClock(after)
		answer := &pb.RecordEventsResponse{Results: results, State: after, ClockSkewSeconds: skew(req, audit.Time)}
		if len(fresh) == 0 {
			return answer, storage.Changes{About: stored.Name}, nil
		}
		with, err := addClosingDeviations(r, session, all, after)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		disproved := timing.NewDeviations(with, without)
		changed, err := record.NoteDeviations(audit, session, with.Deviations, disproved, loggedBefore(r, stored, old))
		if err != nil {
			return nil, storage.Changes{}, err
		}
		answer.NewDeviations, answer.WithdrawnDeviations = changed.Fresh, changed.Withdrawn
		// What the till was told is kept with the last fact that it was told about.
		fresh[len(fresh)-1].Guidance = after
		changes := storage.Changes{About: stored.Name, Records: []storage.Record{storage.Sessions.Replace(stored, session)}}
		for _, e := range fresh {
			changes.Records = append(changes.Records, storage.InsertEvent(session.Name, e))
		}
		changes.Entries = changed.Entries(audit, session, all)
		// What the facts show to be an incident is stored in the same write, so that
		// no decision can come between.
		incidents, err := record.KeepIncidents(r, audit, session, timing.Incidents(session, all, after))
		if err != nil {
			return nil, storage.Changes{}, err
		}
		changes = changes.With(incidents)
		return answer, changes, nil
	})
	if err == nil {
		s.Notifier.Changed(req.Name)
		answer.State = forRevision(ctx, answer.State)
	}
	return answer, err
}

// eventsPlan is what a batch of events reads. A session that was moved is not in it and
// takes the slower way.
func eventsPlan(req *pb.RecordEventsRequest) *storage.Plan {
	p := &storage.Plan{}
	storage.Sessions.Want(p, req.Name)
	storage.WantFacts(p, req.Name)
	for _, e := range req.Events {
		if name := cmp.Or(e.GetProductUsed().GetProduct(), e.GetProductConfirmed().GetProduct()); name != "" {
			storage.Products.Want(p, name)
		}
	}
	storage.WantProductsOf(p, req.Name)
	storage.WantOutcomeOf(p, req.Name)
	record.IncidentsPlan(p, record.Parent(req.Name))
	return p
}

// mayBeDisproved reports whether a session has deviations on the log that facts could
// withdraw. One from before sessions kept a list of them may have.
func mayBeDisproved(session *pb.Session) bool {
	return len(record.Logged(session).Deviations) > 0 || !record.ListsDeviations(session)
}

// deviationsOf is all deviations of a session by its facts at an instant.
func deviationsOf(r *storage.Snapshot, session *pb.Session, events []*pb.StoredEvent, at time.Time) (*pb.SessionState, error) {
	state, err := record.State(r, session, events, at)
	if err != nil {
		return nil, err
	}
	return addClosingDeviations(r, session, events, state)
}

// addClosingDeviations is a state's deviations and those that closing the session showed, by
// the facts known now of what happened before it was closed. They are folded at the time of
// the closing: a lather that is recorded afterwards with an earlier time disproves "closed
// after two lathers", and one that was made afterwards does not.
func addClosingDeviations(r *storage.Snapshot, session *pb.Session, events []*pb.StoredEvent, state *pb.SessionState) (*pb.SessionState, error) {
	all := &pb.SessionState{Deviations: state.Deviations}
	if session.Outcome == "" {
		return all, nil
	}
	outcome, err := record.GetUnchecked(r, storage.Outcomes, session.Outcome)
	if err != nil {
		return nil, err
	}
	closing := timing.ClosingDeviations(session, events, outcome.CreateTime.AsTime())
	all.Deviations = append(all.Deviations[:len(all.Deviations):len(all.Deviations)], closing...)
	return all, nil
}

// loggedBefore is what counts as logged of a session that was begun before sessions kept a
// list of it: what its facts showed when it was last changed, because every change logged
// what it showed. It is a function because it folds all facts again, and is needed for such
// sessions only.
func loggedBefore(r *storage.Snapshot, session *pb.Session, events []*pb.StoredEvent) func() ([]*pb.Deviation, error) {
	return func() ([]*pb.Deviation, error) {
		before, err := deviationsOf(r, session, events, session.UpdateTime.AsTime())
		return before.GetDeviations(), err
	}
}

// acceptEvents decides what becomes of each event, and returns those to record. An event
// is one by its id: sent again with the same content it is recorded already, with other
// content it is rejected, because one of the two would be lost. Bounds are checked in the
// order of the batch.
func (s Service) acceptEvents(events []*pb.Event, old []*pb.StoredEvent, sender string, now time.Time) ([]*pb.EventResult, []*pb.StoredEvent) {
	known, count := map[string]*pb.Event{}, tally{}
	for _, e := range old {
		known[e.Event.EventId] = e.Event
		count.add(e.Event)
	}
	var results []*pb.EventResult
	var fresh []*pb.StoredEvent
	for _, e := range events {
		result := &pb.EventResult{EventId: e.GetEventId(), Status: pb.EventStatus_EVENT_STATUS_RECORDED}
		results = append(results, result)
		earlier, recorded := known[e.GetEventId()]
		switch violations, understood := s.judge(e); {
		case len(violations) > 0:
			result.Status, result.Reason = pb.EventStatus_EVENT_STATUS_REJECTED, describe(violations)
		case recorded && !proto.Equal(earlier, e):
			result.Status = pb.EventStatus_EVENT_STATUS_REJECTED
			result.Reason = "event_id: was used for another event; take a new one"
		case recorded:
			result.Status = pb.EventStatus_EVENT_STATUS_ALREADY_RECORDED
		case count.full(e) != "":
			result.Status, result.Reason = pb.EventStatus_EVENT_STATUS_REJECTED, count.full(e)
		default:
			if !understood {
				result.Status = pb.EventStatus_EVENT_STATUS_NOT_UNDERSTOOD
			}
			known[e.EventId] = e
			count.add(e)
			fresh = append(fresh, &pb.StoredEvent{
				Event:         e,
				RecordTime:    timestamppb.New(now),
				Sequence:      int64(len(old) + len(fresh) + 1),
				Sender:        sender,
				NotUnderstood: !understood,
			})
		}
	}
	return results, fresh
}

// describe is violations in one line: the fields and what would be right, without the
// values, which may be personal data.
func describe(violations []fault.Violation) string {
	var lines []string
	for _, v := range violations {
		lines = append(lines, v.Field+": "+v.Want)
	}
	return strings.Join(lines, "; ")
}

// skew is how far the till's clock is ahead, in seconds; nil when not measured. It includes
// the time that the request took to arrive, so it is for display; times are corrected by
// echoes.
func skew(req *pb.RecordEventsRequest, now time.Time) *float64 {
	if req.SendTime == nil {
		return nil
	}
	return new(req.SendTime.AsTime().Sub(now).Seconds())
}

// ListSessions lists sessions of a client or of the whole chain, newest first. Open
// sessions of one salon are picked out of those of the chain, which are few: a client
// has one at most, and a session without events is closed after a day.
// A parent that ends in "/clients/-" is the whole chain.
func (s Service) ListSessions(ctx context.Context, req *pb.ListSessionsRequest) (*pb.ListSessionsResponse, error) {
	caller := actor.From(ctx)
	answer := &pb.ListSessionsResponse{}
	filter := storage.SessionFilter{Client: req.Parent, Product: req.Product, LotCode: req.LotCode, OpenOnly: req.OpenOnly}
	holds := record.ParentExists(req.Parent)
	if chain, all := strings.CutSuffix(req.Parent, "/clients/-"); all {
		filter.Client, holds = "", record.ParentExists(chain)
	}
	if req.LotCode != "" && req.Product == "" {
		return nil, fault.Invalid("product", "must be the product of that lot")
	}
	if req.Salon != "" && !req.OpenOnly {
		return nil, fault.Invalid("open_only", "must be true with salon: only open sessions can be listed by salon")
	}
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
		if err = record.All(holds, record.Exist(storage.Products, req.Product), record.Exist(storage.Salons, req.Salon))(r, caller); err != nil {
			return err
		}
		page := storage.Page{Size: req.PageSize, Token: req.PageToken}
		answer.Sessions, answer.NextPageToken, err = record.Pages(r, caller, page, func(page storage.Page) ([]*pb.Session, string, error) {
			sessions, next, err := storage.ListSessions(r, filter, page)
			if req.Salon != "" {
				sessions = slices.DeleteFunc(sessions, func(s *pb.Session) bool { return s.Salon != req.Salon })
			}
			return sessions, next, err
		})
		for i, session := range answer.Sessions {
			answer.Sessions[i] = record.ShownSession(session)
		}
		return err
	})
	return answer, err
}
