package integration

import (
	"context"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// What the log costs, on a cluster that forces every commit to the disk. Nothing
// here has a time that it must keep; ratios are what counts.
//
//	go test ./integration -run '^$' -bench BenchmarkLog -benchtime 1x

// newLogged is a chain on a server of its own.
func newLogged(b *testing.B) *chain {
	b.Helper()
	s := &testServer{clock: &clock{now: time.Now().UTC()}, database: storagetest.NewDurable(b), keys: newKeys(b)}
	s.sql = s.database.SQL(b, "")
	s.start(b)
	return s.newChain(b, "ebb-and-flow")
}

// BenchmarkLogIntegration is how many entries a second come onto the log when
// many wait, how much memory that takes, and how long an entry waits while
// callers write as fast as they can.
func BenchmarkLogIntegration(b *testing.B) {
	const waiting = 50_000
	for b.Loop() {
		c := newLogged(b)
		lead := c.takeLead(b)
		c.load(b, waiting)
		before := inUse()
		began := time.Now()
		c.release(b, lead)
		c.reached(b)
		b.ReportMetric(waiting/time.Since(began).Seconds(), "entries/s")
		b.ReportMetric(float64(inUse()-before)/(1<<20), "MiB-more")
		waits, rate := c.waits(b, 8, 100)
		slices.Sort(waits)
		b.ReportMetric(waits[len(waits)/2].Seconds()*1000, "lag-p50-ms")
		b.ReportMetric(waits[len(waits)*99/100].Seconds()*1000, "lag-p99-ms")
		b.ReportMetric(rate, "writes/s")
	}
	b.ReportMetric(0, "ns/op") // the whole says nothing
}

// takeLead takes the lead of the log from the server, which puts nothing on it
// until release gives it back: the leader's row is locked.
func (s *testServer) takeLead(b *testing.B) *sql.Tx {
	b.Helper()
	lead, err := s.sql.BeginTx(context.Background(), nil)
	if err == nil {
		_, err = lead.Exec("update log_leader set lease_end = '-infinity', epoch = epoch + 1")
	}
	if err != nil {
		b.Fatal(err)
	}
	return lead
}

func (s *testServer) release(b *testing.B, lead *sql.Tx) {
	b.Helper()
	if err := lead.Commit(); err != nil {
		b.Fatal(err)
	}
}

// reached waits until the log has got to all that is on record now.
func (s *testServer) reached(b *testing.B) {
	b.Helper()
	var newest, at int64
	if err := s.sql.QueryRow("select coalesce(max(position), 0) from audit_entries").Scan(&newest); err != nil {
		b.Fatal(err)
	}
	for end := time.Now().Add(10 * time.Minute); at < newest; {
		if err := s.sql.QueryRow("select position from log_leader").Scan(&at); err != nil || time.Now().After(end) {
			b.Fatalf("the log is at %d of %d: %v", at, newest, err)
		}
	}
}

// load puts n entries on record at once, without what a call does besides.
func (c *chain) load(b *testing.B, n int) {
	b.Helper()
	check := func(err error) {
		if err != nil {
			b.Helper()
			b.Fatal(err)
		}
	}
	tx, err := c.sql.BeginTx(b.Context(), nil)
	check(err)
	defer tx.Rollback()
	_, err = tx.Exec("alter table audit_entries disable trigger all")
	check(err)
	// As every write does, so that the log waits for what is being written.
	_, err = tx.Exec("select pg_advisory_xact_lock_shared(last_value + is_called::int) from audit_entries_position_seq")
	check(err)
	copying, err := tx.Prepare("copy alkalog.audit_entries (chain, parent, id, etag, body, kind, salon, actor, record_time, reason) from stdin")
	check(err)
	at := c.clock.Now()
	for i := range n {
		e := &pb.AuditEntry{Name: c.name + "/entries/" + storage.NewID(), Kind: pb.EntryKind_ENTRY_KIND_DEVIATION, Format: 1, Salon: c.salon, Actor: c.amara.name,
			Summary: fmt.Sprintf("an invented deviation, number %d", i), ReasonCode: fmt.Sprint("R", i%50), RecordTime: timestamppb.New(at)}
		if i%10 == 0 {
			e.Kind = pb.EntryKind_ENTRY_KIND_ALARM
		}
		body, err := proto.Marshal(e)
		check(err)
		_, err = copying.Exec(last(c.name), "", last(e.Name), "", body, e.Kind.String(), e.Salon, e.Actor, at, e.ReasonCode)
		check(err)
	}
	_, err = copying.Exec()
	check(err)
	check(copying.Close())
	_, err = tx.Exec("alter table audit_entries enable trigger all")
	check(err)
	check(tx.Commit())
	_, err = c.sql.Exec("analyze audit_entries")
	check(err)
}

// waits is how long n entries waited, from the answer of the call that made them
// until the log had got to them, while callers write as fast as they can; and
// how many entries a second these made.
func (c *chain) waits(b *testing.B, callers, n int) ([]time.Duration, float64) {
	b.Helper()
	ctx, cancel := context.WithCancel(b.Context())
	var writers sync.WaitGroup
	counts, began := make([]int, callers), time.Now()
	for i := range callers {
		writers.Go(func() {
			attempt := c.attempts(b)
			for ctx.Err() == nil {
				attempt()
				counts[i]++
			}
		})
	}
	waits, total := make([]time.Duration, n), 0
	attempt := c.attempts(b)
	for i := range waits {
		attempt()
		answered := time.Now()
		c.reached(b)
		waits[i] = time.Since(answered)
	}
	cancel()
	writers.Wait()
	for _, n := range counts {
		total += n
	}
	return waits, float64(total) / time.Since(began).Seconds()
}

// BenchmarkLogReads is what reading costs at several sizes of the log: a proof, a
// filtered page of a hundred at random depths with its ratio to the plain SQL,
// and an export.
func BenchmarkLogReads(b *testing.B) {
	for _, size := range []int{10_000, 1_000_000} {
		b.Run(fmt.Sprint(size), func(b *testing.B) {
			for b.Loop() {
				c := newLogged(b)
				began := time.Now()
				c.load(b, size)
				c.reached(b)
				b.ReportMetric(float64(size)/time.Since(began).Seconds(), "loaded/s")
				c.proofs(b, 200)
				c.filteredPages(b, size, 100)
				c.exports(b, min(size, 100_000))
			}
			b.ReportMetric(0, "ns/op")
		})
	}
}

// proofs reports how long proofs of entries here and there take.
func (c *chain) proofs(b *testing.B, n int) {
	b.Helper()
	var names []string
	for _, id := range bodies(b, c.sql, fmt.Sprintf("select id::bytea from log_entries order by sha256(id::bytea) limit %d", n)) {
		names = append(names, c.name+"/entries/"+string(id))
	}
	took := make([]time.Duration, n)
	for i, name := range names {
		began := time.Now()
		must(b, c.vesna, c.audit.GetInclusionProof, &pb.GetInclusionProofRequest{Name: name})
		took[i] = time.Since(began)
	}
	slices.Sort(took)
	b.ReportMetric(took[n/2].Seconds()*1000, "proof-p50-ms")
	b.ReportMetric(took[n*99/100].Seconds()*1000, "proof-p99-ms")
}

// filteredPages reports how long a page of a hundred alarms takes at random
// depths, and that in relation to the plain SQL, taken in turns.
func (c *chain) filteredPages(b *testing.B, size, n int) {
	b.Helper()
	const filter = `kind = "ALARM"`
	tokens := c.tokens(b, filter, min(size/1000, 200))
	var pages, plain, first, deep []time.Duration
	for range n {
		at := rand.IntN(len(tokens))
		began := time.Now()
		page := must(b, c.vesna, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: filter, PageSize: 100, PageToken: tokens[at].token})
		took := time.Since(began)
		pages = append(pages, took)
		if at < len(tokens)/5+1 {
			first = append(first, took)
		} else if at > len(tokens)*4/5-1 {
			deep = append(deep, took)
		}
		began = time.Now()
		found := bodies(b, c.sql, fmt.Sprintf("select body from audit_entries where chain = '%s' and kind = 'ENTRY_KIND_ALARM' and position > %d order by position limit 100",
			last(c.name), tokens[at].position))
		plain = append(plain, time.Since(began))
		if len(found) != len(page.Entries) {
			b.Fatalf("a page of %d, and %d by plain SQL", len(page.Entries), len(found))
		}
	}
	b.ReportMetric(middle(pages).Seconds()*1000, "page-p50-ms")
	b.ReportMetric(middle(pages).Seconds()/middle(plain).Seconds(), "page/sql")
	b.ReportMetric(middle(deep).Seconds()/middle(first).Seconds(), "deep/first")
}

