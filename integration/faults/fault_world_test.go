package faults

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"alkalog/storage"
)

// world is what a fault breaks: databases, servers, and the network between them.
type world struct {
	t      *testing.T
	random *rand.Rand
	long   time.Duration // how long the fault is repeated; at least once

	mixing bool // the fault is one of the random mix

	dir     string
	nodes   []*postgres // one, or a primary and its synchronous standby
	primary int
	keys    string
	servers []*server
	wires   [][]*proxy // from each server to each node
	probes  []*probe   // to each server
	health  *healthWatch
	load    *load
	row     row
}

// newWorld makes an empty world.
func newWorld(t *testing.T, seed uint64, long time.Duration) *world {
	return &world{t: t, random: rand.New(rand.NewPCG(seed, 4)), long: long, dir: testDir(t), keys: newKeys(t)}
}

// pg is the primary.
func (w *world) pg() *postgres { return w.nodes[w.primary] }

// wire is the connection of a server with the primary.
func (w *world) wire(i int) *proxy { return w.wires[i][w.primary] }

// some is one of the servers.
func (w *world) some() int { return w.random.IntN(len(w.servers)) }

// pause lets the clients work for a random while.
func (w *world) pause(least, most time.Duration) {
	time.Sleep(least + time.Duration(w.random.Int64N(int64(most-least)+1)))
}

// hold is how long a fault lasts: the short form, or the long one in a long run.
func (w *world) hold(short, long time.Duration) {
	if w.inLongRun() {
		short = long
	}
	time.Sleep(short)
}

// inLongRun reports whether faults last long. In the mix each is short.
func (w *world) inLongRun() bool { return w.long >= longRun && !w.mixing }

// single makes one PostgreSQL and some servers.
func single(servers int, settings ...string) func(*world) {
	return func(w *world) {
		w.nodes = []*postgres{startPostgres(w.t, settings...)}
		w.addServers(servers, serverConfig{})
	}
}

// withClocks is single with servers whose clocks the test sets.
func withClocks(servers int) func(*world) {
	return func(w *world) {
		w.nodes = []*postgres{startPostgres(w.t)}
		w.addServers(servers, serverConfig{Clock: true})
	}
}

// pair makes a primary with a synchronous standby, and servers that know both.
func pair(servers int) func(*world) {
	return func(w *world) {
		w.nodes = []*postgres{startPostgres(w.t), newPostgres(w.t, filepath.Join(testDir(w.t), "pgdata"))}
		w.addStandby()
		w.addServers(servers, serverConfig{})
	}
}

// addServers starts more servers, each with its own connections.
func (w *world) addServers(n int, cfg serverConfig) {
	for range n {
		var wires []*proxy
		var addresses []string
		for _, node := range w.nodes {
			wire := newProxy(w.t, node.addr(), true)
			wires, addresses = append(wires, wire), append(addresses, wire.addr())
		}
		cfg.Database, cfg.Keys = dsnAt(storage.RoleServer, addresses...), w.keys
		s := startServer(w.t, cfg)
		w.servers, w.wires, w.probes = append(w.servers, s), append(w.wires, wires), append(w.probes, newProbe(w.t, s.cfg.Address))
	}
}

// targets are the addresses of the servers.
func (w *world) targets() []target {
	var all []target
	for _, s := range w.servers {
		all = append(all, target{Address: s.cfg.Address})
	}
	return all
}

// place is where the history is checked: the servers and the primary.
func (w *world) place() place {
	return place{targets: w.targets(), admin: w.pg().db(), dsn: w.pg().dsn(storage.RoleServer), keys: w.keys, binary: serverBinary(w.t, "")}
}

// standbyName is how a standby calls itself.
const standbyName = "standby"

// addStandby makes the other node a synchronous standby of the primary, from a
// base backup. Until it follows, commits do not wait for it.
func (w *world) addStandby() {
	primary, standby := w.pg(), w.nodes[1-w.primary]
	primary.setSynchronous("")
	if err := os.RemoveAll(standby.data); err != nil {
		w.t.Fatal(err)
	}
	runTool(w.t, program("pg_basebackup"), "-D", standby.data, "-c", "fast", "-R", "-d",
		strings.NewReplacer("dbname=postgres ", "").Replace(primary.dsn(superuser))+" application_name="+standbyName)
	standby.dropSetting("synchronous_standby_names")
	standby.start()
	w.wait("the standby to follow", func() bool {
		return primary.number("select count(*) from pg_stat_replication where state = 'streaming'") == 1
	})
	primary.setSynchronous(standbyName)
	w.wait("the standby to be synchronous", func() bool {
		return primary.number("select count(*) from pg_stat_replication where sync_state in ('sync', 'quorum')") == 1
	})
}

// setSynchronous names the standby that a COMMIT waits for; empty: none.
func (p *postgres) setSynchronous(name string) {
	p.t.Helper()
	p.exec("alter system set synchronous_standby_names = '"+name+"'", "select pg_reload_conf()")
}

// dropSetting removes what ALTER SYSTEM has set, while the server is down.
func (p *postgres) dropSetting(name string) {
	p.t.Helper()
	file := filepath.Join(p.data, "postgresql.auto.conf")
	text, err := os.ReadFile(file)
	if err != nil {
		p.t.Fatal(err)
	}
	lines := slices.DeleteFunc(strings.Split(string(text), "\n"), func(l string) bool { return strings.HasPrefix(l, name) })
	if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")), 0o600); err != nil {
		p.t.Fatal(err)
	}
}

// wait waits for a condition.
func (w *world) wait(what string, holds func() bool) {
	w.t.Helper()
	if !eventually(patience, 10*time.Millisecond, holds) {
		w.t.Fatalf("waited %v in vain for %s", patience, what)
	}
}

// eventually asks at an interval until a condition holds, and reports whether it did
// before the time was over.
func eventually(within, interval time.Duration, holds func() bool) bool {
	tick := time.NewTicker(interval)
	defer tick.Stop()
	for deadline := time.Now().Add(within); !holds(); <-tick.C {
		if time.Now().After(deadline) {
			return false
		}
	}
	return true
}

const (
	// soonest is how soon after the end of a fault a write must be acknowledged
	// by every server, and soonestAfterFailover the same after a failover. Our own
	// choice. It is judged in long runs, which have the machine to themselves; the
	// measured times are always in the table.
	soonest, soonestAfterFailover = 5 * time.Second, 15 * time.Second
	// patience is how long a test waits for what must happen.
	patience = time.Minute
)

// judgeTime fails a long run in which something took too long.
func (w *world) judgeTime(what string, took, want time.Duration) {
	w.t.Helper()
	if w.long >= longRun && took > want {
		w.t.Errorf("%s: %v, want %v", what, took.Round(time.Millisecond), want)
	}
}

// recovered waits until each server acknowledges a write again, and notes how long
// that took since the fault was over.
func (w *world) recovered(within time.Duration) {
	w.t.Helper()
	began := time.Now()
	first := time.Duration(0)
	for _, p := range w.probes {
		p.untilWritten(w.t, patience)
		if first == 0 {
			first = time.Since(began)
		}
	}
	all := time.Since(began)
	w.row.firstWrite, w.row.everyServer = max(w.row.firstWrite, first), max(w.row.everyServer, all)
	w.row.rounds++
	w.judgeTime("until every server acknowledged a write", all, within)
}
