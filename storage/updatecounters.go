package storage

import (
	"context"
	"database/sql"
	"errors"

	"github.com/lib/pq"
)

// UpdateCounters takes up to limit facts from the queue, adds them to the counters of
// their chains and returns how many there were. It is one transaction: a fact is
// counted if and only if it has left the queue, whenever a server crashes. The row of
// tally_turn lets only one server count at a time. While another one counts, or nothing
// may be written (see Forbid), it does nothing.
//
// Facts need no order. The counters are computed from everything that is known of a
// decision, before and after, and changed by the difference.
func UpdateCounters(ctx context.Context, db *DB, limit int) (int, error) {
	if db.Writable() != nil {
		return 0, nil
	}
	waiting, err := hasUncounted(ctx, db)
	if err != nil || !waiting {
		return 0, err
	}
	folded := 0
	err = db.inTransaction(ctx, func(tx *transaction) error {
		var mine bool
		err := tx.GetContext(ctx, &mine, "select only_row from tally_turn for update skip locked")
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		folded, err = countBatch(ctx, tx, limit)
		return err
	})
	return folded, err
}

// hasUncounted reports whether there is anything to count. It costs one read, where the
// counting transaction would cost a write every time.
func hasUncounted(ctx context.Context, db *DB) (bool, error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return false, err
	}
	defer tx.end()
	var waiting bool
	err = tx.GetContext(ctx, &waiting, "select exists (select from tally_queue)")
	return waiting, explain(ctx, err)
}

// countBatch counts one batch. Facts are taken in the order of the queue, but nothing
// depends on that.
func countBatch(ctx context.Context, tx *transaction, limit int) (int, error) {
	var facts []fact
	err := tx.SelectContext(ctx, &facts, `delete from tally_queue where position = any (array(
			select position from tally_queue order by position limit $1))
		returning position, chain, fact, coalesce(decision, '') as decision, coalesce(to_char(time at time zone 'UTC', 'YYYY-MM-DD'), '') as day,
			coalesce(kind, '') as kind, coalesce(verdict, '') as verdict, coalesce(salon, '') as salon, coalesce(actor, '') as actor,
			coalesce(practitioner, '') as practitioner, coalesce(rule, '') as rule, coalesce(reason, '') as reason,
			coalesce(flag, false) as flag, coalesce(entry, 0) as entry`, limit)
	if err != nil || len(facts) == 0 {
		return 0, err
	}
	before, err := readCases(ctx, tx, facts)
	if err != nil {
		return 0, err
	}
	after, changes := countFacts(facts, before)
	if err := writeCases(ctx, tx, after); err != nil {
		return 0, err
	}
	if err := writeEntryCounts(ctx, tx, changes.entryRows()); err != nil {
		return 0, err
	}
	if err := writeFigures(ctx, tx, changes.figureRows()); err != nil {
		return 0, err
	}
	return len(facts), writeDays(ctx, tx, facts)
}

// readCases reads what is known of the decisions that facts are about.
func readCases(ctx context.Context, tx *transaction, facts []fact) (map[caseKey]caseState, error) {
	var wanted []caseKey
	for _, f := range facts {
		if f.Decision != "" {
			wanted = append(wanted, f.about())
		}
	}
	var rows []caseState
	err := tx.SelectContext(ctx, &rows, `select chain, id, coalesce(day::text, '') as day, verdict, salon, actor, practitioner, overridable,
			overridden, begun, deviated, closed, bad, changed, marks from tally_decisions
		where (chain, id) in (select * from unnest($1::text[], $2::text[]))`,
		each(wanted, func(k caseKey) string { return k.chain }), each(wanted, func(k caseKey) string { return k.id }))
	known := make(map[caseKey]caseState, len(rows))
	for _, r := range rows {
		known[caseKey{r.Chain, r.ID}] = r
	}
	return known, err
}

// each returns one value of each row as an array argument.
func each[R, V any](rows []R, value func(R) V) any {
	values := make([]V, len(rows))
	for i, r := range rows {
		values[i] = value(r)
	}
	return pq.Array(values)
}

// writeCases stores the new states of decisions.
func writeCases(ctx context.Context, tx *transaction, rows []caseState) error {
	type c = caseState
	_, err := tx.ExecContext(ctx, `insert into tally_decisions (chain, id, day, verdict, salon, actor, practitioner, overridable,
			overridden, begun, deviated, closed, bad, changed, marks)
		select chain, id, nullif(day, '')::date, verdict, salon, actor, practitioner, overridable, overridden, begun, deviated, closed, bad, changed, marks
		from unnest($1::text[], $2::text[], $3::text[], $4::text[], $5::text[], $6::text[], $7::text[], $8::boolean[], $9::bigint[], $10::boolean[],
			$11::bigint[], $12::bigint[], $13::boolean[], $14::boolean[], $15::text[])
		as n (chain, id, day, verdict, salon, actor, practitioner, overridable, overridden, begun, deviated, closed, bad, changed, marks)
		on conflict (chain, id) do update set day = excluded.day, verdict = excluded.verdict, salon = excluded.salon,
			actor = excluded.actor, practitioner = excluded.practitioner, overridable = excluded.overridable,
			overridden = excluded.overridden, begun = excluded.begun, deviated = excluded.deviated,
			closed = excluded.closed, bad = excluded.bad, changed = excluded.changed, marks = excluded.marks`,
		each(rows, func(r c) string { return r.Chain }), each(rows, func(r c) string { return r.ID }),
		each(rows, func(r c) string { return r.Day }), each(rows, func(r c) string { return r.Verdict }),
		each(rows, func(r c) string { return r.Salon }), each(rows, func(r c) string { return r.Actor }),
		each(rows, func(r c) string { return r.Practitioner }), each(rows, func(r c) bool { return r.Overridable }),
		each(rows, func(r c) int64 { return r.Overridden }), each(rows, func(r c) bool { return r.Begun }),
		each(rows, func(r c) int64 { return r.Deviated }), each(rows, func(r c) int64 { return r.Closed }),
		each(rows, func(r c) bool { return r.Bad }), each(rows, func(r c) bool { return r.Changed }), each(rows, func(r c) string { return r.Marks }))
	return err
}

