package cluster

import (
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"alkalog/storage"
)

// practitioners is how many of them work at a time.
const practitioners = 8

// installation is two servers on a cluster of three PostgreSQL servers. Each server
// reaches each node by a path of its own.
type installation struct {
	*site
	nodes   *nodes
	servers []*server
	// paths are those of each server to each node.
	paths map[*server]map[*node]*proxy
	load  *load
}

// newInstallation starts an installation with its load.
func newInstallation(t *testing.T) *installation {
	t.Helper()
	bin := needCluster(t)
	in := &installation{nodes: startNodes(t, bin), paths: map[*server]map[*node]*proxy{}}
	first := in.nodes.primary()
	if _, err := func() (any, error) {
		db := first.sql("postgres")
		defer db.Close()
		return db.Exec("create database alkalog")
	}(); err != nil {
		t.Fatal(err)
	}
	in.site = newSite(t, func(role string) string { return dsn(role, "alkalog", in.nodes.primary().postgres) })
	in.run(t, alkalog(t), "migrate", "--database", in.dsn("postgres"))
	for i := range 2 {
		paths := map[*node]*proxy{}
		var addresses []string
		for _, n := range in.nodes.all {
			paths[n] = newProxy(t, n.postgres)
			addresses = append(addresses, paths[n].address())
		}
		v := in.newServer(t, fmt.Sprintf("server%d", i+1), dsn(storage.RoleServer, "alkalog", addresses...)+" target_session_attrs=read-write")
		in.paths[v] = paths
		in.servers = append(in.servers, v)
		v.start(t, alkalog(t))
	}
	conn := dial(t, routing, in.servers...)
	prepare(t, conn, practitioners)
	in.load = startLoad(conn, practitioners)
	t.Cleanup(in.load.stop)
	in.load.waitAcknowledged(t, 50)
	return in
}

// finish ends the load and checks that nothing was lost or doubled.
func (in *installation) finish(t *testing.T) {
	t.Helper()
	in.load.finish(t)
	db := in.nodes.waitSynchronous(t).sql("alkalog")
	defer db.Close()
	in.load.wantKept(t, db)
	in.wantSound(t)
}

// drill breaks something, waits until calls are acknowledged again by another primary
// (if there must be one), mends it, and returns the longest time without an acknowledgement.
func (in *installation) drill(t *testing.T, what string, another bool, damage func(p *node), mend func(p *node)) time.Duration {
	t.Helper()
	before := in.nodes.waitSynchronous(t)
	in.load.waitAcknowledged(t, 20)
	begun := time.Now()
	damage(before)
	if another {
		eventually(t, what+": another primary", func() bool { p := in.nodes.primaryBut(before); return p != nil })
	}
	in.load.waitAcknowledged(t, 50)
	silence := in.load.silence(begun)
	mend(before)
	after := in.nodes.waitSynchronous(t)
	in.load.waitAcknowledged(t, 20)
	t.Logf("%-40s %s -> %s: %v without an acknowledged write", what, before.name, after.name, silence.Round(10*time.Millisecond))
	return silence
}

// TestFailover puts a cluster through what happens to primaries.
func TestFailover(t *testing.T) {
	in := newInstallation(t)
	for _, drill := range []struct {
		what         string
		another      bool
		damage, mend func(*node)
	}{
		{"PostgreSQL of the primary killed", true, func(p *node) { signalFamily(postmasterOf(p.data()), syscall.SIGKILL) }, func(*node) {}},
		{"machine of the primary lost", true, (*node).kill, func(p *node) { p.start(t) }},
		{"machine of the primary frozen, then reset", true, func(p *node) { p.signal(syscall.SIGSTOP) }, func(p *node) { p.kill(); p.start(t) }},
		{"primary cut off from etcd", true, func(p *node) { p.toEtcd.cut() }, func(p *node) { p.toEtcd.heal() }},
		{"primary partitioned, one server with it", true, in.partition, in.heal},
		{"switchover", true, func(p *node) {
			printed := block(t, "patronictl -c /etc/patroni.yml switchover salons --leader node1 --candidate node2 --force")
			args := strings.NewReplacer("node1", p.name, "node2", in.nodes.synchronous().name).Replace(printed)
			in.nodes.patronictl(t, strings.Fields(args)[3:]...)
		}, func(*node) {}},
		{"synchronous standby lost", false, func(p *node) { in.nodes.synchronous().kill() }, func(p *node) { in.nodes.startDead(t) }},
		{"both servers and the primary lost", true, func(p *node) {
			p.kill()
			for _, v := range in.servers {
				v.kill()
				v.supervise(t, alkalog(t))
			}
		}, func(p *node) { p.start(t) }},
	} {
		in.drill(t, drill.what, drill.another, drill.damage, drill.mend)
		for _, v := range in.servers {
			v.waitReady(t)
		}
	}
	in.finish(t)
}

