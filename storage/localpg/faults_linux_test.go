package localpg_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"alkalog/storage/localpg"
)

// running reports whether a process is alive; one that only waits to be
// reaped is not.
func running(pid int) bool {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	_, state, ok := strings.Cut(string(text), ") ")
	return err == nil && ok && state[0] != 'Z'
}

// kill ends a process by force.
func kill(t *testing.T, pid int, sig syscall.Signal) {
	t.Helper()
	if err := syscall.Kill(pid, sig); err != nil {
		t.Fatalf("kill %d: %v", pid, err)
	}
}

func TestPostgresKilled(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/d"
	c := start(t, localpg.Config{Dir: dir})
	remember(t, c.DSN("", ""), "kept")
	kill(t, c.PID(), syscall.SIGKILL)
	await(t, "Done after the kill", c.Done())
	if err := c.Err(); err == nil || !strings.Contains(err.Error(), "killed") {
		t.Errorf("Err is %v", err)
	}
	if err := c.Stop(); err == nil {
		t.Error("Stop reported an orderly end")
	}
	again := start(t, localpg.Config{Dir: dir})
	if got := recall(t, again); got != "kept" {
		t.Errorf("kept %q", got)
	}
}

func TestPostgresStoppedByOthers(t *testing.T) {
	t.Parallel()
	c := start(t, localpg.Config{Dir: publicDir(t) + "/d"})
	kill(t, c.PID(), syscall.SIGTERM)
	await(t, "Done after the shutdown", c.Done())
	if err := c.Err(); err == nil {
		t.Error("an end that nobody here asked for is no error")
	}
}

func TestOwnerKilled(t *testing.T) {
	t.Parallel()
	for _, victims := range []string{"owner", "owner and postgres", "postgres and owner"} {
		t.Run(victims, func(t *testing.T) {
			t.Parallel()
			dir := publicDir(t) + "/d"
			o := startOwner(t, dir)
			o.ready(t)
			remember(t, o.dsn, "kept")
			session(t, o.dsn) // stays open
			for _, victim := range strings.Split(victims, " and ") {
				if victim == "owner" {
					o.kill(t)
				} else if running(o.pid) {
					syscall.Kill(o.pid, syscall.SIGKILL) // it may be going already
				}
			}
			if victims == "owner" {
				until(t, "postgres is gone", func() bool { return !running(o.pid) })
			}
			c := start(t, localpg.Config{Dir: dir})
			if got := recall(t, c); got != "kept" {
				t.Errorf("kept %q", got)
			}
			stop(t, c)
		})
	}
}

func TestOwnerStopsInOrder(t *testing.T) {
	t.Parallel()
	o := startOwner(t, publicDir(t)+"/d")
	o.ready(t)
	if group, err := syscall.Getpgid(o.pid); err != nil || group != o.pid {
		t.Errorf("postgres is in group %d (%v): Ctrl-C would reach it", group, err)
	}
	o.in.Close()
	if said := o.says(t, "stopped"); said != "<nil>" {
		t.Errorf("Stop returned %s", said)
	}
	if running(o.pid) {
		t.Error("postgres still runs")
	}
}

func TestInitdbKilled(t *testing.T) {
	t.Parallel()
	for _, reached := range []string{"", "PG_VERSION", "global/pg_control", "base/1/PG_VERSION"} {
		t.Run(filepath.Base(reached), func(t *testing.T) {
			t.Parallel()
			dir := publicDir(t) + "/d"
			o := startOwner(t, dir)
			until(t, "initdb has made "+reached, func() bool { return initdbWrote(dir, reached) })
			o.kill(t)
			if _, err := os.Stat(dir + "/pgdata"); err == nil {
				t.Fatal("initdb was over: the test came too late")
			}
			for range 2 {
				c := start(t, localpg.Config{Dir: dir})
				remember(t, c.DSN("", ""), "x")
				stop(t, c)
			}
			if left, _ := filepath.Glob(dir + "/pgdata.init-*"); len(left) > 0 {
				t.Errorf("left %v", left)
			}
		})
	}
}

