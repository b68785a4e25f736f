package storage_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/lib/pq"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// foldAll counts, a few facts at a time, until nothing waits.
func foldAll(t testing.TB, db *storage.DB, atATime int) (folded int) {
	t.Helper()
	for {
		n, err := storage.UpdateCounters(t.Context(), db, atATime)
		if err != nil {
			t.Fatal(err)
		}
		if folded += n; n == 0 {
			return folded
		}
	}
}

// tallied is what all counters of a database say.
func tallied(t testing.TB, pool *sql.DB) string {
	t.Helper()
	var all string
	err := pool.QueryRowContext(t.Context(), `select coalesce(string_agg(line, E'\n' order by line), '') from (
		select 'entries ' || r::text as line from (select * from tally_entries where entries <> 0 or decisions <> 0) r
		union all select 'figures ' || r::text from (select * from tally_figures) r
		where turned_away + overridable + overridden + begun + closed + answers_changed + what_ifs > 0) lines`).Scan(&all)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// TestFactsNeedNoOrder tells what happened to some decisions in order, and then
// again by chance, a part at a time and counted in between: the counters say the
// same.
func TestFactsNeedNoOrder(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	d := storagetest.NewDatabase(t)
	db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	for range 12 {
		facts := someFacts(random)
		var said []string
		for range 2 {
			do(t, super, "truncate tally_queue, tally_decisions, tally_entries, tally_figures")
			for part := range slices.Chunk(facts, len(facts)/(1+len(said)*3)) {
				do(t, super, "insert into tally_queue (position, chain, fact, decision, time, kind, verdict, salon, actor, practitioner, rule, reason, flag)"+
					" overriding system value values "+strings.Join(part, ", "))
				foldAll(t, db, 1+random.IntN(9))
			}
			said = append(said, tallied(t, super))
			random.Shuffle(len(facts), func(i, j int) { facts[i], facts[j] = facts[j], facts[i] })
		}
		if said[0] != said[1] || !strings.Contains(said[0], "figures") {
			t.Fatalf("in order:\n%s\nby chance:\n%s", said[0], said[1])
		}
	}
}

// someFacts are rows of the queue about four decisions, in order.
func someFacts(random *rand.Rand) (facts []string) {
	pick := func(of ...string) string { return of[random.IntN(len(of))] }
	add := func(fact, decision, day, kind, verdict string, flag bool) {
		facts = append(facts, fmt.Sprintf("(%d, 'ebb-and-flow', '%s', '%s', timestamptz '2026-11-%s 12:00Z', '%s', '%s', 'north', '%s', '%s', '%s', '%s', %t)",
			len(facts)+1, fact, decision, day, kind, verdict, pick("amara", "till"), "p"+decision[1:], pick("skin", "age"), pick("looked", "asked"), flag))
	}
	for i := range 4 {
		add("decision", fmt.Sprint("d", i), pick("01", "02", "09"), "", pick("VERDICT_REFUSE", "VERDICT_REFER", "VERDICT_PROCEED"), random.IntN(4) > 0)
	}
	begun, closed := map[string]bool{}, map[string]bool{}
	for range 30 {
		decision := fmt.Sprint("d", random.IntN(4))
		switch n := random.IntN(10); {
		case n == 0 && !begun[decision]:
			begun[decision] = true
			add("begun", decision, "03", "", "", false)
		case n == 1 && !closed[decision]:
			closed[decision] = true
			add("outcome", decision, "04", "", "", random.IntN(2) == 0)
		case n > 1:
			kind := pick("REFUSAL", "OVERRIDE", "OVERRIDE", "OVERRIDE_DENIED", "DEVIATION", "ALARM", "ANSWER_CHANGED")
			add("entry", decision, pick("02", "03", "10"), "ENTRY_KIND_"+kind, "", false)
		}
	}
	return facts
}

// TestManyCountersCountOnce lets writers write and several servers count at the
// same time: each entry is counted once, and nothing is left.
func TestManyCountersCountOnce(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	const writers, each = 4, 25
	ctx, done := context.WithCancel(t.Context())
	var writing, counting sync.WaitGroup
	for range writers {
		writing.Go(func() {
			for range each {
				log(t, db, &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: timestamppb.Now()})
			}
		})
	}
	for range 3 {
		other := d.Open(t, storage.Config{})
		counting.Go(func() {
			for ctx.Err() == nil {
				if _, err := storage.UpdateCounters(ctx, other, 7); err != nil && ctx.Err() == nil {
					t.Error(err)
				}
			}
		})
	}
	writing.Wait()
	eventually(t, "the queue to be empty", func() bool { return rowsWhere(t, super, "tally_queue") == 0 })
	done()
	counting.Wait()
	wantCounted(t, db, writers*each)
}