// depth is where a page begins.
type depth struct {
	token    string
	position int64
}

// tokens goes through a filtered list, and keeps where its pages begin, spread
// over all of it.
func (c *chain) tokens(b *testing.B, filter string, most int) []depth {
	b.Helper()
	all := []depth{{}}
	for token := ""; ; {
		page := must(b, c.vesna, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: filter, PageSize: 100, PageToken: token})
		token = page.NextPageToken
		if token == "" {
			break
		}
		at := depth{token: token}
		id := last(page.Entries[len(page.Entries)-1].Name)
		if err := c.sql.QueryRow("select position from audit_entries where chain = $1 and id = $2", last(c.name), id).Scan(&at.position); err != nil {
			b.Fatal(err)
		}
		all = append(all, at)
	}
	all = all[:len(all)-1] // the last page may be short
	step := max(1, len(all)/most)
	var kept []depth
	for i := 0; i < len(all); i += step {
		kept = append(kept, all[i])
	}
	return kept
}

// exports reports how fast the first n entries are copied.
func (c *chain) exports(b *testing.B, n int) {
	b.Helper()
	began := time.Now()
	if got := len(c.exported(b, &pb.ExportEntriesRequest{Parent: c.name, TreeSize: int64(n)})); got != n {
		b.Fatalf("%d of %d entries were exported", got, n)
	}
	b.ReportMetric(float64(n)/time.Since(began).Seconds(), "exported/s")
}

