package faults

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"alkalog/server/keys"
	"alkalog/server/serve"
	"alkalog/storage"
	"alkalog/storage/keyring"
)

// childSetting is the environment variable with the configuration of a server
// that a copy of the test program is to run.
const childSetting = "ALKALOG_FAULT_CHILD"

// serverConfig configures a server in a process of its own.
type serverConfig struct {
	Address  string // kept over restarts; empty: a free one
	Database string
	// Keys is the directory of the keys, Dir that of the files in which the server
	// keeps what it has seen. Empty Keys: made in Dir. Empty Dir: made.
	Keys, Dir string
	// Clock lets the test move the machine's clock; see server.setClock.
	Clock bool
	// PingInterval and PingTime find out that a client has vanished; 0: usual.
	PingInterval, PingTime time.Duration
	Metrics                string // address of the metrics; filled in
}

// server is a running server in a process of its own.
type server struct {
	t   testing.TB
	cfg serverConfig

	mu      sync.Mutex
	command *exec.Cmd
	stdin   io.WriteCloser
	ended   chan struct{}
}

// startServer starts a server and returns when it listens.
func startServer(t testing.TB, cfg serverConfig) *server {
	t.Helper()
	if cfg.Address == "" {
		cfg.Address = freeAddress(t)
	}
	if cfg.Dir == "" {
		cfg.Dir = testDir(t)
	}
	if cfg.Keys == "" {
		cfg.Keys = newKeys(t)
	}
	cfg.Metrics = freeAddress(t)
	s := &server{t: t, cfg: cfg}
	t.Cleanup(s.kill)
	s.start()
	return s
}

// newKeys makes the keys of an installation, which its servers share.
func newKeys(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	for name, fresh := range map[string]func([]string) (string, error){"log": keys.NewLogKey, "clients": keyring.NewKey} {
		line, err := fresh(nil)
		if err == nil {
			err = keys.Create(filepath.Join(dir, name), []byte(line+"\n"))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// start starts the process and waits until it listens.
func (s *server) start() {
	s.t.Helper()
	if err := s.tryStart(); err != nil {
		s.t.Fatal(err)
	}
}

// tryStart is start with an error: a server may be right not to start.
func (s *server) tryStart() error {
	setting, err := json.Marshal(s.cfg)
	if err != nil {
		return err
	}
	logFile, err := os.OpenFile(s.logName(), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer logFile.Close()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childSetting+"="+string(setting))
	cmd.Stderr = logFile
	stdin, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	line, err := bufio.NewReader(stdout).ReadString('\n')
	ended := make(chan struct{})
	go func() {
		cmd.Wait()
		close(ended)
	}()
	if err != nil {
		<-ended
		return fmt.Errorf("the server did not start: %s", s.log())
	}
	if got := strings.TrimSpace(line); got != s.cfg.Address {
		return fmt.Errorf("the server listens on %q", got)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.command, s.stdin, s.ended = cmd, stdin, ended
	return nil
}

func (s *server) logName() string { return filepath.Join(s.cfg.Dir, "server.log") }

// log is the end of what the server has logged.
func (s *server) log() string {
	text, _ := os.ReadFile(s.logName())
	return string(text[max(0, len(text)-3000):])
}

// seen is the size of a chain's log in the checkpoint file of the server; 0: it has none.
func (s *server) seen(chain string) int64 {
	text, err := os.ReadFile(filepath.Join(s.cfg.Dir, "checkpoints"))
	var file struct {
		Logs map[string]struct{ Size int64 }
	}
	if err != nil || json.Unmarshal(text, &file) != nil {
		return 0
	}
	return file.Logs[chain].Size
}

// signal sends a signal to the process.
func (s *server) signal(sig syscall.Signal) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.command != nil {
		s.command.Process.Signal(sig)
	}
}

// pid is the process id.
func (s *server) pid() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.command.Process.Pid
}

// kill ends the process as a power cut would; it may have ended already.
func (s *server) kill() {
	s.signal(syscall.SIGCONT)
	s.signal(syscall.SIGKILL)
	s.wait()
}

// stop ends the process in order, after the calls under way.
func (s *server) stop() {
	s.mu.Lock()
	stdin := s.stdin
	s.mu.Unlock()
	stdin.Close()
	s.wait()
}

// wait returns when the process has ended.
func (s *server) wait() {
	s.mu.Lock()
	ended := s.ended
	s.mu.Unlock()
	if ended != nil {
		<-ended
	}
}

// setClock puts the wall clock of the server's machine ahead by a duration, or
// stops it ("frozen"), as the server sees it.
func (s *server) setClock(setting string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	fmt.Fprintln(s.stdin, setting)
}

// serveChild serves what the environment names, if this process is to be a
// server, until its parent hangs up.
func serveChild() (code int, is bool) {
	setting := os.Getenv(childSetting)
	if setting == "" {
		return 0, false
	}
	var cfg serverConfig
	if err := json.Unmarshal([]byte(setting), &cfg); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1, true
	}
	if err := cfg.serve(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1, true
	}
	return 0, true
}

// serve runs the server in this process.
func (c serverConfig) serve() error {
	ctx := context.Background()
	const much = 1 << 30
	cfg := serve.Config{
		Address: c.Address, Database: c.Database, KeysDir: c.Keys, Development: true, MetricsAddress: c.Metrics,
		StateFile: filepath.Join(c.Dir, "state"), CheckpointFile: filepath.Join(c.Dir, "checkpoints"), ErasureFile: filepath.Join(c.Dir, "erased"),
		Logger: slog.New(slog.NewJSONHandler(os.Stderr, nil)),
		Limits: serve.Limits{PingInterval: c.PingInterval, PingTime: c.PingTime, DrainTime: 5 * time.Second,
			Quotas: serve.Quotas{CallerRate: much, CallerBurst: much, ChainRate: much, ChainBurst: much, CallerCalls: much, CallerStreams: much,
				Anonymous: serve.AnonymousQuotas{OpenRate: much, OpenBurst: much, TotalRate: much, TotalBurst: much, Calls: much, TotalCalls: much}}},
	}
	var wall wallClock
	if c.Clock {
		reference, err := storage.Open(ctx, storage.Config{DSN: c.Database, MaxConns: 1})
		if err != nil {
			return err
		}
		defer reference.Close()
		cfg.Clock, cfg.Reference = wall.now, reference.Time
	}
	server, err := serve.Start(ctx, cfg)
	if err != nil {
		return err
	}
	fmt.Println(server.Addr())
	go func() {
		lines := bufio.NewScanner(os.Stdin)
		for lines.Scan() {
			wall.set(lines.Text())
		}
		server.Stop(ctx) // the parent has hung up or died
	}()
	return server.Wait()
}

// wallClock is a machine's clock that can be set or stopped.
type wallClock struct {
	mu     sync.Mutex
	ahead  time.Duration
	frozen time.Time // zero: it runs
}

// set sets it as server.setClock says.
func (c *wallClock) set(setting string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.frozen = time.Time{}
	if setting == "frozen" {
		c.frozen = time.Now()
		return
	}
	if ahead, err := time.ParseDuration(setting); err == nil {
		c.ahead = ahead
	}
}

// now reads it. Its monotonic reading is always right.
func (c *wallClock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := time.Now()
	if !c.frozen.IsZero() {
		return setWall(now, c.frozen)
	}
	return setWall(now, now.Add(c.ahead))
}
