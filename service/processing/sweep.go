package processing

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/service/timing"
	"alkalog/storage"
)

const (
	// sweepEvery is how often sessions are looked at, watched or not.
	sweepEvery = 5 * time.Second
	// missedAfter is how long a call to rinse may stand before it counts as
	// missed: the minute in which a rinse must follow discomfort (common
	// practice: at once). A deviation that time brings about is as old before it is
	// logged, so that a till has a minute to send what disproves it.
	missedAfter = time.Minute
	// openFor is how long after its last change an open session is still looked at.
	// Our own choice: nobody has product on the hair a day later.
	openFor = 24 * time.Hour
	// closedFor is the same for a closed one. Our own choice: what is reported after
	// closing is missed within minutes or was answered.
	closedFor = 30 * time.Minute
)

// Sweep looks at sessions until ctx is done. It records each call to rinse that
// nobody was seen to follow, and each deviation that time brought about, once,
// however many servers look and whether or not a till is in reach.
func (s Service) Sweep(ctx context.Context, report func(error)) {
	for wait(ctx, nil, sweepEvery) {
		if err := s.SweepOnce(ctx); err != nil && ctx.Err() == nil {
			report(err)
		}
	}
}

// SweepOnce looks once. What goes wrong with one chain or one call does not keep it
// from the others.
func (s Service) SweepOnce(ctx context.Context) error {
	var problems []error
	err := record.EachChain(ctx, s.DB, func(chain *pb.Chain) error {
		problems = append(problems, s.sweepChain(ctx, chain.Name))
		return ctx.Err()
	})
	return errors.Join(append(problems, err)...)
}

// sweepResult is what a look at a chain's sessions found.
// Calls are kept with their session; of sessions with deviations that the log lacks,
// the session is enough.
type sweepResult struct {
	missed   map[*pb.MissedAlarm]*pb.Session
	deviated []*pb.Session
}

// sweepChain looks at the sessions of one chain.
// All sessions are read from one snapshot; what was found is then written one by
// one, so that one failure does not undo the others.
func (s Service) sweepChain(ctx context.Context, chain string) error {
	now := s.Now()
	found := sweepResult{missed: map[*pb.MissedAlarm]*pb.Session{}}
	err := storage.Read(ctx, s.DB, record.Chain(chain), func(r *storage.Snapshot) error {
		sessions, err := storage.RecentSessions(r, now.Add(-openFor), now.Add(-closedFor))
		if err != nil {
			return err
		}
		for _, session := range sessions {
			if err := found.look(r, session, now); err != nil {
				return err
			}
		}
		return nil
	})
	err = errors.Join(err, s.closeSilent(ctx, chain, now))
	for m, session := range found.missed {
		err = errors.Join(err, s.recordMissed(ctx, session, m))
	}
	for _, session := range found.deviated {
		err = errors.Join(err, s.recordDeviations(ctx, session.Name))
	}
	return err
}

// look adds what is to be recorded of a session. It only reads: everything is checked
// again in the write that records it, because a till may be faster.
func (f *sweepResult) look(r *storage.Snapshot, session *pb.Session, now time.Time) error {
	events, err := storage.Events(r, session.Name, 0)
	if err != nil {
		return err
	}
	state, err := record.State(r, session, events, now)
	if err != nil {
		return err
	}
	for _, alarm := range state.Alarms {
		if isMissed(alarm, now) {
			f.missed[missedAlarm(session, alarm)] = session
		}
	}
	if !unlogged(session, state, now).None() {
		f.deviated = append(f.deviated, session)
	}
	return nil
}

// isMissed reports whether a call to rinse has stood too long. Only RINSE_NOW counts: a
// RINSE_DUE that nobody follows becomes one, and a late rinse is a deviation anyway.
func isMissed(a *pb.Alarm, now time.Time) bool {
	return a.Kind == pb.AlarmKind_ALARM_KIND_RINSE_NOW && now.Sub(a.SinceTime.AsTime()) >= missedAfter
}

// missedAlarm names a missed call by session and by what calls, so that it is
// recorded once although it goes on and although several servers see it. A renewed
// report is another call.
func missedAlarm(session *pb.Session, a *pb.Alarm) *pb.MissedAlarm {
	call := &pb.Alarm{Kind: a.Kind, SectionId: a.SectionId, Cause: a.Cause, Place: a.Place, EventId: a.EventId}
	what := fmt.Sprint(session.Name, " ", a.Kind, " ", a.SectionId, " ", a.Cause, " ", a.Place, " ", a.EventId)
	return &pb.MissedAlarm{Session: session.Name, Alarm: call, RequestId: record.OwnRequest(what)}
}

// recordMissed puts a missed call on the audit log, as the server's own. Its request id is
// made from the call, so a second server, or a second look, gets the stored answer and
// writes nothing. The session itself does not change.
func (s Service) recordMissed(ctx context.Context, session *pb.Session, missed *pb.MissedAlarm) error {
	audit := record.EntryContext(actor.Server(), missed, session.Name, s.Now())
	_, err := storage.Write(ctx, s.DB, record.Chain(session.Name), missed, func(*storage.Snapshot) (*pb.MissedAlarm, storage.Changes, error) {
		alarm := proto.CloneOf(missed.Alarm)
		alarm.Message = "the call to rinse " + timing.AlarmPlace(alarm) + " stood for a minute and no water was recorded"
		return &pb.MissedAlarm{Session: session.Name, Alarm: alarm, RequestId: missed.RequestId},
			storage.Changes{Entries: []*pb.AuditEntry{audit.Alarmed(session, alarm)}}, nil
	})
	return err
}

// unlogged is what time brought about in a session and the log does not have,
// without what is so fresh that a till may be about to disprove it: a
// withdrawal on the log is true, and an accusation came first.
func unlogged(session *pb.Session, state *pb.SessionState, now time.Time) record.Deviations {
	found := slices.DeleteFunc(slices.Clone(state.Deviations), func(d *pb.Deviation) bool {
		return now.Sub(d.OccurTime.AsTime()) < missedAfter
	})
	return record.Deviations{Fresh: timing.NewDeviations(record.Logged(session), &pb.SessionState{Deviations: found})}
}

// recordDeviations puts the deviations that time brought about in a session on the audit
// log, as the server's own. The session's version is checked when that commits, so
// of several servers one writes them.
// The request id is new each time, because the same session can have other
// deviations later.
func (s Service) recordDeviations(ctx context.Context, name string) error {
	req := &pb.SeenDeviations{Session: name, RequestId: record.OwnRequest("deviations of " + name + " " + storage.NewID())}
	audit := record.EntryContext(actor.Server(), req, name, s.Now())
	_, err := storage.Write(ctx, s.DB, record.Chain(name), req, func(r *storage.Snapshot) (*pb.SeenDeviations, storage.Changes, error) {
		answer := &pb.SeenDeviations{Session: name, RequestId: req.RequestId}
		stored, err := storage.Sessions.GetUnchecked(r, name)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		events, err := storage.Events(r, name, 0)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		state, err := record.State(r, stored, events, audit.Time)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		session := proto.CloneOf(stored)
		found := unlogged(session, state, audit.Time)
		if found.None() {
			return answer, storage.Changes{}, nil
		}
		changed, err := record.NoteDeviations(audit, session, found.Fresh, nil, loggedBefore(r, stored, events))
		if err != nil || changed.None() {
			return answer, storage.Changes{}, err
		}
		answer.Deviations = changed.Fresh
		records := []storage.Record{storage.Sessions.Replace(stored, session)}
		return answer, storage.Changes{Records: records, Entries: changed.Entries(audit, session, events)}, nil
	})
	return err
}
