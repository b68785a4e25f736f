package integration

import (
	"flag"
	"fmt"
	"strings"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// What a call costs when there are many records already:
//
//	go test ./integration -run '^$' -bench Growth -benchtime 1x -timeout 120m -speed-growth 1000000
//
// Two servers, each with its own cluster, take turns: one with ten thousand old
// refusals, one with as many as the flag says. Each refusal is a decision, its
// request and its entry.

var speedGrowth = flag.Int("speed-growth", 1_000_000, "how many old refusals the larger database of BenchmarkGrowth has")

// fewRefusals is the size of the smaller database.
const fewRefusals = 10_000

// BenchmarkGrowth reports the rate, the CPU and the log's bytes of a check in the large
// database as a ratio to those in the small one, and how large both are on disk.
func BenchmarkGrowth(b *testing.B) {
	for b.Loop() {
		small, large := newSpeedWorld(b), newSpeedWorld(b)
		small.age(fewRefusals)
		large.age(*speedGrowth)
		do := checksThat(pb.Verdict_VERDICT_REFUSE)
		var rates, server, database, wal []float64
		for range max(3, *speedRounds) {
			few := small.measure(64, do(small, 8))
			many := large.measure(64, do(large, 8))
			rates = append(rates, many.rate/few.rate)
			server = append(server, many.serverCPU.Seconds()/few.serverCPU.Seconds())
			database = append(database, many.databaseCPU.Seconds()/few.databaseCPU.Seconds())
			wal = append(wal, many.wal/few.wal)
		}
		b.ReportMetric(median(rates), "rate-ratio")
		b.ReportMetric(median(server), "server-cpu-ratio")
		b.ReportMetric(median(database), "postgres-cpu-ratio")
		b.ReportMetric(median(wal), "wal-ratio")
		b.ReportMetric(large.usage().stored/float64(*speedGrowth), "disk-B/refusal")
	}
	b.ReportMetric(0, "ns/op") // the whole says nothing
}

// age gives each of eight chains its share of n old refusals, which are copies of a few
// real ones, and waits until they are on the logs. Copies have ids that are older than
// any that is made now, as old records have. They are sealed for another id, so nobody
// can read them; what is measured is what they cost while they lie there.
func (w *speedWorld) age(n int) {
	w.b.Helper()
	const chains, seeds = 8, 32
	ask := checksThat(pb.Verdict_VERDICT_REFUSE)(w, chains)
	for i := range chains * seeds {
		if err := ask(i); err != nil {
			w.b.Fatal(err)
		}
	}
	began := time.Now()
	for chain := range chains {
		for _, table := range []string{"decisions", "requests", "audit_entries"} {
			w.copyRows(table, last(w.chains[chain].name), n/chains)
		}
	}
	if _, err := w.site.sql.Exec("vacuum analyze"); err != nil {
		w.b.Fatal(err)
	}
	stored := time.Since(began)
	w.site.reached(w.b)
	w.b.Logf("%d refusals: stored in %v, on the logs after %v", n, stored.Round(time.Second), time.Since(began).Round(time.Second))
}

// copyRows inserts n copies of rows that a chain has in a table.
func (w *speedWorld) copyRows(table, chain string, n int) {
	w.b.Helper()
	var columns []string
	rows, err := w.site.sql.Query(`select attname from pg_attribute where attrelid = $1::regclass and attnum > 0 and not attisdropped
		and attidentity = '' and attname not in ('write_id', 'manifest') order by attnum`, table)
	if err != nil {
		w.b.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var column string
		if err := rows.Scan(&column); err != nil {
			w.b.Fatal(err)
		}
		columns = append(columns, column)
	}
	values := make([]string, len(columns))
	for i, column := range columns {
		switch {
		case column == "id":
			values[i] = "lpad(to_hex(n), 8, '0') || substr(gen_random_uuid()::text, 9)"
		case column == "cause_digest":
			values[i] = "sha256(gen_random_uuid()::text::bytea)" // unique in its chain
		case column == "position":
			values[i] = "null"
		case column == "parent" && table == "decisions":
			values[i] = "gen_random_uuid()::text" // other clients
		default:
			values[i] = "r." + column
		}
	}
	// As every write does, so that the sequencer waits for what is being written.
	script := fmt.Sprintf(`begin; alter table %[1]s disable trigger all;
		select pg_advisory_xact_lock_shared(last_value + is_called::int) from audit_entries_position_seq;
		create temporary table seeds on commit drop as
			select *, row_number() over () - 1 as number, count(*) over () as many from (select * from %[1]s where chain = '%[5]s' limit 32) few;
		insert into %[1]s (%[2]s) select %[3]s from generate_series(1, %[4]d) n join seeds r on r.number = n %% r.many;
		alter table %[1]s enable trigger all; commit`, table, strings.Join(columns, ", "), strings.Join(values, ", "), n, chain)
	if _, err := w.site.sql.Exec(script); err != nil {
		w.b.Fatalf("copying %s: %v", table, err)
	}
}