// writeEntryCounts adds to the counters of entries.
func writeEntryCounts(ctx context.Context, tx *transaction, rows []entryRow) error {
	type e = entryRow
	_, err := tx.ExecContext(ctx, `insert into tally_entries as t (chain, dimension, day, kind, key, entries, decisions)
		select * from unnest($1::text[], $2::text[], $3::date[], $4::text[], $5::text[], $6::bigint[], $7::bigint[])
		on conflict (chain, dimension, day, kind, key)
		do update set entries = t.entries + excluded.entries, decisions = t.decisions + excluded.decisions`,
		each(rows, func(r e) string { return r.chain }), each(rows, func(r e) string { return string(r.dimension) }),
		each(rows, func(r e) string { return r.day }), each(rows, func(r e) string { return r.kind }), each(rows, func(r e) string { return r.key }),
		each(rows, func(r e) int64 { return r.entries }), each(rows, func(r e) int64 { return r.decisions }))
	return err
}

// writeFigures adds to the figures.
func writeFigures(ctx context.Context, tx *transaction, rows []figureRow) error {
	type f = figureRow
	_, err := tx.ExecContext(ctx, `insert into tally_figures as t (chain, day, practitioner,
			turned_away, turned_away_overridden, overridable, overridden, begun, deviated, closed, bad,
			answers_changed, what_ifs, statements, statements_all_none, statements_timed, statement_seconds, single_items, single_items_differing)
		select * from unnest($1::text[], $2::date[], $3::text[], $4::bigint[], $5::bigint[], $6::bigint[], $7::bigint[], $8::bigint[],
			$9::bigint[], $10::bigint[], $11::bigint[], $12::bigint[], $13::bigint[],
			$14::bigint[], $15::bigint[], $16::bigint[], $17::bigint[], $18::bigint[], $19::bigint[])
		on conflict (chain, day, practitioner) do update set turned_away = t.turned_away + excluded.turned_away,
			turned_away_overridden = t.turned_away_overridden + excluded.turned_away_overridden,
			overridable = t.overridable + excluded.overridable, overridden = t.overridden + excluded.overridden,
			begun = t.begun + excluded.begun, deviated = t.deviated + excluded.deviated,
			closed = t.closed + excluded.closed, bad = t.bad + excluded.bad,
			answers_changed = t.answers_changed + excluded.answers_changed, what_ifs = t.what_ifs + excluded.what_ifs,
			statements = t.statements + excluded.statements, statements_all_none = t.statements_all_none + excluded.statements_all_none,
			statements_timed = t.statements_timed + excluded.statements_timed, statement_seconds = t.statement_seconds + excluded.statement_seconds,
			single_items = t.single_items + excluded.single_items, single_items_differing = t.single_items_differing + excluded.single_items_differing`,
		each(rows, func(r f) string { return r.chain }), each(rows, func(r f) string { return r.day }), each(rows, func(r f) string { return r.practitioner }),
		each(rows, func(r f) int64 { return r.TurnedAway }), each(rows, func(r f) int64 { return r.TurnedAwayOverridden }),
		each(rows, func(r f) int64 { return r.Overridable }), each(rows, func(r f) int64 { return r.Overridden }),
		each(rows, func(r f) int64 { return r.Begun }), each(rows, func(r f) int64 { return r.Deviated }),
		each(rows, func(r f) int64 { return r.Closed }), each(rows, func(r f) int64 { return r.Bad }),
		each(rows, func(r f) int64 { return r.AnswersChanged }), each(rows, func(r f) int64 { return r.WhatIfs }),
		each(rows, func(r f) int64 { return r.Statements }), each(rows, func(r f) int64 { return r.StatementsAllNone }),
		each(rows, func(r f) int64 { return r.StatementsTimed }), each(rows, func(r f) int64 { return r.StatementSeconds }),
		each(rows, func(r f) int64 { return r.SingleItems }), each(rows, func(r f) int64 { return r.SingleItemsDiffering }))
	return err
}

// writeDays notes the range of positions of each day's entries, which timeRange.where
// uses.
func writeDays(ctx context.Context, tx *transaction, facts []fact) error {
	_, err := tx.ExecContext(ctx, `insert into tally_days as t (chain, day, first, last)
		select chain, day, min(position), max(position) from unnest($1::text[], $2::text[], $3::bigint[]) as n (chain, text, position),
			lateral (select nullif(text, '')::date as day) days
		where position > 0 and day is not null group by chain, day
		on conflict (chain, day) do update set first = least(t.first, excluded.first), last = greatest(t.last, excluded.last)`,
		each(facts, func(f fact) string { return f.Chain }), each(facts, func(f fact) string { return f.Day }),
		each(facts, func(f fact) int64 { return f.Entry }))
	return err
}
