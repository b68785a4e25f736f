package storage

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"io"
	"strings"
	"time"
)

// Under is what a statement runs under: the chain and the role that the database
// was told, and the chains whose requests it sees.
type Under struct {
	Chain, Role string
	Sees        []string
}

// underQuery asks for it, of all rows that there are.
const underQuery = `select coalesce(current_setting('alkalog.chain', true), ''), current_user::text,
	(select coalesce(string_agg(distinct chain, ' '), '') from requests)`

// InScope tells what a statement in a chain's transaction runs under.
func InScope(ctx context.Context, db *DB, chain string) (Under, error) {
	tx, err := db.begin(ctx, inChain(chain), &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return Under{}, err
	}
	defer tx.end()
	var u Under
	var sees string
	err = tx.QueryRowContext(ctx, underQuery).Scan(&u.Chain, &u.Role, &sees)
	u.Sees = strings.Fields(sees)
	return u, err
}

// OutOfScope tells what a statement outside any transaction would run under, on
// a connection of the pool as the last transaction has left it.
func OutOfScope(ctx context.Context, db *DB) (u Under, err error) {
	c, err := db.pool.Connx(ctx)
	if err != nil {
		return u, err
	}
	defer c.Close()
	err = c.Raw(func(dc any) error {
		rows, err := dc.(*conn).pqConn.QueryContext(ctx, underQuery, nil)
		if err != nil {
			return err
		}
		defer rows.Close()
		row := make([]driver.Value, 3)
		if err := rows.Next(row); err != nil {
			return err
		}
		u = Under{Chain: row[0].(string), Role: row[1].(string), Sees: strings.Fields(row[2].(string))}
		if err := rows.Next(row); err != io.EOF {
			return err
		}
		return nil
	})
	return u, err
}

// ReadGuards reads what guards the records, as guards.txt has it.
func ReadGuards(ctx context.Context, db *DB) ([]string, error) {
	tx, err := db.begin(ctx, scope{}, nil)
	if err != nil {
		return nil, err
	}
	defer tx.end()
	return readGuards(ctx, tx)
}

// Difference and ApplyDifference are the codec of answers that refer to records.
var Difference, ApplyDifference = difference, applyDifference

// Gathered is how many writes of a chain wait for the next batch.
func Gathered(db *DB, chain string) int {
	db.batches.mu.Lock()
	defer db.batches.mu.Unlock()
	if g := db.batches.chains[chain]; g != nil {
		return len(g.waiting)
	}
	return 0
}

// Suspend holds writes back, as a connection to another server does.
func Suspend(db *DB) { db.fence.suspension.suspend() }

// StalledAfter sets when a batch no longer counts as one at work.
func StalledAfter(db *DB, d time.Duration) { db.batches.stalledAfter = d }

// AtWork is how many batches of a chain are at work.
func AtWork(db *DB, chain string) int {
	db.batches.mu.Lock()
	defer db.batches.mu.Unlock()
	if g := db.batches.chains[chain]; g != nil {
		return g.atWork
	}
	return 0
}
