package faults

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"
)

// The promise: whatever breaks, an acknowledged write stays and is there once, a
// retry settles what was unknown, and soon after the fault is over writes are
// acknowledged again.
//
// One fault alone: go test ./integration/faults -run 'TestFault/06'. The seed is
// printed and can be given back in ALKALOG_FAULT_SEED. Without ALKALOG_FAULT_TIME
// only the quick faults run when all are asked for. ALKALOG_FAULT_TIME=1s runs each once;
// with ALKALOG_FAULT_TIME=2m each is repeated for so long, in its long form and one
// after the other.

const (
	// timeVariable is how long each fault is repeated.
	timeVariable = "ALKALOG_FAULT_TIME"
	// longRun is from when on a run is a long one. Our own choice.
	longRun = 30 * time.Second
)

// fault is one thing that can break.
type fault struct {
	number int
	name   string
	build  func(*world) // makes databases and servers
	inject func(*world) // breaks and repairs, while clients are at work
	when   when         // it runs unless it is asked for by its number
}

// when is in which runs a fault runs.
type when int

const (
	always     when = iota // in go test ./... too
	ifAsked                // with timeVariable
	inLongRuns             // only in long runs
)

// faults are all of them, as they are numbered in the table.
var faults = []fault{
	{1, "server killed, at random and around COMMIT", single(1), killServer, always},
	{2, "database killed: a backend, all of it, with the server", single(1), killDatabase, always},
	{3, "stopped processes: server, database, one backend", single(2), stopProcesses, ifAsked},
	{4, "disk of the database full", onSmallDisk, fillDisk, ifAsked},
	{5, "network to the database: slow, silent, cut, lost replies", single(1), breakNetwork, always},
	{6, "a server's clock an hour ahead, behind, frozen", withClocks(2), breakClock, ifAsked},
	{7, "repeated, racing and altered requests on two servers", single(2), repeatRequests, ifAsked},
	{8, "two and three servers, rolling restart", single(2), restartServers, ifAsked},
	{9, "leader of the logs stopped, cut off, killed", single(2), breakLeader, ifAsked},
	{10, "primary killed, synchronous standby promoted", pair(2), failOver, always},
	{11, "old primary comes back", pair(2), returnOldPrimary, ifAsked},
	{12, "database restored from backup and archive", archiving, restoreBackup, ifAsked},
	{13, "slow readers, idle streams, vanished clients", quickPings, stallClients, ifAsked},
	{14, "audit log cannot be written", single(2), breakAudit, ifAsked},
	{15, "schema newer than the server", single(2), newerSchema, ifAsked},
	{16, "random mix", everything, nemesis, inLongRuns},
}

func TestFault(t *testing.T) {
	long, asked := longTime(t)
	named := strings.Contains(flag.Lookup("test.run").Value.String(), "/")
	var results table
	t.Cleanup(func() { t.Log("\n" + results.String()) })
	for _, f := range faults {
		if f.when == ifAsked && !asked && !named || f.when == inLongRuns && long < longRun {
			continue
		}
		t.Run(fmt.Sprintf("%02d", f.number), func(t *testing.T) {
			if long < longRun {
				t.Parallel()
			}
			w := newWorld(t, newSeed(t), long)
			results.add(f, w.endure(f))
		})
	}
}

// longTime is how long each fault is repeated, and whether that was asked for.
func longTime(t *testing.T) (long time.Duration, asked bool) {
	text := os.Getenv(timeVariable)
	if text == "" {
		return 0, false
	}
	long, err := time.ParseDuration(text)
	if err != nil {
		t.Fatalf("%s: %v", timeVariable, err)
	}
	return long, true
}

// endure runs the clients, the fault, and the checks.
func (w *world) endure(f fault) *row {
	f.build(w)
	w.health = watchHealth(w.t, w.servers)
	w.load = newLoad(w.t, w.random.Uint64(), w.targets())
	w.load.start()
	w.pause(300*time.Millisecond, 500*time.Millisecond)
	for began := time.Now(); ; {
		f.inject(w)
		if w.t.Failed() || time.Since(began) >= w.long {
			break
		}
	}
	w.load.healed()
	w.pause(300*time.Millisecond, 500*time.Millisecond)
	h := w.load.finish()
	w.health.end()
	w.row.health = w.health.summary()
	w.row.report = check(w.t, h, w.place())
	w.row.report.require(w.t)
	if w.t.Failed() {
		for i, s := range w.servers {
			w.t.Logf("server %d: %s", i+1, s.log())
		}
	}
	return &w.row
}
