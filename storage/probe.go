package storage

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/lib/pq"
)

// ErrDisk means that the database answers but its disk refuses writes, as when it is
// full.
var ErrDisk = errors.New("storage: the disk of the database refuses writes")

// spillQuery makes PostgreSQL write about 300 kB to a temporary file, which fails if
// there is no space. It leaves nothing behind. A full disk does not show otherwise
// before a COMMIT fails.
const spillQuery = "set local work_mem = '64kB'; select count(*) from generate_series(1, 20000)"

// Probe reports whether a write could be committed now, for the health service: nil, or
// a *SchemaError, ErrAuditUnavailable, ErrDisk or ErrUnavailable. It stores nothing.
func (db *DB) Probe(ctx context.Context) error {
	tx, err := db.begin(ctx, inChain(""), nil) // as a write, in the chain that no rows are of
	if err != nil {
		return err
	}
	defer tx.end()
	if _, err := db.checkVersion(ctx, tx); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, spillQuery)
	var refused *pq.Error
	if errors.As(err, &refused) && (refused.Code.Class() == "53" || refused.Code.Class() == "58") {
		return fmt.Errorf("%w: %w", ErrDisk, err)
	}
	return explain(ctx, err)
}

// Stats are figures of the connections and of writes, for metrics.
type Stats struct {
	// MaxConnections is Config.MaxConns; OpenConnections and BusyConnections are current.
	MaxConnections, OpenConnections, BusyConnections int
	// Waits counts how often a call waited for a connection, WaitTime sums up how long.
	Waits    int64
	WaitTime time.Duration
	// Conflicts counts attempts of writes that were repeated or given up because of a
	// concurrent write.
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
