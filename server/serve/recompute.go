package serve

import (
	"context"
	"errors"
	"fmt"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/record"
	"alkalog/storage"
)

// ColumnsPosition is a position of RecomputeColumns, from which a later run can
// continue. It is repeated here so that the command needs no import of storage.
type ColumnsPosition = storage.ColumnsPosition

// RecomputeColumns recomputes the search columns of every chain of cfg's database
// (see storage.RecomputeColumns), and returns how many records it updated. With
// cfg.Database, owner is the connection string of the role that migrates. A run
// that resumes names the chain and the position that progress was given last;
// chains before it, in the order of their names, are skipped.
func RecomputeColumns(ctx context.Context, cfg Config, owner, resume string, at storage.ColumnsPosition,
	progress func(chain string, at storage.ColumnsPosition)) (total int64, err error) {
	if cfg.Database != "" && owner == "" {
		return 0, errors.New("give --owner-database: the server's role may not change stored records")
	}
	cfg, err = cfg.complete()
	if err != nil {
		return 0, err
	}
	d, err := openDatabase(ctx, cfg)
	if err != nil {
		return 0, err
	}
	if d.cluster != nil {
		owner = d.cluster.DSN("", "")
	}
	total, err = recomputeColumns(ctx, cfg, d.db, owner, resume, at, progress)
	return total, errors.Join(err, d.close())
}

// recomputeColumns is RecomputeColumns on an open database. Erasures are read
// first, so that no record of an erased client is opened.
func recomputeColumns(ctx context.Context, cfg Config, db *storage.DB, owner, resume string, at storage.ColumnsPosition,
	progress func(chain string, at storage.ColumnsPosition)) (total int64, err error) {
	erased, err := openErasures(cfg.ErasureFile, db)
	if err == nil {
		err = erased.readLog(ctx)
	}
	if err != nil {
		return 0, err
	}
	resumed := resume == ""
	err = record.EachChain(ctx, db, func(c *pb.Chain) error {
		chain, from := record.Chain(c.Name), storage.ColumnsPosition{}
		if chain == resume {
			resumed, from = true, at
		}
		if !resumed {
			return nil
		}
		return storage.RecomputeColumns(ctx, db, owner, chain, from, func(at storage.ColumnsPosition, updated int64) error {
			total += updated
			progress(chain, at)
			return ctx.Err()
		})
	})
	if err == nil && !resumed {
		err = fmt.Errorf("cannot resume: there is no chain %q", resume)
	}
	return total, err
}