// wantCounted fails unless the chain's counters say so many entries.
func wantCounted(t testing.TB, db *storage.DB, want int64) {
	t.Helper()
	read(t, db, func(s *storage.Snapshot) error {
		counts, err := storage.CountEntries(s, storage.ByKind, storage.Span{})
		var n int64
		for _, c := range counts {
			n += c.Entries
		}
		if n != want {
			t.Errorf("%d entries counted, want %d", n, want)
		}
		return err
	})
}

// TestCountingDiesWithoutATrace cuts the connection before and after COMMIT, and
// in between somebody else holds the turn: in the end each entry counts once.
func TestCountingDiesWithoutATrace(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	w := &wire{}
	broken, db, super := w.open(t, d, storage.Config{}), d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	entry := func() *pb.AuditEntry {
		return &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: timestamppb.Now()}
	}
	log(t, db, entry(), entry(), entry())
	w.onCommit(func() bool { return false }) // it never comes
	if _, err := storage.UpdateCounters(t.Context(), broken, 2); !errors.Is(err, storage.ErrUnknown) {
		t.Errorf("a lost COMMIT: %v", err)
	}
	eventually(t, "the server to undo it", func() bool { return rowsWhere(t, super, "pg_locks where relation = 'tally_turn'::regclass") == 0 })
	wantCounted(t, db, 0)
	w.onCommit(nil)
	w.mu.Lock()
	w.loseReplies = 1 // it comes, and nobody hears of it
	w.mu.Unlock()
	if _, err := storage.UpdateCounters(t.Context(), broken, 2); !errors.Is(err, storage.ErrUnknown) {
		t.Errorf("a lost answer to COMMIT: %v", err)
	}
	wantCounted(t, db, 2)
	held, release := make(chan struct{}), make(chan struct{})
	w.onCommit(func() bool { close(held); <-release; return true })
	var counting sync.WaitGroup
	counting.Go(func() {
		if n, err := storage.UpdateCounters(t.Context(), broken, 2); n != 1 || err != nil {
			t.Errorf("counted %d, %v", n, err)
		}
	})
	<-held
	if n, err := storage.UpdateCounters(t.Context(), db, 2); n != 0 || err != nil {
		t.Errorf("while another server counts: %d, %v", n, err)
	}
	log(t, db, entry()) // a writer does not wait for who counts
	close(release)
	counting.Wait()
	foldAll(t, db, 10)
	wantCounted(t, db, 4)
}

// TestChainsAreCountedApart: the figures of one chain have nothing of another's.
func TestChainsAreCountedApart(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	log(t, db, &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: timestamppb.Now()})
	if err := storage.AppendEntries(t.Context(), db, "other", &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: timestamppb.Now()}); err != nil {
		t.Fatal(err)
	}
	read(t, db, func(s *storage.Snapshot) error {
		n, err := storage.Uncounted(s)
		if n != 1 {
			t.Errorf("%d facts wait", n)
		}
		return err
	})
	db.Forbid("it is not the database that was seen")
	if n := foldAll(t, db, 10); n != 0 {
		t.Errorf("%d facts counted while nothing may be written", n)
	}
	db.Permit()
	if n := foldAll(t, db, 10); n != 2 {
		t.Errorf("%d facts counted", n)
	}
	wantCounted(t, db, 1)
}

// TestSpanIsOfWholeDays widens what it is given, and no more than it must.
func TestSpanIsOfWholeDays(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	day := time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)
	for i := range 3 {
		log(t, db, &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: timestamppb.New(day.AddDate(0, 0, i).Add(23 * time.Hour))})
	}
	foldAll(t, db, 10)
	for _, c := range []struct {
		from, to time.Time
		want     int64
	}{
		{time.Time{}, time.Time{}, 3},
		{day, day.AddDate(0, 0, 1), 1},
		{day.Add(time.Hour), day.AddDate(0, 0, 1).Add(time.Nanosecond), 2},
		{day.Add(23 * time.Hour).In(time.FixedZone("", 7200)), time.Time{}, 3},
		{time.Time{}, day, 0},
		{day.AddDate(0, 0, 2), time.Time{}, 1},
	} {
		read(t, db, func(s *storage.Snapshot) error {
			counts, err := storage.CountEntries(s, storage.ByWeek, storage.NewSpan(c.from, c.to))
			var n int64
			for _, got := range counts {
				n += got.Entries
				if got.Key != "2026-W48" {
					t.Errorf("in week %s", got.Key)
				}
			}
			if n != c.want {
				t.Errorf("from %v to %v: %d, want %d", c.from, c.to, n, c.want)
			}
			return err
		})
	}
}

