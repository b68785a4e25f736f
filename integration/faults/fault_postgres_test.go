package faults

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/lib/pq"

	"alkalog/storage"
)

// postgres is a PostgreSQL of the test's own, with fsync, on a port of this
// machine: one that can be killed, stopped, filled, copied and promoted. Package
// localpg has no port and no standby, so it does not serve here.
type postgres struct {
	t        testing.TB
	data     string   // its data directory
	port     int      // kept over restarts
	settings []string // name=value
	logFile  string

	mu   sync.Mutex
	pid  int           // of the postmaster; 0: none
	done chan struct{} // closed when the postmaster has ended
}

// superuser is the role that initdb makes.
const superuser = "postgres"

// startPostgres starts a migrated PostgreSQL without rows.
func startPostgres(t testing.TB, settings ...string) *postgres {
	t.Helper()
	return startPostgresIn(t, testDir(t), settings...)
}

// startPostgresIn is startPostgres with its data in a directory.
func startPostgresIn(t testing.TB, dir string, settings ...string) *postgres {
	t.Helper()
	template, err := migratedTemplate()
	if err != nil {
		t.Fatal(err)
	}
	p := newPostgres(t, filepath.Join(dir, "pgdata"), settings...)
	runTool(t, "cp", "-a", template, p.data)
	p.start()
	return p
}

// newPostgres describes a PostgreSQL whose data directory is made by the caller.
func newPostgres(t testing.TB, data string, settings ...string) *postgres {
	p := &postgres{t: t, data: data, port: freePort(t), settings: settings, logFile: filepath.Join(testDir(t), "postgres.log")}
	t.Cleanup(p.kill)
	return p
}

// migratedTemplate makes, once, the data of a PostgreSQL with the current schema.
var migratedTemplate = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", dirPrefix()+"template-*")
	if err != nil {
		return "", err
	}
	if err := ownByPostgres(dir); err != nil {
		return "", err
	}
	data := filepath.Join(dir, "pgdata")
	initdb := exec.Command(program("initdb"), "-D", data, "-U", superuser, "-E", "UTF8", "--locale=C", "--data-checksums",
		"--auth=trust", "--no-instructions", "--no-sync", "--wal-segsize=4")
	initdb.SysProcAttr, initdb.Dir = asPostgres(), dir
	if out, err := initdb.CombinedOutput(); err != nil {
		return "", fmt.Errorf("initdb: %w: %s", err, out)
	}
	p := &postgres{data: data, port: randomPort(), logFile: filepath.Join(dir, "log")}
	if err := p.launch(); err != nil {
		return "", err
	}
	if err := storage.Migrate(context.Background(), p.dsn(superuser)); err != nil {
		return "", err
	}
	p.signal(syscall.SIGINT)
	<-p.done
	return data, nil
})

// removeTemplate removes what migratedTemplate has made, and what was left by test
// programs that were killed.
func removeTemplate() {
	left, _ := filepath.Glob(filepath.Join(os.TempDir(), "alkalog-fault-*"))
	for _, dir := range left {
		pid, err := strconv.Atoi(strings.Split(filepath.Base(dir), "-")[2])
		if err == nil && (pid == os.Getpid() || syscall.Kill(pid, 0) == syscall.ESRCH) {
			os.RemoveAll(dir)
		}
	}
}

// addr is where it listens.
func (p *postgres) addr() string { return fmt.Sprintf("127.0.0.1:%d", p.port) }

// dsn is the connection string for a role.
func (p *postgres) dsn(role string) string { return dsnAt(role, p.addr()) }

// dsnAt is a connection string for a role at addresses, which are tried in order.
func dsnAt(role string, addresses ...string) string {
	var hosts, ports []string
	for _, a := range addresses {
		host, port, _ := strings.Cut(a, ":")
		hosts, ports = append(hosts, host), append(ports, port)
	}
	return fmt.Sprintf("host=%s port=%s dbname=postgres user=%s sslmode=disable", strings.Join(hosts, ","), strings.Join(ports, ","), role)
}

// start starts it and waits until it accepts connections.
func (p *postgres) start() {
	p.t.Helper()
	if err := p.launch(); err != nil {
		p.t.Fatal(err)
	}
}

