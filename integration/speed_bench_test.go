package integration

import (
	"context"
	"flag"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// The speed of the write path, as a ratio to what the same PostgreSQL does with
// the same two rows without us. One command prints the whole table:
//
//	go test ./integration -run '^$' -bench 'Speed|LogReads|LogIntegration|Summary|Watchers' -benchtime 1x -timeout 90m
//
// and a small form, which takes half a minute, only the rows of the write path:
//
//	go test ./integration -run '^$' -bench Speed -benchtime 1x -speed-round 500ms -speed-rounds 1
//
// Rates are of this machine at this minute: only the ratios can be compared, and
// only if nothing else was running. That is why the table says how fast the disk
// and how busy the machine was.

var (
	speedRound  = flag.Duration("speed-round", 5*time.Second, "how long BenchmarkSpeed measures each row in each round")
	speedRounds = flag.Int("speed-rounds", 3, "how many rounds BenchmarkSpeed interleaves")
)

// speedRow is one line of the table: a work of ours and the plain work that it is
// compared with.
type speedRow struct {
	work, plain string // plain names a script of plainScripts
	callers     int
	plainUsers  int
	chains      int
	goal        float64 // of plain; the least ratio that the design asks for
	do          func(w *speedWorld, chains int) func(caller int) error
}

// speedRows are the works, with the goals of the design.
var speedRows = []speedRow{
	{"check that refuses", "two", 64, 64, 8, 0.3, checksThat(pb.Verdict_VERDICT_REFUSE)},
	{"check that proceeds", "two", 64, 64, 8, 0.3, checksThat(pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)},
	{"check that refuses", "two", 64, 64, 1, 0, checksThat(pb.Verdict_VERDICT_REFUSE)},
	{"check that refuses", "two", 64, 64, 64, 0, checksThat(pb.Verdict_VERDICT_REFUSE)},
	{"check that refuses", "cte", 256, 64, 8, 0.4, checksThat(pb.Verdict_VERDICT_REFUSE)},
	{"check that refuses", "two", 16, 16, 8, 0.4, checksThat(pb.Verdict_VERDICT_REFUSE)},
	{"event recorded", "two", 64, 64, 8, 0.6, recordedEvents},
}

// speedWorld is a server in a process of its own on a durable cluster, and chains
// with callers on it.
type speedWorld struct {
	b       *testing.B
	site    *testServer
	server  *child
	chains  []*chain
	callers []*speedCaller // the callers, spread over the chains
	busy    float64        // the load average before anything was started
}

// speedCaller is what one caller asks about.
type speedCaller struct {
	*chain
	refused, allowed *pb.CheckEligibilityRequest
	session          *pb.Session
}

const (
	speedChains  = 64
	speedCallers = 256
)

// loadBefore is the load average of the last minute when this program was started.
var loadBefore = func() (load float64) {
	text, _ := os.ReadFile("/proc/loadavg")
	fmt.Sscan(string(text), &load)
	return load
}()

// newSpeedWorld starts the server and stores what the callers ask about.
func newSpeedWorld(b *testing.B) *speedWorld {
	b.Helper()
	s := &testServer{clock: &clock{now: time.Now().UTC()}, database: storagetest.NewDurable(b), keys: newKeys(b)}
	s.sql = s.database.SQL(b, "")
	w := &speedWorld{b: b, site: s, busy: loadBefore}
	w.server = startProcess(b, childDatabase+"="+s.database.DSN(storage.RoleServer), childKeys+"="+s.keys)
	s.stubs = dial(b, w.server.addr)
	for i := range speedChains {
		w.chains = append(w.chains, s.newChain(b, fmt.Sprintf("quay-%d", i)))
	}
	w.callers = make([]*speedCaller, speedCallers)
	share(speedCallers, 16, func(i int) {
		c := w.chains[i%speedChains]
		client := c.client(b)
		w.callers[i] = &speedCaller{
			chain:   c,
			refused: c.question(c.submitted(b, client, brokenSkin).Name),
			allowed: c.question(c.submitted(b, c.client(b)).Name),
		}
	})
	return w
}

// caller returns the caller with a number, if the callers are spread over so many
// chains.
func (w *speedWorld) caller(n, chains int) *speedCaller {
	row := n / chains * speedChains // callers of one chain are speedChains apart
	return w.callers[(row+n%chains)%speedCallers]
}

// checksThat asks for decisions, all of one verdict. More callers than a chain has
// questions share them; each call has a request ID of its own.
func checksThat(verdict pb.Verdict) func(*speedWorld, int) func(int) error {
	return func(w *speedWorld, chains int) func(int) error {
		return func(n int) error {
			c := w.caller(n, chains)
			asked := c.refused
			if verdict != pb.Verdict_VERDICT_REFUSE {
				asked = c.allowed
			}
			answer, err := c.eligibility.CheckEligibility(c.amara.identify(context.Background()), again(asked))
			if err == nil && answer.Decision.Verdict != verdict {
				err = fmt.Errorf("the verdict is %v, not %v", answer.Decision.Verdict, verdict)
			}
			return err
		}
	}
}

// recordedEvents records a remark per call, each caller in a session of its own that
// is begun anew in every round, so that it is as long in each.
func recordedEvents(w *speedWorld, chains int) func(int) error {
	share(speedCallers, 16, func(i int) {
		c := w.callers[i]
		answer, err := c.processing.StartSession(c.amara.identify(w.b.Context()), &pb.StartSessionRequest{
			Parent: c.chain.client(w.b), UnderWay: true, Salon: c.salon, Practitioner: c.amara.name, Product: c.relaxer, RequestId: newID()})
		if err != nil {
			w.b.Error(err)
			return
		}
		c.session = answer.Session
	})
	return func(n int) error {
		c := w.caller(n, chains)
		remark := note("a remark")
		remark.EventId, remark.OccurTime = newID(), timestamppb.Now()
		answer, err := c.processing.RecordEvents(c.till.identify(context.Background()), &pb.RecordEventsRequest{
			Name: c.session.Name, Events: []*pb.Event{remark}, SendTime: timestamppb.Now(), RequestId: newID()})
		if err == nil && answer.Results[0].Status != pb.EventStatus_EVENT_STATUS_RECORDED {
			err = fmt.Errorf("not recorded: %v", answer)
		}
		return err
	}
}

// speedFigures are what one work did in one round.
type speedFigures struct {
	rate                           float64 // calls a second
	p50, p99                       time.Duration
	wal, stored                    float64 // bytes a call
	syncs                          float64 // of the write-ahead log, a call
	serverCPU, databaseCPU, ownCPU time.Duration
}

// measure runs a work with so many callers for a round.
func (w *speedWorld) measure(callers int, do func(caller int) error) speedFigures {
	w.b.Helper()
	before := w.usage()
	end := time.Now().Add(*speedRound)
	var failed atomic.Pointer[error]
	took := make([][]time.Duration, callers)
	began := time.Now()
	share(callers, callers, func(n int) {
		for time.Now().Before(end) && failed.Load() == nil {
			at := time.Now()
			if err := do(n); err != nil {
				failed.Store(&err)
				return
			}
			took[n] = append(took[n], time.Since(at))
		}
	})
	elapsed := time.Since(began)
	if err := failed.Load(); err != nil {
		w.b.Fatal(*err)
	}
	all := slices.Concat(took...)
	slices.Sort(all)
	used, n := w.usage().minus(before), len(all)
	return speedFigures{
		rate: float64(n) / elapsed.Seconds(), p50: all[n/2], p99: all[n*99/100],
		wal: used.wal / float64(n), stored: used.stored / float64(n), syncs: used.syncs / float64(n),
		serverCPU: used.server / time.Duration(n), databaseCPU: used.database / time.Duration(n), ownCPU: used.own / time.Duration(n),
	}
}

// BenchmarkSpeed prints the rows of the write path. It fails on nothing but calls
// that fail.
func BenchmarkSpeed(b *testing.B) {
	for b.Loop() {
		w := newSpeedWorld(b)
		plain := newPlainWork(b, w.site.database)
		results, ratios := make([][]speedFigures, len(speedRows)), make([][]float64, len(speedRows))
		plainRates := make([][]float64, len(speedRows))
		for range *speedRounds {
			for i, row := range speedRows {
				do := row.do(w, row.chains)
				bare := plain.rate(b, row.plain, row.plainUsers)
				ours := w.measure(row.callers, do)
				results[i] = append(results[i], ours)
				plainRates[i] = append(plainRates[i], bare)
				ratios[i] = append(ratios[i], ours.rate/bare)
			}
		}
		fmt.Print(w.table(results, plainRates, ratios))
	}
	b.ReportMetric(0, "ns/op") // the whole says nothing
}

// table is what is printed: medians over the rounds, ratios with their spread.
func (w *speedWorld) table(results [][]speedFigures, plain, ratios [][]float64) string {
	var out strings.Builder
	load, _ := os.ReadFile("/proc/loadavg")
	if w.busy > float64(runtime.NumCPU())/4 {
		fmt.Fprintf(&out, "\nDO NOT BELIEVE THIS: the load average was %.1f on %d cores before the first row.\n", w.busy, runtime.NumCPU())
	}
	fmt.Fprintf(&out, "\n%d rounds of %v on PostgreSQL %s; the disk does %.0f fdatasync/s; load average now: %s",
		*speedRounds, *speedRound, w.site.database.Cluster.Version(), syncRate(w.b), load)
	fmt.Fprintf(&out, "%-20s %7s %6s | %8s %13s %17s %5s | %8s %8s | %7s %7s %6s | %8s %8s %8s\n",
		"work", "callers", "chains", "calls/s", "plain/s", "ratio (spread)", "goal", "p50 ms", "p99 ms", "WAL B", "disk B", "syncs", "server", "postgres", "client")
	for i, row := range speedRows {
		of := func(value func(speedFigures) float64) float64 {
			var all []float64
			for _, m := range results[i] {
				all = append(all, value(m))
			}
			return median(all)
		}
		goal := "-"
		if row.goal > 0 {
			goal = fmt.Sprintf("%.1f", row.goal)
		}
		fmt.Fprintf(&out, "%-20s %7d %6d | %8.0f %6s %6.0f %5.2f (%.2f-%.2f) %5s | %8.2f %8.2f | %7.0f %7.0f %6.3f | %5.2f ms %5.2f ms %5.2f ms\n",
			row.work, row.callers, row.chains, of(func(m speedFigures) float64 { return m.rate }),
			row.plain, median(plain[i]), median(ratios[i]), slices.Min(ratios[i]), slices.Max(ratios[i]), goal,
			of(func(m speedFigures) float64 { return milliseconds(m.p50) }), of(func(m speedFigures) float64 { return milliseconds(m.p99) }),
			of(func(m speedFigures) float64 { return m.wal }), of(func(m speedFigures) float64 { return m.stored }), of(func(m speedFigures) float64 { return m.syncs }),
			of(func(m speedFigures) float64 { return milliseconds(m.serverCPU) }), of(func(m speedFigures) float64 { return milliseconds(m.databaseCPU) }),
			of(func(m speedFigures) float64 { return milliseconds(m.ownCPU) }))
	}
	out.WriteString("server, postgres, client: CPU per call. The goals hold for 8 chains on a machine that does nothing else.\n")
	return out.String()
}

// milliseconds is a time as a number of milliseconds.
func milliseconds(d time.Duration) float64 { return d.Seconds() * 1000 }

// syncRate is how often a second the disk takes a page of the write-ahead log.
func syncRate(b *testing.B) float64 {
	b.Helper()
	file, err := os.CreateTemp(b.TempDir(), "sync")
	if err != nil {
		b.Fatal(err)
	}
	defer file.Close()
	page, n, began := make([]byte, 8192), 0, time.Now()
	for ; time.Since(began) < 300*time.Millisecond; n++ {
		if _, err := file.WriteAt(page, 0); err != nil {
			b.Fatal(err)
		}
		if err := syscall.Fdatasync(int(file.Fd())); err != nil {
			b.Fatal(err)
		}
	}
	return float64(n) / time.Since(began).Seconds()
}
