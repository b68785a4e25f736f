package storage

import "context"

// MissedPlans is how often a function has read more than its plan had.
func MissedPlans(db *DB) int64 { return db.missedPlans.Load() }

// CachedRecords is how many records in clear are kept of a chain, and how many bytes
// their bodies have; of an empty chain, those of all chains.
func CachedRecords(db *DB, chain string) (records, bytes int) {
	db.records.mu.Lock()
	defer db.records.mu.Unlock()
	for of, e := range db.records.chains {
		if r := e.Value.(*chainRecords); chain == "" || of == chain {
			records, bytes = records+len(r.byKey), bytes+r.bytes
		}
	}
	return records, bytes
}

// The bounds of the caches.
const (
	MaxChainBytes   = maxChainBytes
	MaxCachedChains = maxCachedChains
	MaxFactBytes    = maxFactBytes
)

// CachedFacts is how many sessions have opened events in memory, and their bytes.
func CachedFacts(db *DB) (sessions, bytes int) {
	db.facts.mu.Lock()
	defer db.facts.mu.Unlock()
	return len(db.facts.byPlace), db.facts.bytes
}

// KeepFacts puts facts of a size into the cache of a session.
func KeepFacts(db *DB, chain, session string, bytes int) {
	db.keepFacts(chain, namedRow{events.statements, "c", session}, &sessionFacts{newest: 1, bytes: bytes})
}

// DropPrepared makes the server forget what a connection of the pool has prepared, as a
// pooler does that leads the next transaction elsewhere.
func DropPrepared(ctx context.Context, db *DB) error {
	c, err := db.pool.Connx(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	return c.Raw(func(dc any) error {
		cn := dc.(*conn)
		for name := range cn.plans {
			if _, err := cn.pqConn.ExecContext(ctx, "deallocate "+name, nil); err != nil {
				return err
			}
		}
		return nil
	})
}

// ForgetPrepared makes the program forget it, as if another had prepared the statements.
func ForgetPrepared(ctx context.Context, db *DB) error {
	c, err := db.pool.Connx(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	return c.Raw(func(dc any) error {
		dc.(*conn).plans = map[string]bool{}
		return nil
	})
}

// KeptDecisions is of how many clients decisions are kept, and their bytes.
func KeptDecisions(db *DB) (clients, bytes int) {
	db.decided.mu.Lock()
	defer db.decided.mu.Unlock()
	return len(db.decided.byPlace), db.decided.bytes
}