// startTimeout is how long a start may take; recovery after a crash is part of it.
const startTimeout = 60 * time.Second

// launch is start with an error. Backends of a killed postmaster hold its shared
// memory for a moment; postgres refuses to start beside them, and is tried again.
func (p *postgres) launch() error {
	started := false
	var err error
	eventually(startTimeout, 20*time.Millisecond, func() bool {
		if err = p.spawn(); err != nil {
			return true
		}
		eventually(startTimeout, 5*time.Millisecond, func() bool {
			started = p.answers()
			return started || !p.running()
		})
		return started || p.running() || !strings.Contains(p.log(), "still in use")
	})
	if err == nil && !started {
		err = fmt.Errorf("postgres does not start: %s", p.log())
	}
	return err
}

// spawn starts the process. The signal for the parent's death is bound to the
// thread that forked (prctl(2)), which is kept for the child's life.
func (p *postgres) spawn() error {
	logFile, err := os.Create(p.logFile)
	if err != nil {
		return err
	}
	defer logFile.Close()
	args := []string{"-D", p.data}
	for _, s := range append([]string{
		"listen_addresses=127.0.0.1", fmt.Sprintf("port=%d", p.port), "unix_socket_directories=", "max_connections=150", "shared_buffers=32MB",
		"max_wal_senders=8", "wal_level=replica", "hot_standby=on", "timezone=UTC", "min_wal_size=16MB",
		"wal_retrieve_retry_interval=500ms", // a COMMIT waits for its standby to come back
	}, p.settings...) {
		args = append(args, "-c", s)
	}
	cmd := exec.Command(program("postgres"), args...)
	cmd.Stdout, cmd.Stderr, cmd.Dir, cmd.SysProcAttr = logFile, logFile, filepath.Dir(p.data), asPostgres()
	cmd.SysProcAttr.Pdeathsig, cmd.SysProcAttr.Setpgid = syscall.SIGQUIT, true
	started, done := make(chan error), make(chan struct{})
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			cmd.Wait()
			close(done)
		}
	}()
	if err := <-started; err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.pid, p.done = cmd.Process.Pid, done
	return nil
}

// running reports whether the postmaster runs.
func (p *postgres) running() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.pid == 0 {
		return false
	}
	select {
	case <-p.done:
		return false
	default:
		return true
	}
}

// answers reports whether it accepts connections.
func (p *postgres) answers() bool {
	db, err := sql.Open("postgres", p.dsn(superuser)+" connect_timeout=5")
	if err != nil {
		return false
	}
	defer db.Close()
	return db.Ping() == nil
}

// log is the end of its log.
func (p *postgres) log() string {
	text, _ := os.ReadFile(p.logFile)
	return string(text[max(0, len(text)-2000):])
}

// signal sends a signal to the postmaster.
func (p *postgres) signal(s syscall.Signal) {
	if p.running() {
		syscall.Kill(p.pid, s)
	}
}

// signalAll sends a signal to the postmaster and all its processes, each of which
// is a session of its own.
func (p *postgres) signalAll(s syscall.Signal) {
	if !p.running() {
		return
	}
	pids := append(childrenOf(p.pid), p.pid)
	slices.Reverse(pids)
	for _, pid := range pids {
		syscall.Kill(pid, s)
	}
}

// kill ends it as a power cut would.
func (p *postgres) kill() {
	p.signalAll(syscall.SIGCONT)
	p.signalAll(syscall.SIGKILL)
	p.wait()
}

// wait returns when the postmaster has ended.
func (p *postgres) wait() {
	p.mu.Lock()
	done := p.done
	p.mu.Unlock()
	if done != nil {
		<-done
	}
}

// db opens it as the superuser, with the tables' schema.
func (p *postgres) db() *sql.DB {
	p.t.Helper()
	connector, err := pq.NewConnector(p.dsn(superuser) + " search_path=alkalog connect_timeout=5")
	if err != nil {
		p.t.Fatal(err)
	}
	db := sql.OpenDB(connector)
	p.t.Cleanup(func() { db.Close() })
	return db
}

