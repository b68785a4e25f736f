package client

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
)

// unavailableServer answers like one that is away a few times, and notes who called.
type unavailableServer struct {
	pb.UnimplementedAuditServiceServer
	pb.UnimplementedDirectoryServiceServer
	away  atomic.Int64 // how often it is still away
	calls atomic.Int64
	who   atomic.Value
	code  codes.Code // of its being away
}

func (s *unavailableServer) GetCheckpoint(ctx context.Context, _ *pb.GetCheckpointRequest) (*pb.GetCheckpointResponse, error) {
	return &pb.GetCheckpointResponse{}, s.call(ctx)
}

func (s *unavailableServer) CreateChain(ctx context.Context, _ *pb.CreateChainRequest) (*pb.CreateChainResponse, error) {
	return &pb.CreateChainResponse{}, s.call(ctx)
}

func (s *unavailableServer) call(ctx context.Context) error {
	s.calls.Add(1)
	md, _ := metadata.FromIncomingContext(ctx)
	s.who.Store(strings.Join(md.Get("authorization"), "|"))
	if s.away.Add(-1) >= 0 {
		return status.Error(s.code, "away")
	}
	return nil
}

// listen serves on a free port.
func listen(t *testing.T) (*unavailableServer, string) {
	t.Helper()
	s := &unavailableServer{code: codes.Unavailable}
	s.who.Store("")
	g := grpc.NewServer()
	pb.RegisterAuditServiceServer(g, s)
	pb.RegisterDirectoryServiceServer(g, s)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go g.Serve(l)
	t.Cleanup(g.Stop)
	return s, l.Addr().String()
}

