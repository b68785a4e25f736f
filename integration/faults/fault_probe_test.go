package faults

import (
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
)

// probe makes single calls, to see whether a server acknowledges writes and
// answers reads at this moment.
type probe struct {
	conn      *grpc.ClientConn
	directory pb.DirectoryServiceClient
}

// newProbe connects to a server that may be down at the moment.
func newProbe(t testing.TB, address string) *probe {
	t.Helper()
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: backoff.Config{BaseDelay: 50 * time.Millisecond, Multiplier: 1.2, MaxDelay: 200 * time.Millisecond}, MinConnectTimeout: time.Second}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return &probe{conn: conn, directory: pb.NewDirectoryServiceClient(conn)}
}

// asOperator identifies the caller as an operator of the installation.
func asOperator(ctx context.Context) context.Context {
	return withCaller(ctx, "role=operator name=operators/faults")
}

// withCaller identifies the caller by a development identity.
func withCaller(ctx context.Context, who string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Development "+who)
}

// newChain is a request that makes a chain of its own.
func newChain() *pb.CreateChainRequest {
	id := "p" + strings.ToLower(rand.Text()[:12])
	return &pb.CreateChainRequest{ChainId: id, Chain: &pb.Chain{DisplayName: "Invented " + id}, RequestId: uuid.Must(uuid.NewV7()).String()}
}

// write makes a chain and reports whether that was acknowledged in time.
func (p *probe) write(timeout time.Duration) error { return p.send(newChain(), timeout) }

// send sends a request.
func (p *probe) send(req *pb.CreateChainRequest, timeout time.Duration) error {
	ctx, cancel := context.WithTimeout(context.Background(), timeout)
	defer cancel()
	_, err := p.directory.CreateChain(asOperator(ctx), req)
	return err
}

// reasonOf is the machine-readable reason of an error.
func reasonOf(err error) string {
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok && info.Domain == "alkalog" {
			return info.Reason
		}
	}
	return ""
}

// read reads a chain and reports whether that was answered in time.
func (p *probe) read(chain string, timeout time.Duration) error {
	ctx, cancel := context.WithTimeout(context.Background(), timeout)
	defer cancel()
	_, err := p.directory.GetChain(asOperator(ctx), &pb.GetChainRequest{Name: "chains/" + chain})
	return err
}

// untilWritten waits until a write is acknowledged and returns how long that took.
func (p *probe) untilWritten(t testing.TB, within time.Duration) time.Duration {
	t.Helper()
	began := time.Now()
	var err error
	if !eventually(within, 20*time.Millisecond, func() bool { err = p.write(5 * time.Second); return err == nil }) {
		t.Fatalf("no write was acknowledged for %v; the last: %v", within, err)
	}
	return time.Since(began)
}

// readiness asks a server whether it is ready: "ready", the causes why it is not,
// or "down" if it does not answer.
func (p *probe) readiness(metricsAddress string) string {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	answer, err := healthpb.NewHealthClient(p.conn).Check(ctx, &healthpb.HealthCheckRequest{Service: "readiness"})
	switch {
	case err != nil:
		return "down"
	case answer.Status == healthpb.HealthCheckResponse_SERVING:
		return "ready"
	}
	if causes := notReadyCauses(metrics(metricsAddress)); causes != "" {
		return causes
	}
	return "not ready"
}

// metrics reads the metrics of a server; empty if it does not answer.
func metrics(address string) string {
	client := http.Client{Timeout: time.Second}
	answer, err := client.Get("http://" + address + "/metrics")
	if err != nil {
		return ""
	}
	defer answer.Body.Close()
	text, _ := io.ReadAll(answer.Body)
	return string(text)
}

var notReadyLine = regexp.MustCompile(`(?m)^alkalog_not_ready\{cause="(\w+)".*\} 1$`)

// notReadyCauses finds in metrics why the server is not ready.
func notReadyCauses(text string) string {
	var causes []string
	for _, m := range notReadyLine.FindAllStringSubmatch(text, -1) {
		causes = append(causes, m[1])
	}
	return strings.Join(causes, "+")
}

// healthWatch asks the servers for their health all the time, as load balancers
// do, and remembers every change.
type healthWatch struct {
	mu      sync.Mutex
	changes [][]string // by server
	last    []string
	stop    chan struct{}
	ended   sync.WaitGroup
}

// watchHealth begins to ask.
func watchHealth(t testing.TB, servers []*server) *healthWatch {
	h := &healthWatch{changes: make([][]string, len(servers)), last: make([]string, len(servers)), stop: make(chan struct{})}
	for i, s := range servers {
		p := newProbe(t, s.cfg.Address)
		h.ended.Go(func() {
			tick := time.NewTicker(100 * time.Millisecond)
			defer tick.Stop()
			for {
				h.note(i, p.readiness(s.cfg.Metrics))
				select {
				case <-tick.C:
				case <-h.stop:
					return
				}
			}
		})
	}
	t.Cleanup(h.end)
	return h
}

// note keeps a state if it is a change.
func (h *healthWatch) note(server int, state string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.last[server] != state {
		h.last[server] = state
		h.changes[server] = append(h.changes[server], state)
	}
}

// end stops asking. It may be called more than once.
func (h *healthWatch) end() {
	h.mu.Lock()
	select {
	case <-h.stop:
	default:
		close(h.stop)
	}
	h.mu.Unlock()
	h.ended.Wait()
}

// summary is what the servers reported, by server, a short text.
func (h *healthWatch) summary() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	var all []string
	for i, changes := range h.changes {
		if n := len(changes); n > 8 {
			changes = append(append([]string{}, changes[:4]...), append([]string{fmt.Sprintf("(%d more)", n-7)}, changes[n-3:]...)...)
		}
		if len(changes) > 0 {
			all = append(all, fmt.Sprintf("%d: %s", i+1, strings.Join(changes, " > ")))
		}
	}
	return strings.Join(all, "; ")
}
