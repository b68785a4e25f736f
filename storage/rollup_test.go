package storage_test

import (
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// yearOfFacts are rows of the queue about decisions of a year and what came of
// them, in no order.
func yearOfFacts(random *rand.Rand, n int) (facts []string) {
	pick := func(of ...string) string { return of[random.IntN(len(of))] }
	day := func() string {
		return time.Date(2026, 1, 1+random.IntN(365), random.IntN(24), 0, 0, 0, time.UTC).Format(time.RFC3339)
	}
	for i := range n {
		decision := fmt.Sprint("d", random.IntN(n/4))
		fact, kind, verdict := "entry", "ENTRY_KIND_"+pick("REFUSAL", "OVERRIDE", "DEVIATION", "ALARM"), ""
		switch random.IntN(4) {
		case 0:
			fact, kind, verdict = "decision", "", pick("VERDICT_REFUSE", "VERDICT_PROCEED")
		case 1:
			fact, kind = pick("begun", "outcome"), ""
		}
		facts = append(facts, fmt.Sprintf("('%s', '%s', '%s', '%s', '%s', '%s', '%s', 'amara', 'p%d', '%s', 'asked', %t, %d)",
			pick(chain, chain, "other"), fact, decision, day(), kind, verdict, pick("north", "south"), random.IntN(3), pick("skin", "age"), random.IntN(2) == 0, i+1))
	}
	return facts
}

// tell puts facts into the queue.
func tell(t *testing.T, super *sql.DB, facts []string) {
	t.Helper()
	do(t, super, "insert into tally_queue (chain, fact, decision, time, kind, verdict, salon, actor, practitioner, rule, reason, flag, entry) values "+strings.Join(facts, ", "))
}

// summed is what a summary says of a span.
func summed(t testing.TB, db *storage.DB, by storage.Dimension, span storage.Span) map[string]int64 {
	t.Helper()
	sums := map[string]int64{}
	read(t, db, func(s *storage.Snapshot) error {
		counts, err := storage.CountEntries(s, by, span)
		for _, c := range counts {
			sums[c.Kind+" "+c.Key+" entries"] = c.Entries
			sums[c.Kind+" "+c.Key+" decisions"] = c.Decisions
		}
		figures, figuresErr := storage.ReadFigures(s, span)
		for _, f := range figures {
			sums[f.Practitioner] = f.TurnedAway + 10_000*f.Overridden + 100_000_000*f.Closed
		}
		return errors.Join(err, figuresErr)
	})
	return sums
}

// summedByDay is the same, from the counters of days alone.
func summedByDay(t testing.TB, super *sql.DB, by storage.Dimension, from, to string) map[string]int64 {
	t.Helper()
	rows, err := super.QueryContext(t.Context(), `select kind || ' ' || key || ' entries', sum(entries) from tally_entries where chain = $1 and dimension = $2 and day >= $3 and day < $4 group by kind, key
		union all select kind || ' ' || key || ' decisions', sum(decisions) from tally_entries where chain = $1 and dimension = $2 and day >= $3 and day < $4 group by kind, key
		union all select practitioner, sum(turned_away) + 10000 * sum(overridden) + 100000000 * sum(closed) from tally_figures where chain = $1 and day >= $3 and day < $4 group by 1`,
		chain, string(by), from, to)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	sums := map[string]int64{}
	for rows.Next() {
		var name string
		var n int64
		if err := rows.Scan(&name, &n); err != nil {
			t.Fatal(err)
		}
		sums[name] = n
	}
	return sums
}

// TestMonthsAreTheSumsOfTheirDays counts the facts of a year a part at a time, rolls
// months up in between, and asks for spans by chance: what is read from the months
// is what the days add up to.
func TestMonthsAreTheSumsOfTheirDays(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	d := storagetest.NewDatabase(t)
	db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	rolled := 0
	for range 12 {
		tell(t, super, yearOfFacts(random, 200))
		foldAll(t, db, 1+random.IntN(300))
		for range random.IntN(4) {
			if more, err := storage.RollUpMonth(t.Context(), db); err != nil {
				t.Fatal(err)
			} else if more {
				rolled++
			}
		}
		from := time.Date(2025, 12, 1+random.IntN(420), 0, 0, 0, 0, time.UTC)
		to := from.AddDate(0, 0, random.IntN(420))
		span, first, last := storage.NewSpan(from, to), from.Format(time.DateOnly), to.Format(time.DateOnly)
		switch random.IntN(4) {
		case 0:
			span, first, last = storage.Span{}, "2000-01-01", "2100-01-01"
		case 1:
			span, last = storage.NewSpan(from, time.Time{}), "2100-01-01"
		case 2:
			span, first = storage.NewSpan(time.Time{}, to), "2000-01-01"
		}
		for _, by := range []storage.Dimension{storage.ByKind, storage.BySalon, storage.ByRule} {
			got, want := summed(t, db, by, span), summedByDay(t, super, by, first, last)
			for name := range want {
				if got[name] != want[name] {
					t.Errorf("by %s from %s to %s, %q: %d, want %d", by, first, last, name, got[name], want[name])
				}
			}
			if len(got) != len(want) {
				t.Errorf("by %s from %s to %s: %d sums, want %d", by, first, last, len(got), len(want))
			}
		}
	}
	if rolled < 10 {
		t.Errorf("only %d months were rolled up", rolled)
	}
	wantMonths(t, super)
}

// wantMonths fails unless every row of a month is the sum of its days, and no row is
// missing.
func wantMonths(t testing.TB, super *sql.DB) {
	t.Helper()
	if n := rowsWhere(t, super, `(select m.chain, dimension, month, kind, key, entries, decisions from tally_month_entries m
		except select e.chain, dimension, m.month, kind, key, sum(entries), sum(decisions) from tally_entries e join tally_months m on m.chain = e.chain and m.month = month_of(e.day) group by 1, 2, 3, 4, 5) d`); n != 0 {
		t.Errorf("%d months differ from their days", n)
	}
	if n := rowsWhere(t, super, `(select e.chain, dimension, m.month, kind, key, sum(entries), sum(decisions) from tally_entries e join tally_months m on m.chain = e.chain and m.month = month_of(e.day) group by 1, 2, 3, 4, 5
		except select chain, dimension, month, kind, key, entries, decisions from tally_month_entries) d`); n != 0 {
		t.Errorf("%d days are missing in their months", n)
	}
	if n := rowsWhere(t, super, `(select chain, month, practitioner, turned_away, overridden, begun, deviated, closed, bad, answers_changed, statements, single_items_differing from tally_month_figures
		except select f.chain, m.month, practitioner, sum(turned_away), sum(overridden), sum(begun), sum(deviated), sum(closed), sum(bad), sum(answers_changed), sum(statements), sum(single_items_differing)
		from tally_figures f join tally_months m on m.chain = f.chain and m.month = month_of(f.day) group by 1, 2, 3) d`); n != 0 {
		t.Errorf("%d months of figures differ from their days", n)
	}
}

// TestRollingUpDiesWithoutATrace cuts the connection before COMMIT and after it, and
// goes on: no month is rolled up twice, in part, or while another server counts.
func TestRollingUpDiesWithoutATrace(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	w := &wire{}
	broken, db, super := w.open(t, d, storage.Config{}), d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	facts := yearOfFacts(rand.New(rand.NewPCG(1, 1)), 300)
	tell(t, super, facts[:150])
	foldAll(t, db, 1000)
	w.onCommit(func() bool { return false }) // it never comes
	if _, err := storage.RollUpMonth(t.Context(), broken); !errors.Is(err, storage.ErrUnknown) {
		t.Errorf("a lost COMMIT: %v", err)
	}
	eventually(t, "the server to undo it", func() bool { return rowsWhere(t, super, "pg_locks where relation = 'tally_turn'::regclass") == 0 })
	if n := rowsWhere(t, super, "tally_months") + rowsWhere(t, super, "tally_month_entries"); n != 0 {
		t.Errorf("%d rows of a month that was not rolled up", n)
	}
	w.onCommit(nil)
	w.mu.Lock()
	w.loseReplies = 1 // it comes, and nobody hears of it
	w.mu.Unlock()
	if _, err := storage.RollUpMonth(t.Context(), broken); !errors.Is(err, storage.ErrUnknown) {
		t.Errorf("a lost answer to COMMIT: %v", err)
	}
	held, err := super.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := held.Exec("select from tally_turn for update"); err != nil {
		t.Fatal(err)
	}
	if more, err := storage.RollUpMonth(t.Context(), db); more || err != nil {
		t.Errorf("while another server counts: %t, %v", more, err)
	}
	held.Rollback()
	for more := true; more; {
		if more, err = storage.RollUpMonth(t.Context(), db); err != nil {
			t.Fatal(err)
		}
	}
	tell(t, super, facts[150:])
	foldAll(t, db, 70)
	wantMonths(t, super)
	if n := rowsWhere(t, super, "tally_months"); n < 20 {
		t.Errorf("%d months are rolled up", n)
	}
}

// TestAYearIsReadByTheMonth counts what a summary of most of a year looks at: the
// days at its ends, and a row for each month in between.
func TestAYearIsReadByTheMonth(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	super := d.SQL(t, localpg.Superuser)
	do(t, super, fmt.Sprintf(`insert into tally_entries select '%s', 'rule', day, 'ENTRY_KIND_REFUSAL', 'rule-' || n, 1, 1
		from generate_series('2026-01-01'::date, '2026-12-31', '1 day') day, generate_series(1, 20) n`, chain))
	do(t, super, fmt.Sprintf(`insert into tally_days select '%s', day, 1, 1 from generate_series('2026-01-01'::date, '2026-12-31', '1 day') day`, chain))
	do(t, super, "analyze tally_entries")
	span := storage.NewSpan(time.Date(2026, 1, 30, 0, 0, 0, 0, time.UTC), time.Date(2026, 12, 3, 0, 0, 0, 0, time.UTC))
	count := func() int64 {
		return fetched(t, d, super, []string{"tally_entries", "tally_month_entries"}, func(db *storage.DB) {
			if sums := summed(t, db, storage.ByRule, span); sums["ENTRY_KIND_REFUSAL rule-7 entries"] != 307 {
				t.Errorf("%d refusals, want 307", sums["ENTRY_KIND_REFUSAL rule-7 entries"])
			}
		})
	}
	before := count()
	db := d.Open(t, storage.Config{})
	for more := true; more; {
		var err error
		if more, err = storage.RollUpMonth(t.Context(), db); err != nil {
			t.Fatal(err)
		}
	}
	db.Close()
	do(t, super, "analyze tally_entries, tally_month_entries, tally_months")
	after := count()
	t.Logf("rows looked at: %d by the day, %d by the month", before, after)
	if before < 307*20 || after > (10+5)*20+50 {
		t.Errorf("rows looked at: %d by the day, %d by the month", before, after)
	}
}
