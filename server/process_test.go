package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage"
	"alkalog/storage/localpg"
)

// patience is how long a test waits for what must happen.
const patience = time.Minute

// process is this program, run as a child.
type process struct {
	cmd     *exec.Cmd
	address string
	said    string // up to the end of the welcome
	rest    log    // after it
	ended   chan struct{}
}

// log collects what a process says, while it says it.
type log struct {
	mu   sync.Mutex
	text strings.Builder
}

// Write implements io.Writer.
func (l *log) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *log) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// start runs the program until it says how to stop it.
func start(t *testing.T, args ...string) *process {
	t.Helper()
	p := &process{cmd: exec.Command(os.Args[0], args...), ended: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), "ALKALOG_TEST_AS_SERVER=1")
	problems, err := p.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.cmd.Process.Kill() })
	watchdog := time.AfterFunc(patience, func() { p.cmd.Process.Kill() })
	defer watchdog.Stop()
	lines := bufio.NewReader(problems)
	for !strings.Contains(p.said, "(Ctrl-C) to stop") {
		line, err := lines.ReadString('\n')
		p.said += line
		if err != nil {
			p.cmd.Wait()
			t.Fatalf("it ended with %v and said:\n%s", p.cmd.ProcessState, p.said)
		}
	}
	p.address = regexp.MustCompile(`alkalog listens on (\S+)`).FindStringSubmatch(p.said)[1]
	go func() {
		io.Copy(&p.rest, lines)
		close(p.ended)
	}()
	return p
}

// signal sends a signal and waits for the end; it returns what was said last.
func (p *process) signal(t *testing.T, sig syscall.Signal) string {
	t.Helper()
	if err := p.cmd.Process.Signal(sig); err != nil {
		t.Fatal(err)
	}
	select {
	case <-p.ended:
		p.cmd.Wait()
		return p.rest.String()
	case <-time.After(patience):
		t.Fatalf("%v did not end it", sig)
		return ""
	}
}

// healthy asks the server how it is.
func (p *process) healthy(t *testing.T) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(p.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	answer, err := healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{Service: "alkalog.v1.AuditService"})
	if err != nil || answer.Status != healthpb.HealthCheckResponse_SERVING {
		t.Fatalf("health: %v, %v", answer, err)
	}
	return conn
}

func TestTerminationDrains(t *testing.T) {
	t.Parallel()
	for _, sig := range []syscall.Signal{syscall.SIGTERM, syscall.SIGINT} {
		p := start(t, "--data-dir", publicDir(t), "--address", "127.0.0.1:0") // no command: serve
		for _, part := range []string{"list\n", "DEVELOPMENT", "manufacturer's directions come first", "private PostgreSQL"} {
			if !strings.Contains(p.said, part) {
				t.Errorf("it does not say %q but\n%s", part, p.said)
			}
		}
		p.healthy(t)
		rest := p.signal(t, sig)
		if code := p.cmd.ProcessState.ExitCode(); code != 0 || !strings.Contains(rest, `"msg":"drained"`) {
			t.Errorf("%v: exit code %d\n%s", sig, code, rest)
		}
	}
}

// TestKilledServerStartsAgain: what was acknowledged is there after a kill, and
// a retry of it is answered again.
func TestKilledServerStartsAgain(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Development role=operator name=operators/site")
	request := &pb.CreateChainRequest{ChainId: "ebb", Chain: &pb.Chain{DisplayName: "Ebb and Flow Hair"},
		RequestId: "018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d27"}
	var first *pb.CreateChainResponse
	for range 3 {
		p := start(t, "serve", "--data-dir", dir, "--address", "127.0.0.1:0")
		answer, err := pb.NewDirectoryServiceClient(p.healthy(t)).CreateChain(ctx, request)
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = answer
		}
		if !proto.Equal(answer, first) {
			t.Errorf("after a kill the answer is %v, before it was %v", answer, first)
		}
		p.signal(t, syscall.SIGKILL)
	}
}

