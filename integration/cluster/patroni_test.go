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
		write(t, filepath.Join(n.dir, "patroni.yml"), n.config(bin))
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

// config is the node's configuration file.
func (n *node) config(bin string) string {
	return fmt.Sprintf(`
scope: salons
name: %s
restapi: {listen: "%s", connect_address: "%s"}
etcd3: {hosts: ["%s"], use_proxies: true}
bootstrap:
  dcs:
    ttl: %d
    loop_wait: %d
    retry_timeout: %d
    primary_start_timeout: 0
    synchronous_mode: true
    postgresql:
      use_pg_rewind: true
      parameters: {max_connections: 100, shared_buffers: 32MB, wal_keep_size: 256MB, wal_sender_timeout: 5s, wal_receiver_timeout: 5s, tcp_user_timeout: 5000}
  initdb: [{encoding: UTF8}, {locale: C}, data-checksums]
postgresql:
  listen: "%s"
  connect_address: "%s"
  data_dir: %s
  bin_dir: %s
  use_unix_socket: true
  authentication:
    superuser: {username: postgres}
    replication: {username: replicator}
  parameters: {unix_socket_directories: %s, log_min_messages: log}
  pg_hba: ["local all all trust", "host all all 127.0.0.1/32 trust", "local replication all trust", "host replication all 127.0.0.1/32 trust"]
  pgpass: %s
`, n.name, n.rest, n.toREST.address(), n.toEtcd.address(), ttl, loopWait, retryTimeout,
		n.postgres, n.toPostgres.address(), n.data(), bin, n.dir, filepath.Join(n.dir, "pgpass"))
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
