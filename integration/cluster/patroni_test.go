package cluster

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/lib/pq"
)

// The times of the cluster, in seconds. Patroni's own are 30, 10 and 10; ttl is the
// longest that a primary may be silent before another takes over.
const (
	ttl, loopWait, retryTimeout = 10, 2, 3
)

// nodes is a cluster of PostgreSQL servers under Patroni.
type nodes struct {
	dir string
	bin string
	all []*node
}

// node is one machine of the cluster: Patroni with its PostgreSQL. Others reach it, and
// it reaches etcd, only through proxies.
type node struct {
	name               string
	dir                string
	postgres, rest     string // where they listen
	toPostgres, toREST *proxy // how the other nodes reach them
	toEtcd             *proxy
	patroni            *process
}

// data is the node's data directory.
func (n *node) data() string { return filepath.Join(n.dir, "data") }

// startNodes starts etcd and a cluster of three, and waits until it replicates
// synchronously.
func startNodes(t *testing.T, bin string) *nodes {
	t.Helper()
	c := &nodes{dir: sharedDir(t), bin: bin}
	etcd := startEtcd(t, c.dir)
	for i := range 3 {
		n := &node{name: fmt.Sprintf("node%d", i+1), postgres: freeAddress(t), rest: freeAddress(t), toEtcd: newProxy(t, etcd)}
		n.toPostgres, n.toREST = newProxy(t, n.postgres), newProxy(t, n.rest)
		n.dir = filepath.Join(c.dir, n.name)
		if err := os.Mkdir(n.dir, 0o755); err != nil {
			t.Fatal(err)
		}
		chown(t, n.dir)
		write(t, filepath.Join(n.dir, "patroni.yml"), n.config(t, bin))
		c.all = append(c.all, n)
		n.start(t)
		t.Cleanup(n.kill)
		if i == 0 { // the first makes the cluster, so that there is one leader to join
			eventually(t, "the first node to be the primary", func() bool { return c.primary() != nil })
		}
	}
	c.waitSynchronous(t)
	return c
}

// startEtcd starts an etcd of one member and returns its address.
func startEtcd(t *testing.T, dir string) string {
	t.Helper()
	clients, peers := freeAddress(t), freeAddress(t)
	p := startProcess(t, dir, "etcd", syscall.SIGKILL, nil, "etcd", "--name", "only", "--data-dir", filepath.Join(dir, "etcd.data"),
		"--listen-client-urls", "http://"+clients, "--advertise-client-urls", "http://"+clients,
		"--listen-peer-urls", "http://"+peers, "--initial-advertise-peer-urls", "http://"+peers,
		"--initial-cluster", "only=http://"+peers, "--unsafe-no-fsync")
	eventually(t, "etcd to be healthy", func() bool {
		if !p.running() {
			t.Fatalf("etcd ended: %s", p.said())
		}
		answer, err := http.Get("http://" + clients + "/health")
		if err != nil {
			return false
		}
		answer.Body.Close()
		return answer.StatusCode == http.StatusOK
	})
	return clients
}

// config is the node's configuration: that of the page, with the addresses, times and
// directories of the test, and without a watchdog, which would reset this machine.
func (n *node) config(t testing.TB, bin string) string {
	t.Helper()
	changes := []string{
		"name: node1", "name: " + n.name,
		`{listen: "10.0.0.11:8008", connect_address: "10.0.0.11:8008"}`, fmt.Sprintf("{listen: %q, connect_address: %q}", n.rest, n.toREST.address()),
		`{hosts: ["10.0.0.21:2379", "10.0.0.22:2379", "10.0.0.23:2379"]}`, fmt.Sprintf("{hosts: [%q], use_proxies: true}", n.toEtcd.address()),
		"ttl: 30", fmt.Sprintf("ttl: %d", ttl), "loop_wait: 10", fmt.Sprintf("loop_wait: %d", loopWait), "retry_timeout: 10", fmt.Sprintf("retry_timeout: %d", retryTimeout),
		"{max_connections: 100,", "{max_connections: 100, shared_buffers: 32MB,",
		`listen: "10.0.0.11:5432"`, fmt.Sprintf("listen: %q", n.postgres), `connect_address: "10.0.0.11:5432"`, fmt.Sprintf("connect_address: %q", n.toPostgres.address()),
		"/var/lib/postgresql/salons", n.data(), "/usr/lib/postgresql/15/bin", bin, "/var/run/postgresql}", n.dir + "}\n  pgpass: " + filepath.Join(n.dir, "pgpass"),
		"10.0.0.0/24", "127.0.0.1/32", "watchdog: {mode: required}", "watchdog: {mode: 'off'}",
	}
	text := block(t, "scope: salons")
	for i := 0; i < len(changes); i += 2 {
		if !strings.Contains(text, changes[i]) {
			t.Fatalf("the configuration of the page has no %q", changes[i])
		}
	}
	return strings.NewReplacer(changes...).Replace(text)
}