// TestServeChangesNoSchema: on a database that it was given, serve refuses a
// schema that does not fit and says what mends it; migrate mends it.
func TestServeChangesNoSchema(t *testing.T) {
	t.Parallel()
	cluster, err := localpg.Start(t.Context(), localpg.Config{Dir: publicDir(t), Unsafe: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cluster.Stop() })
	code, _, problems := command(t, "serve", "--address=127.0.0.1:0", "--keys-dir=/nowhere", "--without-state-files", "--database", cluster.DSN("", ""))
	if code != 1 || !strings.Contains(problems, "alkalog migrate") {
		t.Fatalf("serve on an empty database: exit code %d: %s", code, problems)
	}
	for range 2 { // again does no harm
		code, out, problems := command(t, "migrate", "--database", cluster.DSN("", ""))
		if code != 0 || !strings.HasSuffix(out, "is up to date\n") {
			t.Fatalf("migrate: exit code %d: %s%s", code, out, problems)
		}
	}
	p := start(t, "serve", "--address=127.0.0.1:0", "--keys-dir", newKeys(t), "--without-state-files", "--database", cluster.DSN("", storage.RoleServer))
	p.healthy(t)
	if !strings.Contains(p.said, "database  PostgreSQL database postgres on ") {
		t.Errorf("it says\n%s", p.said)
	}
	p.signal(t, syscall.SIGTERM)
	if code := p.cmd.ProcessState.ExitCode(); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

func TestMigratePrivate(t *testing.T) {
	t.Parallel()
	code, out, problems := command(t, "migrate", "--data-dir", publicDir(t))
	if code != 0 || !strings.HasPrefix(out, "a private PostgreSQL ") {
		t.Errorf("exit code %d: %s%s", code, out, problems)
	}
}

// TestPrivateDatabaseIsStartedAgain: the private PostgreSQL is killed under the server,
// twice. What was acknowledged before is there, what is written afterwards too, and the
// server is ready again without a restart.
func TestPrivateDatabaseIsStartedAgain(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	p := start(t, "serve", "--data-dir", dir, "--address", "127.0.0.1:0")
	conn := p.healthy(t)
	directory, health := pb.NewDirectoryServiceClient(conn), healthpb.NewHealthClient(conn)
	ctx, cancel := context.WithTimeout(t.Context(), 2*patience)
	defer cancel()
	ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Development role=operator name=operators/site")
	made := map[*pb.CreateChainRequest]*pb.CreateChainResponse{}
	for kills := range 3 {
		if kills > 0 {
			killDatabase(t, dir)
			eventually(t, "the server to notice that the database has ended", func() bool { return restarts(p.rest.String()) == kills })
		}
		req := &pb.CreateChainRequest{ChainId: fmt.Sprintf("ebb-%d", kills), Chain: &pb.Chain{DisplayName: "Invented"}, RequestId: uuid.NewString()}
		eventually(t, "a write after that", func() bool {
			answer, err := directory.CreateChain(ctx, req)
			made[req] = answer
			return err == nil
		})
	}
	for req, answer := range made {
		again, err := directory.CreateChain(ctx, req)
		if err != nil || !proto.Equal(again, answer) {
			t.Errorf("%s: repeated %v, %v; acknowledged %v", req.ChainId, again, err, answer)
		}
	}
	eventually(t, "the server to be ready", func() bool {
		answer, err := health.Check(ctx, &healthpb.HealthCheckRequest{Service: serve.ReadinessHealth})
		return err == nil && answer.Status == healthpb.HealthCheckResponse_SERVING
	})
	if rest := p.signal(t, syscall.SIGTERM); p.cmd.ProcessState.ExitCode() != 0 || restarts(rest) != 2 {
		t.Errorf("exit code %d\n%s", p.cmd.ProcessState.ExitCode(), rest)
	}
}

// restarts is how often a server says that it starts its private database again.
func restarts(said string) int { return strings.Count(said, "will be started again") }

// killDatabase ends the private PostgreSQL of a server as a power cut would.
func killDatabase(t *testing.T, dataDir string) {
	t.Helper()
	text, err := os.ReadFile(dataDir + "/pgdata/postmaster.pid")
	if err != nil {
		t.Fatal(err)
	}
	first, _, _ := strings.Cut(string(text), "\n")
	postmaster, err := strconv.Atoi(first)
	if err != nil || postmaster < 2 {
		t.Fatalf("the process id of the database is %q", first)
	}
	if err := syscall.Kill(postmaster, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
}

// eventually asks until a condition holds, at an interval that the rate limit of a caller
// allows.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.Now().Add(patience); !holds(); <-tick.C {
		if time.Now().After(deadline) {
			t.Fatalf("waited %v in vain for %s", patience, what)
		}
	}
}

// TestATakenPortIsToldFirst: a server whose port is taken says so before it makes or starts
// a database.
func TestATakenPortIsToldFirst(t *testing.T) {
	t.Parallel()
	taken, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	dir := publicDir(t)
	for _, flags := range [][]string{{"--address", taken.Addr().String()}, {"--address", "127.0.0.1:0", "--web-address", taken.Addr().String()}} {
		code, _, problems := command(t, append([]string{"serve", "--data-dir", dir}, flags...)...)
		if code != 1 || !strings.Contains(problems, "address already in use") {
			t.Errorf("%v: exit code %d: %s", flags, code, problems)
		}
		if _, err := os.Stat(dir); !os.IsNotExist(err) {
			t.Errorf("%v: a database was made meanwhile: %v", flags, err)
		}
	}
}
