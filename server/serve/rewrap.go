package serve

import (
	"context"
	"errors"
	"fmt"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/record"
	"alkalog/storage"
)

// RewrapClients wraps all keys of clients in cfg's database with the newest key
// of the key file, so that the older ones can be destroyed, and returns how many
// it has wrapped. Keys of erased clients that have come back are destroyed first.
// All servers must be stopped: a server that has not read the newest key would
// wrap the key of a new client with an older one. It may be run again after an
// error.
func RewrapClients(ctx context.Context, cfg Config) (int, error) {
	cfg, err := cfg.complete()
	if err != nil {
		return 0, err
	}
	d, err := openDatabase(ctx, cfg)
	if err != nil {
		return 0, err
	}
	n, err := rewrapClients(ctx, cfg, d.db)
	return n, errors.Join(err, d.close())
}

// rewrapClients is RewrapClients on an open database. It ends with an error if
// any key is still wrapped with an older one, because the caller deletes those
// next.
func rewrapClients(ctx context.Context, cfg Config, db *storage.DB) (total int, err error) {
	others, err := storage.CountServers(ctx, db)
	if err == nil && others > 0 {
		err = fmt.Errorf("%d connections to the database are open: stop every server of it first", others)
	}
	if err != nil {
		return 0, err
	}
	erased, err := openErasures(cfg.ErasureFile, db)
	if err != nil {
		return 0, err
	}
	if err := errors.Join(erased.readLog(ctx), erased.findRevived(ctx)); err != nil {
		return 0, err
	}
	if _, err := erased.eraseAgain(ctx, cfg.Clock()); err != nil {
		return 0, err
	}
	err = record.EachChain(ctx, db, func(chain *pb.Chain) error {
		n, err := storage.Rewrap(ctx, db, record.Chain(chain.Name))
		total += n
		if err != nil {
			return err
		}
		return storage.Read(ctx, db, record.Chain(chain.Name), func(r *storage.Snapshot) error {
			left, err := storage.CountOldKeys(r)
			if err == nil && left > 0 {
				err = fmt.Errorf("%d keys of clients of %s are still wrapped with an older key", left, chain.Name)
			}
			return err
		})
	})
	return total, err
}