// TestTimesAreFoundWhereverTheyStand writes entries whose times are in no order,
// counts some of them, and asks for those of a time.
func TestTimesAreFoundWhereverTheyStand(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	db := storagetest.New(t)
	var times []time.Time
	for range 40 {
		at := time.Date(2026, 11, 1, random.IntN(24*9), 0, 0, 0, time.UTC)
		times = append(times, at)
		log(t, db, &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: timestamppb.New(at)})
		if random.IntN(8) == 0 {
			if _, err := storage.UpdateCounters(t.Context(), db, 1+random.IntN(9)); err != nil {
				t.Fatal(err)
			}
		}
		from, to := times[random.IntN(len(times))], times[random.IntN(len(times))].In(time.FixedZone("", 9*3600))
		bound := func(op string, at time.Time) storage.EntryFilter {
			return storage.EntryFilter{Field: "record_time", Op: op, Value: at}
		}
		within := storage.EntryFilter{Op: "AND", Of: []storage.EntryFilter{bound(">=", from), {Op: "NOT", Of: []storage.EntryFilter{bound("=", to)}}, bound("<=", to)}}
		want := 0
		for _, at := range times {
			if !at.Before(from) && at.Before(to) {
				want++
			}
		}
		read(t, db, func(s *storage.Snapshot) error {
			found, _, err := storage.ListEntries(s, within, storage.Page{Size: 100}, 1<<40)
			if len(found) != want {
				t.Errorf("from %v to %v: %d, want %d", from, to, len(found), want)
			}
			return err
		})
	}
}

// TestAPagePassesNothingBy holds a write open between its entry and its end, with
// later entries written: pages go no further than that entry's place, and who
// follows them to the end sees it.
func TestAPagePassesNothingBy(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	w := &wire{}
	held, db := w.open(t, d, storage.Config{}), d.Open(t, storage.Config{})
	entry := func() *pb.AuditEntry { return &pb.AuditEntry{RecordTime: timestamppb.Now()} }
	log(t, db, entry())
	reached, release := make(chan struct{}), make(chan struct{})
	w.onCommit(func() bool { close(reached); <-release; return true })
	var writing sync.WaitGroup
	writing.Go(func() { log(t, held, entry()) }) // has position 2, and waits
	<-reached
	log(t, db, entry(), entry(), entry()) // positions 3 to 5
	token, seen := "", ""
	page := func(size int32) (more bool) {
		settled, err := storage.SettledBefore(t.Context(), db)
		if err != nil {
			t.Fatal(err)
		}
		read(t, db, func(s *storage.Snapshot) error {
			found, next, err := storage.ListEntries(s, storage.EntryFilter{}, storage.Page{Size: size, Token: token}, settled)
			for _, e := range found {
				seen += fmt.Sprint(e.Position)
			}
			token = next
			return err
		})
		return token != ""
	}
	for _, size := range []int32{2, 2, 1} {
		if !page(size) || seen != "1" {
			t.Errorf("before the entry at 2 is there, %q is seen", seen)
		}
	}
	close(release)
	writing.Wait()
	if !page(2) || page(2) || seen != "12345" {
		t.Errorf("in the end %q is seen", seen)
	}
	token, seen = "", ""
	if page(5) || seen != "12345" {
		t.Errorf("on a page that holds all: %q", seen)
	}
}

