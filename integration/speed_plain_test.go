package integration

import (
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"alkalog/storage/storagetest"
)

// The plain work that BenchmarkSpeed compares with: the two rows of a decision,
// written by PostgreSQL's own pgbench to the same cluster.

// Sizes of the two rows, in bytes: a decision and its entry, before compression.
const (
	plainDecision = 3024
	plainEntry    = 637
)

// plainScripts are the transactions of pgbench by name.
var plainScripts = map[string]string{
	"two": `begin;
insert into plain_decisions (body) values (:decision);
insert into plain_entries (body) values (:entry);
commit;
`,
	"cte": `with d as (insert into plain_decisions (body) values (:decision)) insert into plain_entries (body) values (:entry);
`,
}

// plainWork is a database of plain tables beside ours on the same cluster.
type plainWork struct {
	program, dsn    string
	scripts         map[string]string // file of each script
	decision, entry string            // parameters: bytes that do not compress
}

// newPlainWork makes the tables and the scripts.
func newPlainWork(b *testing.B, d storagetest.Database) *plainWork {
	b.Helper()
	p := &plainWork{program: programBeside(b, d, "pgbench"), dsn: d.DSN(""), scripts: map[string]string{}}
	owner := d.SQL(b, "")
	if _, err := owner.Exec(`create schema plain;
		create table plain.plain_decisions (id uuid primary key default gen_random_uuid(), body bytea not null);
		create table plain.plain_entries (id uuid primary key default gen_random_uuid(), body bytea not null)`); err != nil {
		b.Fatal(err)
	}
	for name, script := range plainScripts {
		p.scripts[name] = filepath.Join(b.TempDir(), name+".sql")
		if err := os.WriteFile(p.scripts[name], []byte(script), 0o600); err != nil {
			b.Fatal(err)
		}
	}
	random := func(n int) string {
		bytes := make([]byte, n)
		rand.Read(bytes)
		return `\x` + hex.EncodeToString(bytes)
	}
	p.decision, p.entry = random(plainDecision), random(plainEntry)
	return p
}

// tps is what pgbench says of its rate.
var tps = regexp.MustCompile(`tps = ([0-9.]+)`)

// rate runs a script with so many clients for a round, prepared, and returns how many
// transactions a second it did.
func (p *plainWork) rate(b *testing.B, script string, clients int) float64 {
	b.Helper()
	command := exec.Command(p.program, "-n", "-M", "prepared", "-f", p.scripts[script], "-D", "decision="+p.decision, "-D", "entry="+p.entry,
		"-c", strconv.Itoa(clients), "-j", "2", "-T", strconv.Itoa(max(1, int(speedRound.Seconds()))), p.dsn+" options='-c search_path=plain'")
	out, err := command.CombinedOutput()
	found := tps.FindSubmatch(out)
	if err != nil || found == nil {
		b.Fatalf("pgbench: %v: %s", err, out)
	}
	rate, err := strconv.ParseFloat(string(found[1]), 64)
	if err != nil {
		b.Fatal(err)
	}
	return rate
}

// programBeside finds a program of the PostgreSQL that runs a cluster.
func programBeside(b *testing.B, d storagetest.Database, name string) string {
	b.Helper()
	server, err := os.Readlink(fmt.Sprintf("/proc/%d/exe", d.Cluster.PID()))
	if err != nil {
		b.Skipf("finding %s: %v", name, err)
	}
	return filepath.Join(filepath.Dir(server), name)
}

// usage is what was used until now: counters of the cluster and CPU times.
type usage struct {
	wal, stored, syncs    float64
	server, database, own time.Duration
}

// usage reads the counters. PostgreSQL reports its figures of the log late, by a
// second at most, so a round should be longer than that.
func (w *speedWorld) usage() usage {
	w.b.Helper()
	var u usage
	if err := w.site.sql.QueryRow(`select pg_current_wal_lsn() - '0/0'::pg_lsn, (select wal_sync from pg_stat_wal),
		(select sum(pg_total_relation_size(c.oid)) from pg_class c join pg_namespace n on n.oid = c.relnamespace where nspname = 'alkalog' and relkind = 'r')`).
		Scan(&u.wal, &u.syncs, &u.stored); err != nil {
		w.b.Fatal(err)
	}
	var self syscall.Rusage
	syscall.Getrusage(syscall.RUSAGE_SELF, &self)
	u.own = time.Duration(self.Utime.Nano() + self.Stime.Nano())
	u.server, _ = cpuOf(w.server.command.Process.Pid)
	postmaster := w.site.database.Cluster.PID()
	_, u.database = cpuOf(postmaster) // of those that have ended
	for _, pid := range childrenOf(postmaster) {
		own, _ := cpuOf(pid)
		u.database += own
	}
	return u
}

// minus is what was used since earlier.
func (u usage) minus(earlier usage) usage {
	return usage{u.wal - earlier.wal, u.stored - earlier.stored, u.syncs - earlier.syncs,
		u.server - earlier.server, u.database - earlier.database, u.own - earlier.own}
}

// cpuOf is the CPU time of a process, and that of its children that have ended: fields
// 14 to 17 of /proc/PID/stat, in hundredths of a second. Zero for a process that is gone.
func cpuOf(pid int) (own, ended time.Duration) {
	text, _ := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	_, after, _ := strings.Cut(string(text), ") ") // the name may hold spaces
	fields := strings.Fields(after)
	if len(fields) < 15 {
		return 0, 0
	}
	var ticks [4]int64
	for i := range ticks {
		ticks[i], _ = strconv.ParseInt(fields[11+i], 10, 64)
	}
	const tick = 10 * time.Millisecond
	return time.Duration(ticks[0]+ticks[1]) * tick, time.Duration(ticks[2]+ticks[3]) * tick
}

// childrenOf lists the processes that a process has started and that run.
func childrenOf(pid int) (children []int) {
	text, _ := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", pid, pid))
	for _, field := range strings.Fields(string(text)) {
		if child, err := strconv.Atoi(field); err == nil {
			children = append(children, child)
		}
	}
	return children
}