// exec runs statements as the superuser.
func (p *postgres) exec(statements ...string) {
	p.t.Helper()
	db := p.db()
	defer db.Close()
	for _, s := range statements {
		if _, err := db.Exec(s); err != nil {
			p.t.Fatalf("%s: %v", s, err)
		}
	}
}

// number is the answer to a query for one number.
func (p *postgres) number(query string, args ...any) int64 {
	p.t.Helper()
	db := p.db()
	defer db.Close()
	var n int64
	if err := db.QueryRow(query, args...).Scan(&n); err != nil {
		p.t.Fatalf("%s: %v", query, err)
	}
	return n
}

// backup makes a base backup, as pg_basebackup does for a standby (-R).
func (p *postgres) backup(to string, args ...string) {
	p.t.Helper()
	runTool(p.t, program("pg_basebackup"), append([]string{"-h", "127.0.0.1", "-p", strconv.Itoa(p.port), "-U", superuser, "-D", to, "-c", "fast"}, args...)...)
}

// childrenOf finds the processes that a process has started.
func childrenOf(parent int) []int {
	var found []int
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, file := range stats {
		text, err := os.ReadFile(file)
		if err != nil {
			continue
		}
		// pid (name) state ppid; the name may have anything in it (proc(5)).
		_, after, _ := strings.Cut(string(text), ") ")
		fields := strings.Fields(after)
		if len(fields) > 1 && fields[1] == strconv.Itoa(parent) {
			if pid, err := strconv.Atoi(filepath.Base(filepath.Dir(file))); err == nil {
				found = append(found, pid)
			}
		}
	}
	return found
}

// program finds a program of PostgreSQL.
func program(name string) string {
	installed, _ := filepath.Glob("/usr/lib/postgresql/*/bin/" + name)
	if len(installed) > 0 {
		return slices.MaxFunc(installed, func(a, b string) int { return cmp.Or(cmp.Compare(len(a), len(b)), strings.Compare(a, b)) })
	}
	return name
}

// asPostgres makes a program run as an unprivileged user, if we are root.
func asPostgres() *syscall.SysProcAttr {
	if os.Getuid() != 0 {
		return &syscall.SysProcAttr{}
	}
	uid, gid := postgresUser()
	return &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
}

// postgresUser is who the programs of PostgreSQL run as: it refuses root.
func postgresUser() (uid, gid int) {
	for _, name := range []string{"postgres", "nobody"} {
		if u, err := user.Lookup(name); err == nil {
			uid, _ = strconv.Atoi(u.Uid)
			gid, _ = strconv.Atoi(u.Gid)
			return uid, gid
		}
	}
	return os.Getuid(), os.Getgid()
}

// ownByPostgres gives a directory to that user.
func ownByPostgres(dir string) error {
	if os.Getuid() != 0 {
		return nil
	}
	uid, gid := postgresUser()
	return errors.Join(os.Chown(dir, uid, gid), os.Chmod(dir, 0o755))
}

// runTool runs a program of PostgreSQL's user that must succeed.
func runTool(t testing.TB, name string, args ...string) {
	t.Helper()
	cmd := exec.Command(name, args...)
	if name != "cp" {
		cmd.SysProcAttr, cmd.Dir = asPostgres(), "/"
	}
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v: %s", cmd, err, out)
	}
}

// dirPrefix begins the names of this process's directories.
func dirPrefix() string { return fmt.Sprintf("alkalog-fault-%d-", os.Getpid()) }

// testDir makes a directory that PostgreSQL's user owns, and removes it after the
// test.
func testDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", dirPrefix()+"*")
	if err == nil {
		err = ownByPostgres(dir)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// randomPort is a port below those that the kernel gives to outgoing connections,
// so that none of them takes it while its server is down.
func randomPort() int {
	for {
		port := 12000 + rand.IntN(20000)
		if l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port)); err == nil {
			l.Close()
			return port
		}
	}
}

func freePort(testing.TB) int { return randomPort() }

// freeAddress is an address of this machine with a free port.
func freeAddress(t testing.TB) string { return fmt.Sprintf("127.0.0.1:%d", freePort(t)) }