// bulk puts many entries on the log of the chain by plain SQL: of 100 salons, 50
// actors, 1,000 clients, the newest last. Their causes are not looked for; the
// queue is told of them when it is to be.
func bulk(t testing.TB, super *sql.DB, n int, tell string) {
	t.Helper()
	for _, statement := range []string{"alter table audit_entries disable trigger user", "alter table audit_entries " + tell + " trigger tell",
		fmt.Sprintf(`insert into audit_entries (chain, parent, id, etag, body, kind, salon, actor, on_behalf_of, client, decision, session, rules, reason, occur_time, record_time)
		select '%s', '', 'e' || i, '', '\x', case when i %% 7 = 0 then 'ENTRY_KIND_REFUSAL' else 'ENTRY_KIND_DEVIATION' end, 'salon-' || i %% 100, 'actor-' || i %% 50,
			case when i %% 3 = 0 then 'actor-' || (i + 7) %% 50 end, 'client-' || i %% 1000, 'decision-' || i %% 5000, 'session-' || i / 2, array['rule-' || i %% 60], 'reason-' || i %% 20, at, at
		from generate_series(1, %d) i, lateral (select timestamptz '2026-01-01Z' + i * interval '1 minute' as at) times`, chain, n),
		`do $$ declare t record; begin
			for t in select tgname from pg_trigger where not tgisinternal and tgrelid = 'audit_entries'::regclass loop
				execute format('alter table audit_entries enable always trigger %I', t.tgname);
			end loop; end $$`, // a server looks at its guards before it opens a database
		"analyze audit_entries"} {
		if _, err := super.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
}

// fetched is how many rows of tables the server reads for what a function does
// with a connection of its own: the counts are there when that has been closed.
func fetched(t testing.TB, d storagetest.Database, super *sql.DB, tables []string, do func(*storage.DB)) int64 {
	t.Helper()
	sum := func() (n int64) {
		err := super.QueryRowContext(t.Context(), `select coalesce(sum(coalesce(seq_tup_read, 0) + coalesce(idx_tup_fetch, 0)), 0)::bigint from pg_stat_user_tables
			where relname = any ($1)`, pq.Array(tables)).Scan(&n)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	db, err := storage.Open(t.Context(), storage.Config{DSN: d.DSN(storage.RoleServer)})
	if err != nil {
		t.Fatal(err)
	}
	before := sum()
	do(db)
	db.Close()
	eventually(t, "the server to tell", func() bool {
		return rowsWhere(t, super, "pg_stat_activity where datname = current_database() and usename = 'alkalog_server'") == 0
	})
	return sum() - before
}

// TestAPageCostsNoMoreFurtherOn reads pages of 10 at the beginning and far down a
// log of 20,000 entries, by the usual filters: the rows that the server looks at
// do not grow with the distance, and are few.
func TestAPageCostsNoMoreFurtherOn(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	super := d.SQL(t, localpg.Superuser)
	bulk(t, super, 20_000, "enable") // two weeks
	db := d.Open(t, storage.Config{})
	foldAll(t, db, 5000)
	db.Close()
	is := func(field, value string) storage.EntryFilter {
		return storage.EntryFilter{Field: field, Op: "=", Value: value}
	}
	recent := storage.EntryFilter{Field: "record_time", Op: ">=", Value: time.Date(2026, 1, 13, 0, 30, 0, 0, time.UTC)}
	early := storage.EntryFilter{Field: "record_time", Op: "<", Value: time.Date(2026, 1, 1, 23, 30, 0, 0, time.UTC)}
	for _, f := range []storage.EntryFilter{
		{}, is("kind", "ENTRY_KIND_REFUSAL"), is("salon", "salon-3"), is("actor", "actor-7"), is("client", "client-77"), is("decision", "decision-77"), is("session", "session-77"), is("practitioner", "actor-7"), recent, early,
		{Op: "AND", Of: []storage.EntryFilter{is("kind", "ENTRY_KIND_REFUSAL"), is("salon", "salon-3")}},
	} {
		var far string
		var all int
		page := func(db *storage.DB, size int32, token string) (next string) {
			read(t, db, func(s *storage.Snapshot) error {
				found, token, err := storage.ListEntries(s, f, storage.Page{Size: size, Token: token}, 1<<40)
				next, all = token, all+len(found)
				return err
			})
			return next
		}
		first := fetched(t, d, super, []string{"audit_entries"}, func(db *storage.DB) { page(db, 10, "") })
		db := d.Open(t, storage.Config{})
		for next, pages := page(db, 10, ""), 0; next != "" && pages < 120; pages++ {
			far = next
			next = page(db, max(10, int32(pages*4)), next)
		}
		db.Close()
		last := fetched(t, d, super, []string{"audit_entries"}, func(db *storage.DB) { page(db, 10, far) })
		t.Logf("%+v: %d rows looked at for the first page, %d for one behind %d", f, first, last, all)
		if first == 0 || first > 1500 || last > 1500 { // a day has 1440
			t.Errorf("%+v: %d rows looked at for a page of 10, %d for one behind %d", f, first, last, all)
		}
	}
}

// TestASummaryCostsNoMoreWithMoreEntries counts 20 times as many entries of the
// same days: a summary looks at no more rows.
func TestASummaryCostsNoMoreWithMoreEntries(t *testing.T) {
	t.Parallel()
	var cost []int64
	for _, n := range []int{2_000, 40_000} {
		d := storagetest.NewDatabase(t)
		super := d.SQL(t, localpg.Superuser)
		bulk(t, super, n, "enable")
		do(t, super, "update tally_queue set time = timestamptz '2026-01-01Z' + position % 14 * interval '1 day'") // the same days
		db := d.Open(t, storage.Config{})
		if folded := foldAll(t, db, 5000); folded != n {
			t.Fatalf("%d facts of %d", folded, n)
		}
		wantCounted(t, db, int64(n))
		db.Close()
		cost = append(cost, fetched(t, d, super, []string{"audit_entries", "tally_entries", "tally_figures", "tally_decisions"}, func(db *storage.DB) {
			read(t, db, func(s *storage.Snapshot) error {
				_, err := storage.CountEntries(s, storage.BySalon, storage.Span{})
				_, figuresErr := storage.ReadFigures(s, storage.Span{})
				return errors.Join(err, figuresErr)
			})
		}))
	}
	t.Logf("rows looked at: %v", cost)
	if cost[0] == 0 || cost[1] > 2*cost[0] {
		t.Errorf("rows looked at: %v", cost)
	}
}