// start starts the node's Patroni, which starts PostgreSQL.
func (n *node) start(t testing.TB) {
	t.Helper()
	n.patroni = startProcess(t, n.dir, "patroni", syscall.SIGTERM, nil, "patroni", "patroni.yml")
}

// kill ends everything on the node at once, as a power cut would.
func (n *node) kill() {
	n.patroni.signal(syscall.SIGKILL)
	signalFamily(postmasterOf(n.data()), syscall.SIGKILL)
	<-n.patroni.ended
}

// signal sends a signal to every process of the node.
func (n *node) signal(sig syscall.Signal) {
	n.patroni.signal(sig)
	signalFamily(postmasterOf(n.data()), sig)
}

// isolate cuts the node off from etcd and from everybody who connects to it.
func (n *node) isolate() {
	n.toEtcd.cut()
	n.toPostgres.cut()
	n.toREST.cut()
}

// heal connects the node again.
func (n *node) heal() {
	n.toEtcd.heal()
	n.toPostgres.heal()
	n.toREST.heal()
}

// state is what a node says of itself.
type state struct {
	State       string
	Role        string
	SyncStandby bool `json:"sync_standby"`
}

// isPrimary reports whether a node says that it is the primary.
func (s state) isPrimary() bool {
	return s.State == "running" && (s.Role == "master" || s.Role == "primary")
}

// ask asks a node for its state; the zero value if it does not answer.
func (n *node) ask() (s state) {
	client := http.Client{Timeout: time.Second}
	answer, err := client.Get("http://" + n.rest + "/patroni")
	if err != nil {
		return s
	}
	defer answer.Body.Close()
	json.NewDecoder(answer.Body).Decode(&s)
	return s
}

// primary returns the node that says that it is the primary; nil: none, or more than
// one.
func (c *nodes) primary() *node {
	var found *node
	for _, n := range c.all {
		if n.ask().isPrimary() {
			if found != nil {
				return nil
			}
			found = n
		}
	}
	return found
}

// sql opens a node's database as the superuser, past all proxies.
func (n *node) sql(database string) *sql.DB {
	connector, err := pq.NewConnector(fmt.Sprintf("host=127.0.0.1 port=%s user=postgres dbname=%s sslmode=disable connect_timeout=2", port(n.postgres), database))
	if err != nil {
		panic(err) // the string is ours
	}
	return sql.OpenDB(connector)
}

// waitSynchronous waits until all nodes run and Patroni counts one standby as
// synchronous; before, it would not promote any. It returns the primary.
func (c *nodes) waitSynchronous(t testing.TB) *node {
	t.Helper()
	var p *node
	eventually(t, "three nodes, one of them a synchronous standby", func() bool {
		for _, n := range c.all {
			if !n.patroni.running() {
				t.Fatalf("%s ended: %s", n.name, n.patroni.said())
			}
		}
		p = c.primary()
		return p != nil && c.synchronous() != nil && c.streaming(p) == len(c.all)-1
	})
	return p
}

// streaming counts the standbys that a primary sends its log to.
func (c *nodes) streaming(primary *node) (standbys int) {
	db := primary.sql("postgres")
	defer db.Close()
	if db.QueryRow("select count(*) from pg_stat_replication where state = 'streaming'").Scan(&standbys) != nil {
		return 0
	}
	return standbys
}

// patronictl runs Patroni's own tool, as an operator does.
func (c *nodes) patronictl(t testing.TB, args ...string) {
	t.Helper()
	cmd := exec.Command("patronictl", append([]string{"-c", filepath.Join(c.all[0].dir, "patroni.yml")}, args...)...)
	if text, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("patronictl %s: %v: %s", strings.Join(args, " "), err, text)
	}
}

// synchronous returns the node that Patroni counts as the synchronous standby; nil:
// none.
func (c *nodes) synchronous() *node {
	for _, n := range c.all {
		if n.ask().SyncStandby {
			return n
		}
	}
	return nil
}

// primaryBut returns a primary other than a node that may not know yet that it is none.
func (c *nodes) primaryBut(old *node) *node {
	for _, n := range c.all {
		if n != old && n.ask().isPrimary() {
			return n
		}
	}
	return nil
}

// startDead starts the nodes that were killed.
func (c *nodes) startDead(t testing.TB) {
	t.Helper()
	for _, n := range c.all {
		if !n.patroni.running() {
			n.start(t)
		}
	}
}
