package storage_test

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"testing"
	"time"

	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// BenchmarkFigures reports, for a log of some size whose entries are of the same
// two weeks: how many facts are counted in a second; what a summary takes, by
// salon with what became of decisions; and what a filtered page of 100 at the end
// of the log takes as a ratio to the plain query that it rests on.
func BenchmarkFigures(b *testing.B) {
	for _, n := range []int{10_000, 1_000_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			d := storagetest.NewDatabase(b)
			super, server := d.SQL(b, localpg.Superuser), d.SQLIn(b, storage.RoleServer, chain)
			bulk(b, super, n, "disable")
			execute(b, super, `insert into tally_queue (chain, fact, decision, time, kind, salon, actor, rule, reason, entry)
				select chain, 'entry', id, timestamptz '2026-01-01Z' + position % 14 * interval '1 day', kind, salon, actor, rules[1], reason, position
				from audit_entries order by position`)
			execute(b, super, `insert into tally_queue (chain, fact, decision, time, verdict, salon, actor, practitioner, flag)
				select chain, 'decision', id, timestamptz '2026-01-01Z' + position % 14 * interval '1 day', 'VERDICT_REFUSE', salon, actor, actor, true
				from audit_entries where position % 10 = 0`)
			db := d.Open(b, storage.Config{ReadTimeout: time.Minute})
			began := time.Now()
			folded := foldAll(b, db, 1000)
			rate := float64(folded) / time.Since(began).Seconds()
			execute(b, super, "vacuum analyze tally_entries, tally_figures, tally_decisions, tally_queue, audit_entries")
			last := storage.EntryFilter{Op: "AND", Of: []storage.EntryFilter{{Field: "kind", Op: "=", Value: "ENTRY_KIND_REFUSAL"},
				{Field: "salon", Op: "!=", Value: "salon-1"}}}
			token := tokenAt(b, db, last, int64(n-3000))
			var page, plain []float64
			for b.Loop() {
				summarize(b, db)
			}
			for range 101 {
				page = append(page, took(func() { list(b, db, last, token, 100) }))
				plain = append(plain, took(func() { query(b, server, n-2000) }))
			}
			b.ReportMetric(rate, "facts/s")
			b.ReportMetric(median(page)/median(plain), "page/plain")
		})
	}
}

// summarize reads what a summary by salon does.
func summarize(b *testing.B, db *storage.DB) {
	read(b, db, func(s *storage.Snapshot) error {
		counts, err := storage.CountEntries(s, storage.BySalon, storage.Span{})
		if err != nil || len(counts) < 100 {
			b.Errorf("%d counts, %v", len(counts), err)
		}
		figures, err := storage.ReadFigures(s, storage.Span{})
		if err == nil && len(figures) == 0 {
			b.Error("no figures")
		}
		return err
	})
}

// list reads a page, and returns the position of its last entry and the token of
// the next page.
func list(b *testing.B, db *storage.DB, f storage.EntryFilter, token string, size int32) (at int64, next string) {
	read(b, db, func(s *storage.Snapshot) error {
		found, token, err := storage.ListEntries(s, f, storage.Page{Size: size, Token: token}, 1<<40)
		if len(found) != int(size) {
			b.Fatalf("%d entries on a page of %d", len(found), size)
		}
		at, next = found[size-1].Position, token
		return err
	})
	return at, next
}

// tokenAt is the token of a page behind a position.
func tokenAt(b *testing.B, db *storage.DB, f storage.EntryFilter, position int64) (token string) {
	for at := int64(0); at < position; {
		at, token = list(b, db, f, token, 100)
	}
	return token
}

// query is the plain query under such a page, in the role and the chain of the
// server.
func query(b *testing.B, server *sql.DB, position int) {
	rows, err := server.QueryContext(b.Context(), `select position, body from audit_entries where chain = $1 and kind = 'ENTRY_KIND_REFUSAL'
		and salon <> 'salon-1' and position > $2 order by position limit 101`, chain, position)
	if err != nil {
		b.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var at int64
		var body []byte
		if err := rows.Scan(&at, &body); err != nil {
			b.Fatal(err)
		}
	}
	if err := rows.Err(); err != nil {
		b.Fatal(err)
	}
}

// took is how long something takes, in seconds.
func took(do func()) float64 {
	began := time.Now()
	do()
	return time.Since(began).Seconds()
}

// median is the middle of some values.
func median(values []float64) float64 {
	slices.Sort(values)
	return values[len(values)/2]
}

// execute runs a plain statement, however long it takes.
func execute(b *testing.B, pool *sql.DB, statement string) {
	b.Helper()
	if _, err := pool.ExecContext(context.Background(), statement); err != nil {
		b.Fatal(err)
	}
}
