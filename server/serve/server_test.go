package serve

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
)

// patience is how long a test waits for what must happen.
const patience = 30 * time.Second

// canary stands for personal data. It must never get onto the log.
const canary = "Ottoline Canary 555-0117"

// faultyService is a service that does on purpose what a service must not do.
type faultyService struct {
	pb.UnimplementedDirectoryServiceServer
	pb.UnimplementedProcessingServiceServer

	entered chan struct{} // told when a call has come in
	finish  chan struct{} // closed to let GetSalon go on
	flooded chan error    // told why a flood came to its end
}

// GetChain throws what it was asked, for the chain "boom"; else it answers.
func (faultyService) GetChain(_ context.Context, req *pb.GetChainRequest) (*pb.GetChainResponse, error) {
	if req.Name == "chains/boom" {
		panic("cannot serve " + canary)
	}
	var none []int
	if req.Name == "chains/bounds" {
		return nil, errors.New(strings.Repeat("x", none[3]))
	}
	return &pb.GetChainResponse{Chain: &pb.Chain{Name: req.Name}}, nil
}

// ListChains fails in a way that nobody foresaw.
func (faultyService) ListChains(context.Context, *pb.ListChainsRequest) (*pb.ListChainsResponse, error) {
	return nil, errors.New("select failed in /srv/secret/path.go")
}

// GetSalon waits until it may go on, and says whether it was given a deadline.
func (o faultyService) GetSalon(ctx context.Context, req *pb.GetSalonRequest) (*pb.GetSalonResponse, error) {
	o.entered <- struct{}{}
	select {
	case <-o.finish:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	_, limited := ctx.Deadline()
	if !limited {
		return nil, errors.New("no deadline")
	}
	return &pb.GetSalonResponse{Salon: &pb.Salon{Name: req.Name}}, nil
}

// WatchSession sends one message and goes on until its reader leaves; it
// panics in the session "boom", and sends without end in the session "flood".
func (o faultyService) WatchSession(req *pb.WatchSessionRequest, stream grpc.ServerStreamingServer[pb.WatchSessionResponse]) error {
	if strings.HasSuffix(req.Name, "/boom") {
		panic(canary)
	}
	for strings.HasSuffix(req.Name, "/flood") {
		if err := stream.Send(&pb.WatchSessionResponse{ResumeToken: strings.Repeat("x", 10_000)}); err != nil {
			o.flooded <- err
			return err
		}
	}
	if err := stream.Send(&pb.WatchSessionResponse{ResumeToken: "1"}); err != nil {
		return err
	}
	<-stream.Context().Done()
	return stream.Context().Err()
}

// testServer is a server with odd services, and a client of it.
type testServer struct {
	server    *Server
	conn      *grpc.ClientConn
	directory pb.DirectoryServiceClient
	process   pb.ProcessingServiceClient
	odd       faultyService
	log       *logBuffer
}

// newTestServer starts one; change alters its configuration first.
func newTestServer(t *testing.T, change ...func(*Config)) *testServer {
	t.Helper()
	b := &testServer{log: new(logBuffer), odd: faultyService{entered: make(chan struct{}, 10), finish: make(chan struct{}), flooded: make(chan error, 1)}}
	cfg := Config{Address: "127.0.0.1:0", DataDir: "none", Development: true,
		Logger: slog.New(slog.NewJSONHandler(b.log, &slog.HandlerOptions{Level: slog.LevelDebug}))}
	for _, c := range change {
		c(&cfg)
	}
	cfg, err := cfg.complete()
	if err != nil {
		t.Fatal(err)
	}
	b.server, err = listen(cfg, database{}, func(r grpc.ServiceRegistrar, _ requests) []backgroundLoop {
		pb.RegisterDirectoryServiceServer(r, b.odd)
		pb.RegisterProcessingServiceServer(r, b.odd)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.server.Stop(context.Background()) })
	b.conn = dial(t, b.server.Addr())
	b.directory, b.process = pb.NewDirectoryServiceClient(b.conn), pb.NewProcessingServiceClient(b.conn)
	return b
}

func dial(t *testing.T, addr string) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(addr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// as is the context of a caller; name may be left out for the usual one.
func as(t *testing.T, role string) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	t.Cleanup(cancel)
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Development role="+role+" name="+nameOf(role))
}

func nameOf(role string) string {
	if role == "operator" {
		return "operators/site"
	}
	return "chains/ebb/practitioners/amara"
}

// wantError checks a status: its code, its reason, and what its message has in it.
func wantError(t *testing.T, err error, code codes.Code, reason string, parts ...string) {
	t.Helper()
	st := status.Convert(err)
	if st.Code() != code {
		t.Fatalf("got %v: %s, want %v", st.Code(), st.Message(), code)
	}
	for _, part := range parts {
		if !strings.Contains(st.Message(), part) {
			t.Errorf("the message is %q, want %q in it", st.Message(), part)
		}
	}
	if reason != "" && reasonOf(st) != reason {
		t.Errorf("the reason is %q, want %q", reasonOf(st), reason)
	}
}

func reasonOf(st *status.Status) string {
	for _, detail := range st.Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok {
			return info.Reason
		}
	}
	return ""
}

// logBuffer is a log that a test reads while it is written.
type logBuffer struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// lines returns the records with the given message.
func (l *logBuffer) lines(t *testing.T, message string) []map[string]any {
	t.Helper()
	var found []map[string]any
	for line := range strings.Lines(l.String()) {
		record := map[string]any{}
		if err := json.Unmarshal([]byte(line), &record); err != nil {
			t.Fatalf("%q is no JSON: %v", line, err)
		}
		if record["msg"] == message {
			found = append(found, record)
		}
	}
	return found
}

// until waits for a condition that nothing announces.
func until(t *testing.T, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(patience)
	for !holds() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("gave up waiting until %s", what)
		}
	}
}