// open connects, or ends the test.
func open(t *testing.T, target Target) *grpc.ClientConn {
	t.Helper()
	conn, err := target.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// TestReadsAreAskedAgain: a read is asked again when the server is away; what
// changes something is not, for its caller knows the request id.
func TestReadsAreAskedAgain(t *testing.T) {
	s, addr := listen(t)
	conn := open(t, Target{Address: addr, Identity: "role=auditor name=chains/ebb/auditors/vesna"})
	s.away.Store(2)
	if _, err := pb.NewAuditServiceClient(conn).GetCheckpoint(t.Context(), &pb.GetCheckpointRequest{}); err != nil || s.calls.Load() != 3 {
		t.Errorf("a read was made %d times: %v", s.calls.Load(), err)
	}
	s.code = codes.ResourceExhausted
	s.away.Store(1)
	if _, err := pb.NewAuditServiceClient(conn).GetCheckpoint(t.Context(), &pb.GetCheckpointRequest{}); err != nil {
		t.Errorf("a read beyond the quota: %v", err)
	}
	s.code = codes.Unavailable
	if s.who.Load() != "Development role=auditor name=chains/ebb/auditors/vesna" {
		t.Errorf("the caller is %q", s.who.Load())
	}
	s.away.Store(1)
	s.calls.Store(0)
	_, err := pb.NewDirectoryServiceClient(conn).CreateChain(t.Context(), &pb.CreateChainRequest{})
	if !IsUnavailable(err) || s.calls.Load() != 1 {
		t.Errorf("a change was made %d times: %v", s.calls.Load(), err)
	}
}

// TestRetryPolicyIsRead: the configuration is one that gRPC takes, and names the
// reads of the contract alone.
func TestRetryPolicyIsRead(t *testing.T) {
	var config struct {
		MethodConfig []struct {
			Name []struct{ Service, Method string }
		}
	}
	if err := json.Unmarshal([]byte(retryConfig()), &config); err != nil {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for _, n := range config.MethodConfig[0].Name {
		found[n.Method] = true
	}
	for method, want := range map[string]bool{"ListEntries": true, "GetDecision": true, "ExportEntries": true, "CheckEligibility": false, "RecordEvents": false, "EraseClient": false} {
		if found[method] != want {
			t.Errorf("%s is asked again: %t", method, found[method])
		}
	}
}

// TestSecretsStayOnTheirLine: a token goes over TLS or to this machine, a
// development identity only to this machine, and a key that others can read is
// refused.
func TestSecretsStayOnTheirLine(t *testing.T) {
	s, addr := listen(t)
	dir := t.TempDir()
	file := func(name, content string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(content), mode); err != nil {
			t.Fatal(err)
		}
		return path
	}
	token, open1 := file("token", "secret\n", 0o600), file("open", "secret", 0o644)
	conn := open(t, Target{Address: addr, TokenFile: token, Identity: "role=operator name=operators/me"})
	if _, err := pb.NewAuditServiceClient(conn).GetCheckpoint(t.Context(), &pb.GetCheckpointRequest{}); err != nil || s.who.Load() != "Bearer secret" {
		t.Errorf("the caller is %q, %v", s.who.Load(), err)
	}
	for name, c := range map[string]struct {
		clear  bool
		who    string
		target Target
	}{
		"loopback":            {true, "Development x", Target{Address: "127.0.0.1:7420", Identity: "x"}},
		"loopback, IPv6":      {true, "Development x", Target{Address: "[::1]:7420", Identity: "x"}},
		"by name":             {true, "Development x", Target{Address: "localhost:7420", Identity: "x"}},
		"loopback with TLS":   {false, "", Target{Address: "127.0.0.1:7420", Identity: "x", CAFile: "ca"}},
		"elsewhere":           {false, "", Target{Address: "salon.example:7420", Identity: "x"}},
		"looks like loopback": {false, "", Target{Address: "127.0.0.1.example:7420", Identity: "x"}},
		"elsewhere, a token":  {false, "Bearer secret", Target{Address: "salon.example:7420", Identity: "x", TokenFile: token}},
	} {
		clear, err := c.target.usesPlaintext()
		who, whoErr := c.target.authorization(clear)
		if err != nil || whoErr != nil || clear != c.clear || who != c.who {
			t.Errorf("%s: in the clear %t, as %q: %v, %v", name, clear, who, err, whoErr)
		}
	}
	for what, target := range map[string]Target{
		"has -rw-r--r--":                      {Address: addr, TokenFile: open1},
		"needs its key":                       {Address: addr, CertFile: "cert"},
		"want host:port":                      {Address: "nowhere"},
		"no certificate in PEM":               {Address: addr, CAFile: token},
		"keys: file permissions are too open": {Address: addr, CertFile: token, KeyFile: open1},
	} {
		if _, err := target.Open(); err == nil || !strings.Contains(err.Error(), what) {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// TestPatience: a call without a deadline gets one.
func TestPatience(t *testing.T) {
	s, addr := listen(t)
	s.away.Store(1 << 30)
	conn := open(t, Target{Address: addr, Timeout: 50 * time.Millisecond})
	_, err := pb.NewAuditServiceClient(conn).GetCheckpoint(t.Context(), &pb.GetCheckpointRequest{})
	if code := status.Code(err); code != codes.DeadlineExceeded && code != codes.Unavailable {
		t.Errorf("it ended with %v", err)
	}
}

func TestPlain(t *testing.T) {
	detailed, err := status.New(codes.InvalidArgument, "the request is not right").WithDetails(&errdetails.BadRequest{
		FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: "filter", Description: "is not understood"}}})
	if err != nil {
		t.Fatal(err)
	}
	if got := Readable(detailed.Err()); got.Error() != "the request is not right; filter: is not understood (InvalidArgument)" || !IsInvalidArgument(got) {
		t.Errorf("%v", got)
	}
	unreached := fmt.Errorf("export: %w", status.Error(codes.Unavailable,
		`max retries exhausted: failed after 5 attempts: rpc error: code = Unavailable desc = connection error: desc = "error reading server preface: EOF"`))
	if got := Readable(unreached).Error(); got != "the server cannot be reached: error reading server preface: EOF; if it speaks TLS, give --ca-file (Unavailable)" {
		t.Errorf("got %q", got)
	}
	if Readable(nil) != nil || Readable(context.Canceled) != context.Canceled {
		t.Error("what is no status is changed")
	}
	if !IsNotFound(status.Error(codes.NotFound, "")) || IsUnavailable(nil) || IsResumable(nil) || IsResumable(status.Error(codes.NotFound, "")) {
		t.Error("errors are taken for others")
	}
}
