package integration

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"

	"alkalog/server/serve"
)

// Environment variables that say what a child process serves: a directory, or a
// database that others serve too.
const (
	childDir      = "ALKALOG_TEST_CHILD_DIR"
	childDatabase = "ALKALOG_TEST_CHILD_DATABASE"
	childKeys     = "ALKALOG_TEST_CHILD_KEYS" // with a database, the directory of the keys
	// childBounded asks for the usual limits, but for how often a caller may call,
	// and childTLS for TLS: the files of certificate, key, client CA and key set.
	// childWeb asks for a web door.
	childBounded = "ALKALOG_TEST_CHILD_BOUNDED"
	childWeb     = "ALKALOG_TEST_CHILD_WEB"
	childTLS     = "ALKALOG_TEST_CHILD_TLS"
)

// serveAsChild is what a child process does: it serves a directory with a
// private PostgreSQL, or a database, by the machine's clock, until its parent
// hangs up.
func serveAsChild(ctx context.Context, dir, database string) int {
	server, err := serve.Start(ctx, childConfig(dir, database))
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	fmt.Println(server.Addr(), server.WebAddr())
	io.Copy(io.Discard, os.Stdin) // returns when the parent hangs up or dies
	server.Stop(ctx)
	if err := server.Wait(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

// childConfig is what a child process serves.
func childConfig(dir, database string) serve.Config {
	cfg := serve.Config{Address: "127.0.0.1:0", DataDir: dir, Database: database, KeysDir: os.Getenv(childKeys), Development: true,
		Limits: serve.Limits{Quotas: unlimitedQuotas()}}
	if os.Getenv(childBounded) != "" {
		cfg.Limits.Quotas = serve.Quotas{CallerRate: 1e9, CallerBurst: 1e9, ChainRate: 1e9, ChainBurst: 1e9}
	}
	if os.Getenv(childWeb) != "" {
		cfg.WebAddress = "127.0.0.1:0"
	}
	if files := strings.Split(os.Getenv(childTLS), "|"); len(files) == 4 {
		cfg.Development = false
		cfg.TLSCert, cfg.TLSKey, cfg.ClientCA, cfg.JWKS = files[0], files[1], files[2], files[3]
	}
	return cfg
}

// child is a server in a process of its own.
type child struct {
	command *exec.Cmd
	hangUp  io.Closer
	addr    string
	web     string           // address of its web door; empty: none
	said    *strings.Builder // its standard error
	reap    sync.Once
	failure error // how it ended
}

// startChild starts a server on a directory and returns when it listens.
func startChild(t testing.TB, dir string) *child { return startProcess(t, childDir+"="+dir) }

// startProcess starts a server on what the settings name.
func startProcess(t testing.TB, settings ...string) *child {
	t.Helper()
	c := &child{command: exec.Command(os.Args[0]), said: new(strings.Builder)}
	c.command.Env = append(os.Environ(), settings...)
	c.command.Stderr = c.said
	in, err := c.command.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	c.hangUp = in
	out, err := c.command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.kill)
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		c.wait()
		t.Fatalf("the server did not start: %v: %s", err, c.said)
	}
	c.addr, c.web, _ = strings.Cut(strings.TrimSpace(line), " ")
	return c
}

// kill ends the process as a power cut would; it may have ended already.
func (c *child) kill() {
	c.command.Process.Kill()
	c.wait()
}

// killAll ends the process and its database at once.
func (c *child) killAll(dir string) {
	c.command.Process.Kill()
	text, _ := os.ReadFile(filepath.Join(dir, "pgdata", "postmaster.pid"))
	line, _, _ := strings.Cut(string(text), "\n")
	if pid, err := strconv.Atoi(line); err == nil {
		syscall.Kill(pid, syscall.SIGKILL)
	}
	c.wait()
}

// wait returns when the process has ended.
func (c *child) wait() { c.reap.Do(func() { c.failure = c.command.Wait() }) }

// stop ends it in order.
func (c *child) stop(t testing.TB) {
	t.Helper()
	c.hangUp.Close()
	if c.wait(); c.failure != nil {
		t.Errorf("the server did not stop in order: %v: %s", c.failure, c.said)
	}
}