// middle is the middle one of some times.
func middle(of []time.Duration) time.Duration {
	of = slices.Sorted(slices.Values(of))
	return of[len(of)/2]
}

// BenchmarkLogHotPath is the rate of decisions, each of which makes an entry,
// with the log being built beside them, in relation to that without: pairs,
// taken in turns.
func BenchmarkLogHotPath(b *testing.B) {
	const callers, calls, pairs = 4, 40, 15
	c := newLogged(b)
	cards := make([]string, callers)
	for i := range cards {
		cards[i] = c.submitted(b, c.client(b), brokenSkin).Name
	}
	rate := func() float64 {
		began := time.Now()
		share(callers*calls, callers, func(i int) { must(b, c.amara, c.eligibility.CheckEligibility, c.question(cards[i%callers])) })
		return callers * calls / time.Since(began).Seconds()
	}
	for b.Loop() {
		rate() // warm
		var with, ratios []float64
		for i := range pairs {
			both := map[bool]float64{}
			for _, stopped := range []bool{i%2 == 0, i%2 != 0} {
				if !stopped {
					both[stopped] = rate()
					continue
				}
				lead := c.takeLead(b)
				both[stopped] = rate()
				c.release(b, lead)
				c.reached(b) // what has gathered is not the next one's to pay
			}
			with, ratios = append(with, both[false]), append(ratios, both[false]/both[true])
		}
		b.ReportMetric(median(with), "decisions/s")
		b.ReportMetric(median(ratios), "with/without")
		b.ReportMetric(slices.Min(ratios), "least")
	}
	b.ReportMetric(0, "ns/op")
}
