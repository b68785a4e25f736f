package incident

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/storage"
)

const (
	// lookEvery is how often overdue follow-ups are looked for. Our own choice.
	lookEvery = time.Minute
	// overdueAfter is how long after it was due a follow-up counts as overdue: a
	// salon that was closed on the day does it the next morning. Our own choice.
	overdueAfter = 12 * time.Hour
	// lookedAt is how many incidents of a chain one look takes.
	// lookedAt is how many incidents of a chain one look takes. The rest is taken
	// by the next look, since a marked incident is not found again. Our own
	// choice: it bounds one read.
	lookedAt = 100
)

// WatchOverdue looks for overdue follow-ups until ctx is done. Every server of an
// installation runs it. Errors go to report and do not end it: the next look
// tries again. There is no leader: each server looks, and the request id makes
// the second write of the same mark an answer to the first.
func (s Service) WatchOverdue(ctx context.Context, report func(error)) {
	for {
		if err := s.LogOverdue(ctx); err != nil && ctx.Err() == nil {
			report(err)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(lookEvery):
		}
	}
}

// LogOverdue looks once: it logs every follow-up that was not done in time. Each
// is logged once, however many servers look, because the request id is derived
// from the follow-up (record.OwnRequest). A failure in one chain does not affect
// the others. Tests call it with a clock of their own.
func (s Service) LogOverdue(ctx context.Context) error {
	var problems []error
	err := record.EachChain(ctx, s.DB, func(chain *pb.Chain) error {
		problems = append(problems, s.logOverdueOf(ctx, chain.Name))
		return ctx.Err()
	})
	return errors.Join(append(problems, err)...)
}

// logOverdueOf looks at one chain. It finds the follow-ups in a read and marks
// each in a write of its own, so one conflict does not delay the rest. If more
// than lookedAt are overdue, the earliest are marked first. Errors are joined, so
// one record that cannot be read does not hide the others.
func (s Service) logOverdueOf(ctx context.Context, chain string) error {
	now := s.Now()
	var overdue []*pb.OverdueFollowUp
	err := storage.Read(ctx, s.DB, record.Chain(chain), func(r *storage.Snapshot) error {
		incidents, err := storage.OverdueIncidents(r, now.Add(-overdueAfter), lookedAt)
		for _, i := range incidents {
			for _, f := range i.FollowUps {
				if isOverdue(f, now) {
					overdue = append(overdue, &pb.OverdueFollowUp{Incident: i.Name, Number: f.Number,
						RequestId: record.OwnRequest(fmt.Sprintf("%s follow-up %d overdue", i.Name, f.Number))})
				}
			}
		}
		return err
	})
	for _, o := range overdue {
		err = errors.Join(err, s.logOne(ctx, o, now))
	}
	return err
}

// isOverdue reports whether a follow-up is past its time and not marked yet. The
// time of the call is passed, so that finding and marking agree.
func isOverdue(f *pb.FollowUp, now time.Time) bool {
	return f.DoneTime == nil && !f.Overdue && now.Sub(f.DueTime.AsTime()) > overdueAfter
}

// logOne marks one follow-up as overdue and logs it, in the name of the server.
// The mark takes the follow-up out of the next look. If somebody answered
// meanwhile, nothing is written. The entry names the server as actor, since
// nobody of the salon did it.
func (s Service) logOne(ctx context.Context, o *pb.OverdueFollowUp, now time.Time) error {
	audit := record.EntryContext(actor.Server(), o, o.Incident, now)
	_, err := storage.Write(ctx, s.DB, record.Chain(o.Incident), o, func(r *storage.Snapshot) (*pb.OverdueFollowUp, storage.Changes, error) {
		stored, err := storage.Incidents.GetUnchecked(r, o.Incident)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		if !isOverdue(stored.FollowUps[o.Number-1], now) {
			return o, storage.Changes{}, nil // answered meanwhile
		}
		amended := proto.CloneOf(stored)
		amended.UpdateTime = timestamppb.New(now)
		amended.FollowUps[o.Number-1].Overdue = true
		replace := storage.Incidents.Replace(stored, amended)
		return o, storage.Changes{
			Records: []storage.Record{replace},
			Entries: []*pb.AuditEntry{audit.FollowUpOverdue(amended, amended.FollowUps[o.Number-1])},
		}, nil
	})
	return err
}