// TestFrozenPrimary freezes the primary's machine and wakes it beside its successor, where
// no watchdog resets it. Patroni 3.0.2 may then give the lead back to it: between reading
// and writing it does not notice that the lead was taken from it (dcs/etcd3.py,
// _update_leader), and what the successor has acknowledged is rewound. The cluster has
// lost writes then, and the servers must not hide that: they refuse the old timeline.
func TestFrozenPrimary(t *testing.T) {
	in := newInstallation(t)
	frozen := in.nodes.waitSynchronous(t)
	frozen.signal(syscall.SIGSTOP)
	eventually(t, "another primary", func() bool { return in.nodes.primaryBut(frozen) != nil })
	successor := in.nodes.primaryBut(frozen)
	in.load.waitAcknowledged(t, 50)
	frozen.signal(syscall.SIGCONT)
	after := in.nodes.waitSynchronous(t)
	t.Logf("%s was frozen, %s took over, and %s leads after the wake", frozen.name, successor.name, after.name)
	if after != frozen {
		in.load.waitAcknowledged(t, 20)
		in.finish(t)
		return
	}
	for _, v := range in.servers {
		eventually(t, v.name+" to report that it is not ready", func() bool { return !v.ready() })
	}
	before := in.load.acknowledged()
	in.load.stop()
	in.load.ended.Wait()
	if now := in.load.acknowledged(); now != before {
		t.Errorf("%d calls were acknowledged on a timeline that others had left", now-before)
	}
	for _, v := range in.servers {
		if text, err := in.try(alkalog(t), v.args("serve")...); err == nil || !strings.Contains(text, "it was replaced and must not be written to") {
			t.Errorf("%s starts again on the old timeline, or does not say why not: %v: %s", v.name, err, text)
		}
	}
}

// partition leaves the primary and the first server together, away from the rest.
func (in *installation) partition(p *node) {
	p.isolate()
	for v, paths := range in.paths {
		for n, path := range paths {
			if (v == in.servers[0]) != (n == p) {
				path.cut()
			}
		}
	}
}

// heal ends a partition.
func (in *installation) heal(p *node) {
	p.heal()
	for _, paths := range in.paths {
		for _, path := range paths {
			path.heal()
		}
	}
}

// TestFailoverTimes measures how long nothing is acknowledged when the primary's machine
// is lost: by default three times, ALKALOG_TEST_FAILOVERS times if that is set.
func TestFailoverTimes(t *testing.T) {
	in := newInstallation(t)
	times, err := strconv.Atoi(os.Getenv("ALKALOG_TEST_FAILOVERS"))
	if err != nil {
		times = 3
	}
	for _, kind := range []struct {
		what         string
		damage, mend func(*node)
	}{
		{"PostgreSQL of the primary killed", func(p *node) { signalFamily(postmasterOf(p.data()), syscall.SIGKILL) }, func(*node) {}},
		{"machine of the primary lost", (*node).kill, func(p *node) { p.start(t) }},
	} {
		var all []time.Duration
		for range times {
			all = append(all, in.drill(t, kind.what, true, kind.damage, kind.mend))
		}
		slices.Sort(all)
		t.Logf("%s, %d times, ttl %d s, loop_wait %d s: p50 %v, max %v without an acknowledged write", kind.what, times, ttl, loopWait,
			all[len(all)/2].Round(10*time.Millisecond), all[len(all)-1].Round(10*time.Millisecond))
	}
	in.finish(t)
}
