package serve

import (
	"context"
	"errors"
	"fmt"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/record"
	"alkalog/storage"
)

// Session reads the session with the given resource name, and its events in the
// order of recording, from cfg's database. It changes nothing. It is for the
// operator's own machine and checks no caller.
func Session(ctx context.Context, cfg Config, name string) (session *pb.Session, events []*pb.StoredEvent, err error) {
	if cfg, err = cfg.complete(); err != nil {
		return nil, nil, err
	}
	d, err := openDatabase(ctx, cfg)
	if err != nil {
		return nil, nil, err
	}
	err = storage.Read(ctx, d.db, record.Chain(name), func(r *storage.Snapshot) error {
		if session, err = storage.Sessions.GetUnchecked(r, name); err != nil {
			return fmt.Errorf("session %q: %w", name, err)
		}
		events, err = storage.Events(r, name, 0)
		return err
	})
	return session, events, errors.Join(err, d.close())
}
