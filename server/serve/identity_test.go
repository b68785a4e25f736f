package serve

import (
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"

	pb "alkalog/proto/alkalogv1"
)

func TestNobodyCallsWithoutAnIdentity(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	_, err := b.directory.GetChain(t.Context(), &pb.GetChainRequest{Name: "chains/ebb"})
	wantError(t, err, codes.Unauthenticated, "UNAUTHENTICATED", "authorization: Development role=")

	stream, err := b.process.WatchSession(t.Context(), &pb.WatchSessionRequest{Name: "chains/ebb/clients/c/sessions/s"})
	if err != nil {
		t.Fatal(err)
	}
	_, err = stream.Recv()
	wantError(t, err, codes.Unauthenticated, "UNAUTHENTICATED", "authorization: Development role=")
}

func TestDevelopmentIdentitiesAreRefusedUnlessAllowed(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) { c.Development = false })
	_, err := b.directory.GetChain(as(t, "manager"), &pb.GetChainRequest{Name: "chains/ebb"})
	wantError(t, err, codes.Unauthenticated, "UNAUTHENTICATED", "no identities configured")
}

func TestIdentityReachesTheServiceAndTheLog(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	ctx := metadata.AppendToOutgoingContext(as(t, "auditor"),
		"traceparent", "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01")
	if _, err := b.directory.GetChain(ctx, &pb.GetChainRequest{Name: "chains/ebb"}); err != nil {
		t.Fatal(err)
	}
	until(t, "the call is on the log", func() bool { return len(b.log.lines(t, "call")) == 1 })
	line := b.log.lines(t, "call")[0]
	for key, want := range map[string]any{
		"method": "/alkalog.v1.DirectoryService/GetChain", "code": "OK", "role": "auditor",
		"actor": "chains/ebb/practitioners/amara", "trace": "0af7651916cd43dd8448eb211c80319c",
	} {
		if line[key] != want {
			t.Errorf("%s on the log is %v, want %v", key, line[key], want)
		}
	}
	if _, measured := line["milliseconds"].(float64); !measured {
		t.Errorf("the line says nothing of how long it took: %v", line)
	}
}

func TestMalformedTillNameIsRejected(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	ctx := metadata.AppendToOutgoingContext(as(t, "manager"), "alkalog-till", "<script>")
	_, err := b.directory.GetChain(ctx, &pb.GetChainRequest{Name: "chains/ebb"})
	wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "alkalog-till")
}

func TestOnlyLoopbackIsServedInTheClear(t *testing.T) {
	t.Parallel()
	for _, address := range []string{"0.0.0.0:0", ":0", "[::]:0", "192.0.2.1:0", "salon.example:0", "not an address"} {
		for _, development := range []bool{true, false} {
			err := Config{Address: address, DataDir: "none", Development: development}.Check()
			if err == nil || !strings.Contains(err.Error(), "set a TLS certificate") {
				t.Errorf("%s, development %v: %v", address, development, err)
			}
		}
	}
}
