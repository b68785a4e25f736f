package storage

import (
	"context"
	"database/sql"
	"time"
)

// Time returns the database's clock, the reference for all servers that share the
// database.
func (db *DB) Time(ctx context.Context) (time.Time, error) {
	tx, err := db.begin(ctx, scope{}, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return time.Time{}, err
	}
	defer tx.end()
	var now time.Time
	err = tx.QueryRowContext(ctx, "select clock_timestamp()").Scan(&now)
	return now, explain(ctx, err)
}
