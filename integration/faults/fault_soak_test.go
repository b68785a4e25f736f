package faults

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

// soakVariable is how long the soak test runs, such as 1h; without it, it does not.
const soakVariable = "ALKALOG_SOAK_TIME"

// TestSoak works on two servers for a long time, with a fault now and then, and
// samples what they use: memory, descriptors, goroutines, connections, tables. What
// grows must grow with the records, and nothing else may grow.
func TestSoak(t *testing.T) {
	text := os.Getenv(soakVariable)
	if text == "" {
		t.Skipf("set %s; see DEVELOPERS.md", soakVariable)
	}
	long, err := time.ParseDuration(text)
	if err != nil {
		t.Fatalf("%s: %v", soakVariable, err)
	}
	seed := newSeed(t)
	w := newWorld(t, seed, 0)
	single(2, "autovacuum_naptime=5s")(w)
	w.load = newLoad(t, w.random.Uint64(), w.targets())
	w.load.start()
	var samples []sample
	began := time.Now()
	for next := 0; time.Since(began) < long; next++ {
		if next%8 == 7 { // most of the time nothing is broken
			soakFaults[w.random.IntN(len(soakFaults))](w)
			w.recovered(soonest)
		}
		time.Sleep(long / 120)
		samples = append(samples, w.sample())
	}
	w.load.healed()
	h := w.load.finish()
	judgeSoak(t, samples)
	check(t, h, w.place()).require(t)
}

// soakFaults are brief, and leave the processes alive, because a new process would
// hide what an old one keeps.
var soakFaults = []func(*world){
	func(w *world) { w.wire(w.some()).cut() },
	func(w *world) {
		wire := w.wire(w.some())
		wire.freeze()
		w.pause(500*time.Millisecond, time.Second)
		wire.heal()
	},
	func(w *world) {
		i := w.some()
		hit := w.wire(i).strike(afterCommit, w.random.IntN(10), 5, nil)
		for range 5 {
			select {
			case <-hit:
			case <-time.After(5 * time.Second):
			}
		}
		w.wire(i).heal()
	},
	func(w *world) {
		w.pg().kill()
		w.pg().start()
	},
}

// sample is what is used at one moment, by name.
type sample map[string]float64

// perRecord marks the names of figures that are divided by the number of requests
// that are stored: these grow with the records.
const perRecord = "bytes a request of "

// sample takes the figures of all servers and of the database.
func (w *world) sample() sample {
	w.t.Helper()
	s := sample{}
	for i, server := range w.servers {
		text := metrics(server.cfg.Metrics)
		for _, name := range []string{"process_resident_memory_bytes", "go_goroutines", "alkalog_pool_connections_open", "alkalog_connections_open"} {
			s[fmt.Sprintf("server %d %s", i+1, name)] = figure(text, name)
		}
		s[fmt.Sprintf("server %d open files", i+1)] = float64(openFiles(server.pid()))
	}
	db := w.pg().db()
	defer db.Close()
	requests := max(1, float64(w.pg().number("select count(*) from alkalog.requests")))
	s["connections of the database"] = float64(w.pg().number("select count(*) from pg_stat_activity where usename = 'alkalog_server'"))
	s["requests"] = requests
	rows, err := db.Query("select relname, pg_total_relation_size(oid) from pg_class where relnamespace = 'alkalog'::regnamespace and relkind = 'r'")
	if err != nil {
		w.t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var table string
		var bytes float64
		if err := rows.Scan(&table, &bytes); err != nil {
			w.t.Fatal(err)
		}
		s[perRecord+table] = bytes / requests
	}
	return s
}

const (
	// soakGrowth is by how much the mean of a figure in the last third of a run may
	// exceed that of the second third. A leak of one thing a call exceeds it; the
	// first third is for pools and caches to fill. Our own choice.
	soakGrowth = 1.3
	// soakSlack is added, by the kind of figure: small numbers vary by more.
	soakSlackCount, soakSlackMemory, soakSlackBytes = 30, 30 << 20, 200
)

// judgeSoak compares the thirds of a run, and prints them.
func judgeSoak(t *testing.T, samples []sample) {
	t.Helper()
	if len(samples) < 9 {
		t.Fatalf("%d samples are too few", len(samples))
	}
	third := len(samples) / 3
	var names []string
	for name := range samples[len(samples)-1] {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		first, second, last := mean(samples[:third], name), mean(samples[third:2*third], name), mean(samples[2*third:], name)
		t.Logf("%-60s %14.0f %14.0f %14.0f", name, first, second, last)
		slack := float64(soakSlackCount)
		switch {
		case name == "requests":
			continue
		case strings.HasPrefix(name, perRecord):
			slack = soakSlackBytes
		case strings.HasSuffix(name, "memory_bytes"):
			slack = soakSlackMemory
		}
		if last > second*soakGrowth+slack {
			t.Errorf("%s grows: %.0f in the second third, %.0f in the last", name, second, last)
		}
	}
}

// mean is the mean of a figure.
func mean(samples []sample, name string) float64 {
	total := 0.0
	for _, s := range samples {
		total += s[name]
	}
	return total / float64(len(samples))
}
