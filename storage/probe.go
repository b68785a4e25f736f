package storage

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/lib/pq"
)

// ErrDisk: the database answers, but its disk refuses writes.
var ErrDisk = errors.New("storage: the disk of the database refuses writes")

// spillQuery writes about 300 kB to a temporary file on the database's disk, which
// fails when there is no space. It leaves nothing behind.
const spillQuery = "set local work_mem = '64kB'; select count(*) from generate_series(1, 20000)"

// Probe reports whether a write could be committed now, as health needs to know:
// nil, or a *SchemaError, ErrAuditUnavailable, ErrDisk or ErrUnavailable. It stores
// nothing.
func (db *DB) Probe(ctx context.Context) error {
	tx, err := db.begin(ctx, inChain(""), nil) // as a write, in the chain that no rows are of
	if err != nil {
		return err
	}
	defer tx.end()
	if err := checkVersion(ctx, tx); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, spillQuery)
	var refused *pq.Error
	if errors.As(err, &refused) && (refused.Code.Class() == "53" || refused.Code.Class() == "58") {
		return fmt.Errorf("%w: %w", ErrDisk, err)
	}
	return explain(ctx, err)
}

// Stats is what metrics tell of the connections and of writes.
type Stats struct {
	MaxConnections, OpenConnections, BusyConnections int
	// Waits counts how often a call waited for a connection, WaitTime for how long.
	Waits    int64
	WaitTime time.Duration
	// Conflicts counts attempts of writes that were repeated or given up because
	// another write was faster.
	Conflicts int64
}

// Stats returns the figures since the database was opened.
func (db *DB) Stats() Stats {
	pool := db.pool.Stats()
	return Stats{
		MaxConnections: pool.MaxOpenConnections, OpenConnections: pool.OpenConnections, BusyConnections: pool.InUse,
		Waits: pool.WaitCount, WaitTime: pool.WaitDuration, Conflicts: db.conflicts.Load(),
	}
}
