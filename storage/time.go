package storage

import (
	"context"
	"database/sql"
	"time"
)

// Time asks for the database's clock, which is the reference of every server that
// shares the database.
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
