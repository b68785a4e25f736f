package localpg_test

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"alkalog/storage/localpg"

	_ "github.com/lib/pq"
)

// waitTimeout is how long a condition may take before a test gives up.
const waitTimeout = time.Minute

// TestMain lets the test binary stand for other processes: an owner of a
// cluster, to be killed, and a local user who has no business with it.
func TestMain(m *testing.M) {
	switch os.Getenv("LOCALPG_TEST_PART") {
	case "owner":
		playOwner()
	case "caller":
		playCaller()
	default:
		m.Run()
	}
}

// playOwner starts the cluster in $LOCALPG_TEST_DIR, says so, and runs it
// until its input ends.
func playOwner() {
	c, err := localpg.Start(context.Background(), localpg.Config{Dir: os.Getenv("LOCALPG_TEST_DIR"), Unsafe: true})
	if err != nil {
		fmt.Println("refused", err)
		return
	}
	fmt.Println("started", c.PID(), c.DSN("", ""))
	io.Copy(io.Discard, os.Stdin)
	fmt.Println("stopped", c.Stop())
}

// playCaller tries to use the server at $LOCALPG_TEST_DSN.
func playCaller() {
	db, err := sql.Open("postgres", os.Getenv("LOCALPG_TEST_DSN"))
	if err == nil {
		err = db.Ping()
	}
	fmt.Println("answer:", err)
}

// play prepares the test binary to run in another part, as another user when
// uid is not negative.
func play(t *testing.T, uid int, part string, env ...string) *exec.Cmd {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), "LOCALPG_TEST_PART="+part)
	cmd.Env = append(cmd.Env, env...)
	cmd.Dir = "/"
	cmd.Stderr = t.Output()
	if uid >= 0 {
		cmd.Path = publicCopy(t, exe)
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(uid)}}
	}
	return cmd
}

// publicCopy copies a program to where every user can run it. No other test forks
// meanwhile: its child would hold the file open for writing until it calls exec, and
// running the file would fail with "text file busy".
func publicCopy(t *testing.T, program string) string {
	t.Helper()
	text, err := os.ReadFile(program)
	if err != nil {
		t.Fatal(err)
	}
	path := publicDir(t) + "/program"
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	write(t, path, string(text), 0o755)
	return path
}

// owner is another process that runs a cluster.
type owner struct {
	cmd *exec.Cmd
	out *bufio.Reader
	in  io.Closer
	pid int // of its postgres
	dsn string
}

// startOwner runs a process that owns the cluster in dir, without waiting.
func startOwner(t *testing.T, dir string) *owner {
	t.Helper()
	cmd := play(t, -1, "owner", "LOCALPG_TEST_DIR="+dir)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
	})
	return &owner{cmd: cmd, out: bufio.NewReader(out), in: in}
}

// says reads the owner's next line, which has to begin with the given word.
func (o *owner) says(t *testing.T, word string) string {
	t.Helper()
	line, err := o.out.ReadString('\n')
	rest, ok := strings.CutPrefix(strings.TrimSpace(line), word)
	if err != nil || !ok {
		t.Fatalf("the owner said %q (%v), want %q", line, err, word)
	}
	return strings.TrimSpace(rest)
}

// ready waits until the owner's cluster is up.
func (o *owner) ready(t *testing.T) {
	t.Helper()
	pid, dsn, _ := strings.Cut(o.says(t, "started"), " ")
	if _, err := fmt.Sscan(pid, &o.pid); err != nil {
		t.Fatal(err)
	}
	o.dsn = dsn
}

// kill ends the owner with no chance to clean up.
func (o *owner) kill(t *testing.T) {
	t.Helper()
	if err := o.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	o.cmd.Wait()
}

// publicDir is a temporary directory that every user may pass through, with a
// path short enough for a socket in it.
func publicDir(t *testing.T) string {
	t.Helper()
	base := "/dev/shm"
	if _, err := os.Stat(base); err != nil {
		base = os.TempDir()
	}
	dir, err := os.MkdirTemp(base, "localpg")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

// write writes a file with exactly the given mode.
func write(t *testing.T, path, text string, mode os.FileMode) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), mode); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, mode); err != nil {
		t.Fatal(err)
	}
}

// start brings up a cluster for the length of the test.
func start(t *testing.T, cfg localpg.Config) *localpg.Cluster {
	t.Helper()
	if cfg.Log == nil {
		cfg.Log = t.Output()
	}
	cfg.Unsafe = true
	ctx, cancel := context.WithTimeout(t.Context(), waitTimeout)
	defer cancel()
	c, err := localpg.Start(ctx, cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Stop() })
	return c
}

// stop ends a cluster in order.
func stop(t *testing.T, c *localpg.Cluster) {
	t.Helper()
	if err := c.Stop(); err != nil {
		t.Fatal(err)
	}
}

// refuse expects that the cluster does not start, for the given reason.
func refuse(t *testing.T, cfg localpg.Config, reasons ...string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), waitTimeout)
	defer cancel()
	c, err := localpg.Start(ctx, cfg)
	if err == nil {
		c.Stop()
		t.Fatal("started")
	}
	for _, reason := range reasons {
		if !strings.Contains(err.Error(), reason) {
			t.Errorf("refused with %q, want %q in it", err, reason)
		}
	}
	if strings.Contains(err.Error(), "\n") {
		t.Errorf("refused in more than one line: %q", err)
	}
}

// session opens one connection and keeps it for the test.
func session(t *testing.T, dsn string) *sql.Conn {
	t.Helper()
	db, err := sql.Open("postgres", dsn)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	conn, err := db.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return conn
}

// ask runs a statement that returns one value.
func ask(t *testing.T, conn *sql.Conn, statement string, args ...any) (answer string) {
	t.Helper()
	if err := conn.QueryRowContext(t.Context(), statement, args...).Scan(&answer); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
	return answer
}

// remember stores a word in the database.
func remember(t *testing.T, dsn, word string) {
	t.Helper()
	conn := session(t, dsn)
	if _, err := conn.ExecContext(t.Context(), "create table if not exists kept (word text)"); err != nil {
		t.Fatal(err)
	}
	tx, err := conn.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec("insert into kept values ($1)", word); err != nil {
		t.Fatal(err)
	}
	if err := tx.Commit(); err != nil {
		t.Fatal(err)
	}
}

// recall reads all stored words, in order.
func recall(t *testing.T, c *localpg.Cluster) string {
	t.Helper()
	return ask(t, session(t, c.DSN("", "")), "select coalesce(string_agg(word, ' ' order by word), '') from kept")
}

// until waits for a condition that nothing announces.
func until(t *testing.T, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(waitTimeout)
	for !holds() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("gave up waiting until %s", what)
		}
	}
}

// await waits for a channel to close.
func await(t *testing.T, what string, done <-chan struct{}) {
	t.Helper()
	select {
	case <-done:
	case <-time.After(waitTimeout):
		t.Fatalf("gave up waiting until %s", what)
	}
}

// pageLog is a log that a test reads while it is written.
type pageLog struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *pageLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *pageLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}