// A backend that outlives its killed postmaster keeps the shared memory. The
// start has to wait for it, and must not run beside it.
func TestWaitsForOldBackends(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/d"
	c := start(t, localpg.Config{Dir: dir})
	backend, err := strconv.Atoi(ask(t, session(t, c.DSN("", "")), "select pg_backend_pid()"))
	if err != nil {
		t.Fatal(err)
	}
	kill(t, backend, syscall.SIGSTOP)
	kill(t, c.PID(), syscall.SIGKILL)
	await(t, "Done after the kill", c.Done())

	log := new(pageLog)
	started := make(chan error, 1)
	go func() {
		next, err := localpg.Start(t.Context(), localpg.Config{Dir: dir, Unsafe: true, Log: log})
		if err == nil {
			err = next.Stop()
		}
		started <- err
	}()
	until(t, "the start has met the old backend", func() bool {
		return strings.Count(log.String(), "is still in use") > 1
	})
	if !running(backend) {
		t.Error("the old backend was gone")
	}
	kill(t, backend, syscall.SIGKILL)
	if err := <-started; err != nil {
		t.Error(err)
	}
}

// asOwnerOf prepares a command to run as the user to whom a path belongs.
func asOwnerOf(t *testing.T, path string, program string, args ...string) *exec.Cmd {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, args...)
	cmd.Dir = "/"
	if stat := info.Sys().(*syscall.Stat_t); os.Getuid() == 0 {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: stat.Uid, Gid: stat.Gid}}
	}
	return cmd
}

// The number in a stale pid file may have gone to another process of the
// same user, for which postgres would stand back for ever.
func TestStalePidFile(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/d"
	c := start(t, localpg.Config{Dir: dir})
	pidFile := dir + "/pgdata/postmaster.pid"
	text, err := os.ReadFile(pidFile)
	if err != nil {
		t.Fatal(err)
	}
	old := c.PID()
	stop(t, c)

	bystander := asOwnerOf(t, dir+"/pgdata", "/bin/cat")
	in, err := bystander.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := bystander.Start(); err != nil {
		t.Fatal(err)
	}
	stale := bytes.Replace(text, []byte(strconv.Itoa(old)), []byte(strconv.Itoa(bystander.Process.Pid)), 1)
	write(t, pidFile, string(stale), 0o600)

	remember(t, start(t, localpg.Config{Dir: dir}).DSN("", ""), "x")
	in.Close()
	if err := bystander.Wait(); err != nil {
		t.Errorf("the bystander: %v", err)
	}
}

// Where no signal comes on the owner's death, the next start ends what is left.
func TestOrphanIsEnded(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/d"
	c := start(t, localpg.Config{Dir: dir})
	program, err := os.Readlink(fmt.Sprintf("/proc/%d/exe", c.PID()))
	if err != nil {
		t.Fatal(err)
	}
	remember(t, c.DSN("", ""), "kept")
	stop(t, c)

	orphan := asOwnerOf(t, dir+"/pgdata", program, "-D", dir+"/pgdata",
		"-c", "listen_addresses=", "-c", "unix_socket_directories="+dir+"/run")
	orphan.Stderr = t.Output()
	if err := orphan.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		orphan.Wait()
		close(ended)
	}()
	until(t, "the orphan is ready", func() bool {
		text, _ := os.ReadFile(dir + "/pgdata/postmaster.pid")
		return strings.Contains(string(text), "ready")
	})
	c = start(t, localpg.Config{Dir: dir})
	await(t, "the orphan has ended", ended)
	if got := recall(t, c); got != "kept" {
		t.Errorf("kept %q", got)
	}
}

// The signal on a parent's death comes when the thread that forked ends, so a
// caller whose thread ends must not take the cluster along.
func TestOutlivesTheCallersThread(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/d"
	type started struct {
		c      *localpg.Cluster
		thread int
		err    error
	}
	starts := make(chan started, 1)
	onDyingThread(func() {
		c, err := localpg.Start(t.Context(), localpg.Config{Dir: dir, Unsafe: true})
		starts <- started{c, syscall.Gettid(), err}
	})
	s := <-starts
	if s.err != nil {
		t.Fatal(s.err)
	}
	defer s.c.Stop()
	until(t, "the thread is gone", func() bool {
		_, err := os.Stat(fmt.Sprintf("/proc/self/task/%d", s.thread))
		return err != nil
	})
	remember(t, s.c.DSN("", ""), "alive")
	stop(t, s.c)
}

