package storage

import (
	"context"
	"database/sql"
	"errors"
	"strings"
	"time"
)

// RollUpMonth adds up the counters of one month of a chain that is not rolled up yet,
// and reports whether there was one. It is one transaction in the turn of UpdateCounters:
// the month is listed in tally_months if and only if its sums are complete, and from
// then on triggers keep them. While another server counts, or nothing may be written
// (see Forbid), it does nothing.
//
// A month is found by its days in tally_days, so that one without any audit entry is
// never rolled up; it is read by the day, which gives the same figures.
func RollUpMonth(ctx context.Context, db *DB) (bool, error) {
	if db.Writable() != nil {
		return false, nil
	}
	rolled := false
	err := db.inTransaction(ctx, func(tx *transaction) error {
		var month struct {
			Chain string
			Month time.Time
		}
		err := tx.GetContext(ctx, &month, `insert into tally_months select d.chain, month_of(d.day) from tally_days d, tally_turn
			where not exists (select from tally_months m where m.chain = d.chain and m.month = month_of(d.day))
			limit 1 for update of tally_turn skip locked returning chain, month`)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		for _, statement := range rollUpStatements {
			if err == nil {
				_, err = tx.ExecContext(ctx, statement, month.Chain, month.Month)
			}
		}
		rolled = err == nil
		return err
	})
	return rolled && err == nil, err
}

// rollUpStatements make the sums of a month, given by its chain and first day.
var rollUpStatements = []string{
	`insert into tally_month_entries select chain, dimension, $2::date, kind, key, sum(entries), sum(decisions) from tally_entries
		where chain = $1 and day >= $2::date and day < ($2::date + interval '1 month')::date group by chain, dimension, kind, key`,
	"insert into tally_month_figures (chain, month, practitioner, " + strings.Join(figureColumns, ", ") + ") select chain, $2::date, practitioner, " + sums(figureColumns) +
		" from tally_figures where chain = $1 and day >= $2::date and day < ($2::date + interval '1 month')::date group by chain, practitioner",
}
