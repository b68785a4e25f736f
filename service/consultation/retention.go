package consultation

import (
	"context"
	"errors"
	"path"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

const (
	// retentionInterval is how often the chains are looked through for records whose time
	// has come. Our own choice: periods are in days.
	retentionInterval = time.Hour
	// idleAtATime is how many clients are read at once.
	idleAtATime = 100
)

// RunRetention applies the retention periods of all chains, every hour, until ctx is done.
// Several servers may do so at once: an erasure is a request with an id that depends on the
// client alone, so it is done once. An error is reported and does not end the rounds: the
// next one, an hour later, finds the same clients again, and those whose time has come since.
func (s Service) RunRetention(ctx context.Context, report func(error)) {
	tick := time.NewTicker(retentionInterval)
	defer tick.Stop()
	for {
		if err := s.ApplyRetention(ctx); err != nil && ctx.Err() == nil {
			report(err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// ApplyRetention looks through every chain once: clients whose time has come are
// erased, and answered requests are forgotten. What goes wrong in one chain does
// not keep it from the others.
func (s Service) ApplyRetention(ctx context.Context) error {
	var problems []error
	err := record.EachChain(ctx, s.DB, func(chain *pb.Chain) error {
		problems = append(problems, s.eraseIdle(ctx, chain), s.purge(ctx, chain), s.index(ctx, chain))
		return ctx.Err()
	})
	return errors.Join(append(problems, err)...)
}

// eraseIdle erases the clients of whom nothing was recorded for longer than the
// chain keeps records. It goes by name from one page to the next, so a client who is kept
// does not hold up those behind.
func (s Service) eraseIdle(ctx context.Context, chain *pb.Chain) error {
	days := int(chain.GetRetention().GetClientDays())
	if days == 0 {
		return nil
	}
	since := s.Now().AddDate(0, 0, -days)
	for after := ""; ; {
		var idle []*pb.Client
		err := storage.Read(ctx, s.DB, record.Chain(chain.Name), func(r *storage.Snapshot) (err error) {
			idle, err = storage.IdleClients(r, since, after, idleAtATime)
			return err
		})
		if err != nil || len(idle) == 0 {
			return err
		}
		for _, client := range idle {
			if err := s.eraseInTime(ctx, chain.Name, client, since); err != nil {
				return err
			}
			after = path.Base(client.Name)
		}
	}
}

// eraseInTime erases a client whose time has come, whatever may be open since
// then; under a legal hold it does nothing. The request's id is made from the
// client, so that it is done once however many servers do it.
func (s Service) eraseInTime(ctx context.Context, chain string, client *pb.Client, since time.Time) error {
	errKept := errors.New("the client is kept")
	id := record.OwnRequest("retention " + client.Name)
	_, err := s.erase(ctx, &pb.EraseClientRequest{Name: client.Name, RequestId: id}, record.EntryContext(actor.Server(), nil, chain, s.Now()), ledger.ErasedInTime,
		func(r *storage.Snapshot, clients []*pb.Client, _ int) error {
			for _, c := range clients {
				if c.LegalHold || c.CreateTime.AsTime().After(since) || c.UpdateTime.AsTime().After(since) {
					return errKept
				}
			}
			active, err := storage.AnyActive(r, record.Linked(clients[0]), since)
			if err == nil && active {
				err = errKept
			}
			return err
		})
	var failed *fault.Error
	if errors.Is(err, errKept) || errors.Is(err, storage.ErrNotFound) || errors.As(err, &failed) && failed.Reason() == pb.ErrorReason_ERROR_REASON_NOT_FOUND {
		return nil // another server may have been faster
	}
	return err
}

// index makes clients searchable that were stored by a version without a search, or changed
// by a server of that version during an upgrade. When all are, it costs one query an hour
// for each chain.
func (s Service) index(ctx context.Context, chain *pb.Chain) error {
	for after := ""; ; {
		last, err := storage.IndexClients(ctx, s.DB, record.Chain(chain.Name), after)
		if err != nil || last == "" {
			return err
		}
		after = last
	}
}

// purge forgets the chain's answered requests that are old enough. It works in portions,
// each with an entry on the audit log that says how many were forgotten. A till that
// repeats one of them after that is told nothing of the first time: the request is done
// again, which is why the period is in days.
func (s Service) purge(ctx context.Context, chain *pb.Chain) error {
	days := record.RequestDays(chain)
	for more := true; more; {
		var err error
		_, more, err = storage.PurgeRequests(ctx, s.DB, record.Chain(chain.Name), days, func(n int64) *pb.AuditEntry {
			return record.EntryContext(actor.Server(), nil, chain.Name, s.Now()).Purged(n, days)
		})
		if err != nil {
			return err
		}
	}
	return nil
}