// onDyingThread runs f on a thread that ends with it: one that its goroutine
// never unlocks, and not the first thread, which Go keeps.
func onDyingThread(f func()) {
	go func() {
		runtime.LockOSThread()
		if syscall.Gettid() != os.Getpid() {
			f()
			return
		}
		defer runtime.UnlockOSThread()
		over := make(chan struct{})
		onDyingThread(func() { defer close(over); f() })
		<-over
	}()
}

func TestNothingListensOnANetwork(t *testing.T) {
	t.Parallel()
	c := start(t, localpg.Config{Dir: publicDir(t) + "/d"})
	held := make(map[string]bool)
	fds, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", c.PID()))
	if err != nil {
		t.Fatal(err)
	}
	for _, fd := range fds {
		to, _ := os.Readlink(fmt.Sprintf("/proc/%d/fd/%s", c.PID(), fd.Name()))
		if inode, ok := strings.CutPrefix(to, "socket:["); ok {
			held[strings.TrimSuffix(inode, "]")] = true
		}
	}
	if len(held) == 0 {
		t.Fatal("postgres holds no socket at all: the test does not see it")
	}
	for _, table := range []string{"tcp", "tcp6", "udp", "udp6"} {
		text, err := os.ReadFile("/proc/net/" + table)
		if err != nil {
			continue // a kernel without IPv6
		}
		for _, line := range strings.Split(string(text), "\n")[1:] {
			if fields := strings.Fields(line); len(fields) > 9 && held[fields[9]] {
				t.Errorf("postgres has a %s socket: %s", table, line)
			}
		}
	}
}

func TestRunsAsTheRightUser(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/d"
	if os.Getuid() != 0 {
		c := start(t, localpg.Config{Dir: dir})
		if uid := userOf(t, c.PID()); uid != os.Getuid() {
			t.Errorf("runs as %d", uid)
		}
		refuse(t, localpg.Config{Dir: dir, User: "root"}, "only root")
		return
	}
	c := start(t, localpg.Config{Dir: dir, User: "nobody"})
	if uid := userOf(t, c.PID()); uid != 65534 {
		t.Errorf("runs as %d", uid)
	}
	remember(t, c.DSN("", ""), "x")
	stop(t, c)
	before := digest(t, dir)
	refuse(t, localpg.Config{Dir: dir, User: "daemon"}, "belongs to uid 65534")
	refuse(t, localpg.Config{Dir: dir, User: "root"}, "does not run as root")
	refuse(t, localpg.Config{Dir: dir, User: "no-such-user"}, "no-such-user")
	if digest(t, dir) != before {
		t.Error("the directory changed")
	}
}

// userOf is the effective user of a process.
func userOf(t *testing.T, pid int) int {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "\nUid:")
	var real, effective int
	if _, err := fmt.Sscan(rest, &real, &effective); err != nil {
		t.Fatal(err)
	}
	return effective
}

// One run as root covers the other users too: one with a name, in whom all of
// these tests are run again, and one without.
func TestAsOtherUsers(t *testing.T) {
	t.Parallel()
	if os.Getuid() != 0 {
		return // this is such a run
	}
	for name, run := range map[string]struct {
		uid   int
		tests string
	}{
		"nobody":       {65534, "."},
		"without name": {12345, "Keeps|OwnerKilled|WaitsFor|Orphan|Stale"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			cmd := play(t, run.uid, "", "HOME=/nonexistent")
			cmd.Args = append(cmd.Args, "-test.v", "-test.parallel=8", "-test.run="+run.tests)
			out, err := cmd.Output()
			t.Logf("%s", out)
			if err != nil || !bytes.Contains(out, []byte("--- PASS: TestOwnerKilled")) {
				t.Errorf("the tests failed: %v", err)
			}
		})
	}
}
