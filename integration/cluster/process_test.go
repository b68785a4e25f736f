package cluster

import (
	"bytes"
	"fmt"
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
)

// waitTimeout is how long a test waits for what must happen. It is long, because it
// passes only when something is wrong.
const waitTimeout = 2 * time.Minute

// eventually waits until a condition holds.
func eventually(t testing.TB, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(waitTimeout)
	for !holds() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// process is a program that a test has started, with its output in a file.
type process struct {
	name  string
	cmd   *exec.Cmd
	log   string
	ended chan struct{}
}

// startProcess starts a program in a process group of its own, as the user who owns
// the directory it works in. It gets a signal when the test dies, which the kernel
// sends when the thread ends that has started it; so that thread is kept.
func startProcess(t testing.TB, dir, name string, onOurDeath syscall.Signal, env []string, program string, args ...string) *process {
	t.Helper()
	p := &process{name: name, cmd: exec.Command(program, args...), log: filepath.Join(dir, name+".log"), ended: make(chan struct{})}
	log, err := os.OpenFile(p.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	p.cmd.Dir, p.cmd.Stdout, p.cmd.Stderr = dir, log, log
	p.cmd.Env = append(os.Environ(), env...)
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: onOurDeath, Credential: ownerOf(t, dir)}
	started := make(chan error)
	go func() {
		runtime.LockOSThread()
		err := p.cmd.Start()
		started <- err
		if err == nil {
			p.cmd.Wait()
			close(p.ended)
		}
	}()
	if err := <-started; err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.kill)
	return p
}

// signal sends a signal to the process.
func (p *process) signal(sig syscall.Signal) { syscall.Kill(p.cmd.Process.Pid, sig) }

// kill ends the process by force; it may have ended already.
func (p *process) kill() {
	p.signal(syscall.SIGKILL)
	<-p.ended
}

// running reports whether the process has not ended.
func (p *process) running() bool {
	select {
	case <-p.ended:
		return false
	default:
		return true
	}
}

// said returns the last lines of the process's output.
func (p *process) said() string {
	text, _ := os.ReadFile(p.log)
	return string(text[max(0, len(text)-4000):])
}

// sharedDir is a directory that the user who runs PostgreSQL owns.
func sharedDir(t testing.TB) string {
	t.Helper()
	dir := keptDir(t)
	chown(t, dir)
	return dir
}

// keptDir is a directory that is kept when the test fails, for the logs in it.
func keptDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "alkalog-cluster-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if !t.Failed() {
			os.RemoveAll(dir)
			return
		}
		t.Logf("the logs are in %s", dir)
		data, _ := filepath.Glob(filepath.Join(dir, "*", "data"))
		for _, d := range data {
			os.RemoveAll(d)
		}
	})
	return dir
}

// chown gives a path to the user who runs PostgreSQL, who is not root.
func chown(t testing.TB, path string) {
	t.Helper()
	if os.Getuid() != 0 {
		return
	}
	name := os.Getenv("ALKALOG_PG_USER")
	if name == "" {
		name = "postgres"
	}
	u, err := user.Lookup(name)
	if err != nil {
		t.Fatal(err)
	}
	uid, _ := strconv.Atoi(u.Uid)
	gid, _ := strconv.Atoi(u.Gid)
	if err := os.Chown(path, uid, gid); err != nil {
		t.Fatal(err)
	}
}

// ownerOf returns the credential of a directory's owner; nil if that is us.
func ownerOf(t testing.TB, dir string) *syscall.Credential {
	t.Helper()
	info, err := os.Stat(dir)
	if err != nil {
		t.Fatal(err)
	}
	stat := info.Sys().(*syscall.Stat_t)
	if int(stat.Uid) == os.Getuid() {
		return nil
	}
	return &syscall.Credential{Uid: stat.Uid, Gid: stat.Gid}
}

// write writes a file that the user who runs PostgreSQL owns.
func write(t testing.TB, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	chown(t, path)
}

// postmasterOf returns the process ID of the postmaster of a data directory; 0: none.
func postmasterOf(data string) int {
	text, err := os.ReadFile(filepath.Join(data, "postmaster.pid"))
	if err != nil {
		return 0
	}
	line, _, _ := strings.Cut(string(text), "\n")
	pid, _ := strconv.Atoi(line)
	if where, err := os.Readlink(fmt.Sprintf("/proc/%d/cwd", pid)); err != nil || where != data {
		return 0 // left by one that was killed
	}
	return pid
}

// family returns a process and all its descendants.
func family(pid int) []int {
	children := map[int][]int{}
	processes, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, path := range processes {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // it has ended meanwhile
		}
		own, _ := strconv.Atoi(filepath.Base(filepath.Dir(path)))
		fields := bytes.Fields(text[bytes.LastIndexByte(text, ')')+1:])
		parent, _ := strconv.Atoi(string(fields[1]))
		children[parent] = append(children[parent], own)
	}
	all := []int{pid}
	for i := 0; i < len(all); i++ {
		all = append(all, children[all[i]]...)
	}
	return all
}

// signalFamily sends a signal to a process and all its descendants, the youngest first.
func signalFamily(pid int, sig syscall.Signal) {
	if pid <= 1 {
		return
	}
	for _, p := range slices.Backward(family(pid)) {
		syscall.Kill(p, sig)
	}
}

// programsOfPostgres returns the directory of the newest PostgreSQL's programs.
func programsOfPostgres(t testing.TB) string {
	t.Helper()
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/postgres")
	if len(found) == 0 {
		t.Fatal("no PostgreSQL below /usr/lib/postgresql")
	}
	return filepath.Dir(found[len(found)-1])
}

// freeAddress is a loopback address that nobody listens on.
func freeAddress(t testing.TB) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	return listener.Addr().String()
}

// port is the port of an address.
func port(address string) string {
	_, port, _ := net.SplitHostPort(address)
	return port
}

// alkalog returns the program of this tree, which is built once.
func alkalog(t testing.TB) string {
	t.Helper()
	path, err := buildOnce()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

var buildOnce = sync.OnceValues(func() (string, error) { return build("../..") })

// build builds the program of a source tree. Paths are left out of the result, so that
// trees share what they have in common in the build cache.
func build(tree string) (string, error) {
	dir, err := os.MkdirTemp("", "alkalog-program-")
	if err != nil {
		return "", err
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		return "", err
	}
	path := filepath.Join(dir, "alkalog")
	cmd := exec.Command("go", "build", "-trimpath", "-buildvcs=false", "-o", path, "./server")
	cmd.Dir = tree
	if text, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("building %s: %w: %s", tree, err, text)
	}
	return path, nil
}
