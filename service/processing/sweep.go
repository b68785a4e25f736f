package processing

import (
	"cmp"
	"context"
	"errors"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/record"
	"alkalog/storage"
)

const (
	// sweepEvery is how often open sessions are looked at, watched or not.
	sweepEvery = 5 * time.Second
	// missedAfter is how long a call to rinse may stand before it counts as
	// missed: the minute in which a rinse must follow discomfort (common
	// practice: at once).
	missedAfter = time.Minute
	// openFor is how long after its last change a session is still looked at. Our
	// own choice: nobody has product on the hair a day later.
	openFor = 24 * time.Hour
)

// Sweep looks at every open session until ctx is done, and records each call to
// rinse that nobody was seen to follow, once, however many servers look.
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

// sweepChain looks at the open sessions of one chain.
func (s Service) sweepChain(ctx context.Context, chain string) error {
	now := s.Now()
	missed := map[*pb.MissedAlarm]*pb.Session{}
	err := storage.Read(ctx, s.DB, record.Chain(chain), func(r *storage.Snapshot) error {
		sessions, err := storage.OpenSessions(r, now.Add(-openFor))
		if err != nil {
			return err
		}
		for _, session := range sessions {
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
					missed[missedAlarm(session, alarm)] = session
				}
			}
		}
		return nil
	})
	for m, session := range missed {
		err = errors.Join(err, s.recordMissed(ctx, session, m))
	}
	return err
}

// isMissed reports whether a call to rinse has stood too long.
func isMissed(a *pb.Alarm, now time.Time) bool {
	return a.Kind == pb.AlarmKind_ALARM_KIND_RINSE_NOW && now.Sub(a.SinceTime.AsTime()) >= missedAfter
}

// missedAlarm names a missed call by session, kind and section, so that it is
// recorded once although it goes on and although several servers see it.
func missedAlarm(session *pb.Session, a *pb.Alarm) *pb.MissedAlarm {
	what := session.Name + " " + a.Kind.String() + " " + a.SectionId
	return &pb.MissedAlarm{
		Session:   session.Name,
		Alarm:     &pb.Alarm{Kind: a.Kind, SectionId: a.SectionId},
		RequestId: record.OwnRequest(what),
	}
}

// recordMissed puts a missed call on the audit log, as the server's own.
func (s Service) recordMissed(ctx context.Context, session *pb.Session, missed *pb.MissedAlarm) error {
	scene := record.Scene(ctx, missed, session.Name, s.Now())
	scene.Actor = "server"
	_, err := storage.Write(ctx, s.DB, record.Chain(session.Name), missed, func(*storage.Snapshot) (*pb.MissedAlarm, storage.Changes, error) {
		alarm := &pb.Alarm{Kind: missed.Alarm.Kind, SectionId: missed.Alarm.SectionId,
			Message: "the call to rinse " + cmp.Or(missed.Alarm.SectionId, "the whole head") + " stood for a minute and no rinse was recorded"}
		return &pb.MissedAlarm{Session: session.Name, Alarm: alarm, RequestId: missed.RequestId},
			storage.Changes{Entries: []*pb.AuditEntry{scene.Alarmed(session, alarm)}}, nil
	})
	return err
}
