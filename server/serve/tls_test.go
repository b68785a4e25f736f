package serve

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"net"
	"net/url"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity"
	"alkalog/server/identity/identitytest"
	"alkalog/server/keys"
)

const frontDesk = "chains/ebb/salons/north/tills/front-1"

// identityEcho answers every identified caller.
type identityEcho struct {
	pb.UnimplementedDirectoryServiceServer
	pb.UnimplementedProcessingServiceServer

	beat chan struct{} // received from before every message of a stream
}

func (identityEcho) GetSalon(_ context.Context, req *pb.GetSalonRequest) (*pb.GetSalonResponse, error) {
	return &pb.GetSalonResponse{Salon: &pb.Salon{Name: req.Name}}, nil
}

// WatchSession sends a message at every beat.
func (p identityEcho) WatchSession(_ *pb.WatchSessionRequest, stream grpc.ServerStreamingServer[pb.WatchSessionResponse]) error {
	for {
		select {
		case <-p.beat:
		case <-stream.Context().Done():
			return stream.Context().Err()
		}
		if err := stream.Send(&pb.WatchSessionResponse{ResumeToken: "1"}); err != nil {
			return err
		}
	}
}

// securedServer is a server that knows certificates and tokens.
type securedServer struct {
	*identitytest.Installation
	server *Server
	log    *logBuffer
	beat   chan struct{} // lets every stream send one message
	mu     sync.Mutex
	now    time.Time
}

func newSecuredServer(t testing.TB, change ...func(*Config)) *securedServer {
	t.Helper()
	h := &securedServer{now: time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC)}
	h.Installation = identitytest.New(t, h.clock)
	h.log, h.beat = new(logBuffer), make(chan struct{})
	cfg := Config{Address: "127.0.0.1:0", DataDir: "none", Clock: h.clock, Logger: slog.New(slog.NewJSONHandler(h.log, nil)),
		TLSCert: h.TLSCert, TLSKey: h.TLSKey, ClientCA: h.ClientCA, JWKS: h.JWKS, Revoked: h.Revoked,
		Limits: Limits{Quotas: Quotas{CallerRate: 1e9, CallerBurst: 1e9, ChainRate: 1e9, ChainBurst: 1e9,
			Anonymous: AnonymousQuotas{FailedRate: 1e9, FailedBurst: 1e9}}}}
	for _, c := range change {
		c(&cfg)
	}
	cfg, err := cfg.complete()
	if err != nil {
		t.Fatal(err)
	}
	h.server, err = listen(cfg, database{}, func(r grpc.ServiceRegistrar, _ requests) []backgroundLoop {
		pb.RegisterDirectoryServiceServer(r, identityEcho{beat: h.beat})
		pb.RegisterProcessingServiceServer(r, identityEcho{beat: h.beat})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.server.Stop(context.Background()) })
	return h
}

func (h *securedServer) clock() time.Time {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.now
}

func (h *securedServer) advance(d time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.now = h.now.Add(d)
}

// call asks for a salon over a line of its own; a token may be empty.
func (h *securedServer) call(t testing.TB, line credentials.TransportCredentials, token string, more ...string) error {
	t.Helper()
	return h.ask(t, h.open(t, line), token, more...)
}

func (h *securedServer) open(t testing.TB, line credentials.TransportCredentials) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(h.server.Addr(), grpc.WithTransportCredentials(line))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

func (h *securedServer) ask(t testing.TB, conn *grpc.ClientConn, token string, more ...string) error {
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	if token != "" {
		more = append(more, "authorization", "Bearer "+token)
	}
	_, err := pb.NewDirectoryServiceClient(conn).GetSalon(metadata.AppendToOutgoingContext(ctx, more...), &pb.GetSalonRequest{Name: "chains/ebb/salons/north"})
	return err
}

// issue is a certificate of the installation's authority with what a test wants
// in it.
func (h *securedServer) issue(t *testing.T, change func(*x509.Certificate), uris ...string) tls.Certificate {
	t.Helper()
	template := &x509.Certificate{NotBefore: h.clock().Add(-time.Hour), NotAfter: h.clock().Add(time.Hour), ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}
	for _, text := range uris {
		uri, err := url.Parse(text)
		if err != nil {
			t.Fatal(err)
		}
		template.URIs = append(template.URIs, uri)
	}
	if change != nil {
		change(template)
	}
	pair, err := h.Authority.Issue(template)
	if err != nil {
		t.Fatal(err)
	}
	return identitytest.Load(t, pair)
}

func TestCertificatesSayWhoCalls(t *testing.T) {
	t.Parallel()
	h := newSecuredServer(t)
	for name, role := range map[string]string{
		frontDesk: "till", "chains/ebb/managers/back-office": "manager", "chains/ebb/salons/north/managers/back-office": "manager",
		"chains/ebb/auditors/archive": "auditor",
	} {
		before := len(h.log.lines(t, "call"))
		if err := h.call(t, h.Transport(t, h.Certificate(t, name)), ""); err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		until(t, "the call is on the log", func() bool { return len(h.log.lines(t, "call")) > before })
		line := h.log.lines(t, "call")[before]
		if line["actor"] != name || line["role"] != role {
			t.Errorf("%s is on the log as %v", name, line)
		}
	}
}

// TestCertificatesThatAreRefused: those that TLS itself refuses never make a
// connection; the others are told what would be right.
func TestCertificatesThatAreRefused(t *testing.T) {
	t.Parallel()
	h := newSecuredServer(t)
	const good = "alkalog:///" + frontDesk
	foreign := identitytest.NewAuthority(t, h.clock)
	pair, err := foreign.Client(frontDesk, h.clock().Add(-time.Hour), h.clock().Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	for what, cert := range map[string]tls.Certificate{
		"another authority": identitytest.Load(t, pair),
		"expired":           h.CertificateUntil(t, frontDesk, h.clock().Add(-time.Second)),
		"not valid yet":     h.issue(t, func(c *x509.Certificate) { c.NotBefore = h.clock().Add(time.Second) }, good),
		"the server's own":  h.issue(t, func(c *x509.Certificate) { c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth} }, good),
	} {
		if err := h.call(t, h.Transport(t, cert), ""); status.Code(err) != codes.Unavailable {
			t.Errorf("%s: %v", what, err)
		}
	}
	for _, uris := range map[string][]string{
		"no name": {}, "two names": {good, good}, "a practitioner": {"alkalog:///chains/ebb/practitioners/amara"},
		"a till of no salon": {"alkalog:///chains/ebb/tills/front-1"}, "a host": {"alkalog://host/" + frontDesk}, "a query": {good + "?role=manager"},
		"a fragment": {good + "#x"}, "an escape": {"alkalog:///chains/ebb/salons/north/tills/front%2d1"}, "capitals": {"alkalog:///chains/Ebb/salons/north/tills/front-1"},
		"another scheme": {"spiffe://ebb/salons/north/tills/front-1"}, "no slashes": {"alkalog:" + frontDesk}, "a tail": {good + "/"},
		"a collection nobody knows": {"alkalog:///chains/ebb/owners/amara"}, "a port": {"alkalog://:1/" + frontDesk},
	} {
		err := h.call(t, h.Transport(t, h.issue(t, nil, uris...)), "")
		wantError(t, err, codes.Unauthenticated, "UNAUTHENTICATED", "URI SAN")
	}
	wantError(t, h.call(t, h.Transport(t, h.issue(t, func(c *x509.Certificate) { c.DNSNames = []string{frontDesk} })), ""),
		codes.Unauthenticated, "UNAUTHENTICATED", "URI SAN")
	wantError(t, h.call(t, h.Transport(t), ""), codes.Unauthenticated, "UNAUTHENTICATED", "a certificate of this installation's authority", "Bearer {token}")
}

// TestOpenConnectionsAreLookedAt: what was right when the connection was made
// may not be right at the next call.
func TestOpenConnectionsAreLookedAt(t *testing.T) {
	t.Parallel()
	h := newSecuredServer(t)
	cert := h.Certificate(t, frontDesk)
	conn := h.open(t, h.Transport(t, cert))
	step := func(what string, in bool, reason string) {
		t.Helper()
		h.advance(time.Second)
		err := h.ask(t, conn, "")
		if in && err != nil {
			t.Errorf("%s: %v", what, err)
		} else if !in {
			wantError(t, err, codes.Unauthenticated, "UNAUTHENTICATED", reason)
		}
	}
	step("before", true, "")
	colons := strings.ToUpper(keys.Fingerprint(cert.Leaf))
	h.Revoke(t, "# stolen", colons[:2]+":"+colons[2:])
	step("revoked", false, "revoked")
	h.Revoke(t, frontDesk)
	step("revoked by name", false, "revoked")
	h.Revoke(t)
	step("no longer revoked", true, "")
	next := identitytest.NewAuthority(t, h.clock)
	h.TrustAuthorities(t, next)
	step("its authority is gone", false, "authority")
	h.TrustAuthorities(t, h.Authority, next)
	step("its authority is back", true, "")
	h.advance(24 * time.Hour)
	step("expired", false, "expired")
}

// TestOpenStreamsAreReauthenticated: a display that was let in is shown nothing more
// once its token or certificate is revoked or has expired.
func TestOpenStreamsAreReauthenticated(t *testing.T) {
	t.Parallel()
	for what, end := range map[string]func(*securedServer){
		"has expired": func(h *securedServer) { h.advance(2 * time.Hour) },
		"is revoked":  func(h *securedServer) { h.Revoke(t, "chains/ebb/practitioners/amara"); h.advance(time.Second) },
		"":            func(h *securedServer) { h.advance(time.Second) }, // nothing happens
	} {
		h := newSecuredServer(t)
		token := h.Token(t, "practitioner", "chains/ebb/practitioners/amara")
		ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+token), patience)
		defer cancel()
		client := pb.NewProcessingServiceClient(h.open(t, h.Transport(t)))
		stream, err := client.WatchSession(ctx, &pb.WatchSessionRequest{Name: "chains/ebb/clients/c/sessions/s"})
		if err != nil {
			t.Fatal(err)
		}
		for range 3 {
			h.beat <- struct{}{}
			if _, err := stream.Recv(); err != nil {
				t.Fatal(err)
			}
			h.advance(time.Second)
		}
		end(h)
		h.beat <- struct{}{}
		_, err = stream.Recv()
		if what == "" {
			if err != nil {
				t.Errorf("nothing happened: %v", err)
			}
			continue
		}
		wantError(t, err, codes.Unauthenticated, "UNAUTHENTICATED", what)
	}
}

func TestTokenAndCertificateTogether(t *testing.T) {
	t.Parallel()
	h := newSecuredServer(t)
	token := func(role, name string, salons ...string) string {
		return h.Token(t, role, name, func(g *identity.Grant) { g.Salons = salons })
	}
	const amara = "chains/ebb/practitioners/amara"
	at := h.Transport(t, h.Certificate(t, frontDesk))
	for what, good := range map[string]string{
		"of the chain": token("practitioner", amara), "of the salon": token("practitioner", amara, "chains/ebb/salons/south", "chains/ebb/salons/north"),
	} {
		if err := h.call(t, at, good, "alkalog-till", "till 2"); err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
	wantError(t, h.call(t, at, token("practitioner", "chains/other/practitioners/amara")), codes.Unauthenticated, "UNAUTHENTICATED", "different chains")
	wantError(t, h.call(t, at, token("operator", "operators/site")), codes.Unauthenticated, "UNAUTHENTICATED", "different chains")
	wantError(t, h.call(t, at, token("practitioner", amara, "chains/ebb/salons/south")), codes.Unauthenticated, "UNAUTHENTICATED", "different salons")
	wantError(t, h.call(t, at, "garbage"), codes.Unauthenticated, "UNAUTHENTICATED", "compact JWS")
	wantError(t, h.call(t, at, "", "authorization", "Development role=operator name=operators/site"),
		codes.Unauthenticated, "UNAUTHENTICATED", "development identities are refused")
	wantError(t, h.call(t, at, token("practitioner", amara), "alkalog-till", "<script>"), codes.InvalidArgument, "INVALID_FIELD", "alkalog-till")
	h.Revoke(t, frontDesk)
	h.advance(time.Second)
	wantError(t, h.call(t, at, token("practitioner", amara)), codes.Unauthenticated, "UNAUTHENTICATED", "revoked")
}

func TestBadTokensOverTheWire(t *testing.T) {
	t.Parallel()
	h := newSecuredServer(t)
	conn := h.open(t, h.Transport(t))
	const amara = "chains/ebb/practitioners/amara"
	if err := h.ask(t, conn, h.Token(t, "practitioner", amara)); err != nil {
		t.Fatal(err)
	}
	for what, token := range h.BadTokens(t, "practitioner", amara) {
		if err := h.ask(t, conn, token); status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s: %v", what, err)
		}
		if len(token) > 12 && strings.Contains(h.log.String(), token[:12]) {
			t.Errorf("%s: the token is on the log", what)
		}
	}
}

// TestTrustIsLogged: whom a server believes is the first thing it says, and a
// warning where nothing is proven.
func TestTrustIsLogged(t *testing.T) {
	t.Parallel()
	for want, change := range map[string]func(*Config){
		"INFO tills and services":   func(*Config) {},
		"WARN every caller: DEV":    func(c *Config) { c.ClientCA, c.JWKS, c.Revoked, c.Development = "", "", "", true },
		"WARN NOBODY":               func(c *Config) { c.ClientCA, c.JWKS, c.Revoked = "", "", "" },
		"INFO people with a token ": func(c *Config) { c.ClientCA = "" },
	} {
		h := newSecuredServer(t, change)
		lines := h.log.lines(t, "serving")
		if len(lines) != 1 || !strings.HasPrefix(lines[0]["level"].(string)+" "+lines[0]["trusts"].(string), want) || lines[0]["tls"] != true {
			t.Errorf("want %q: %v", want, lines)
		}
	}
}

func TestTLSVersions(t *testing.T) {
	t.Parallel()
	h := newSecuredServer(t)
	text, err := os.ReadFile(h.ClientCA)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(text)
	for version, want := range map[uint16]bool{tls.VersionTLS10: false, tls.VersionTLS11: false, tls.VersionTLS12: true, tls.VersionTLS13: true} {
		conn, err := tls.Dial("tcp", h.server.Addr(), &tls.Config{RootCAs: roots, Time: h.clock, NextProtos: []string{"h2"}, MinVersion: version, MaxVersion: version})
		if err == nil {
			conn.Close()
		}
		if (err == nil) != want {
			t.Errorf("%s: %v", tls.VersionName(version), err)
		}
	}
	if err := h.ask(t, dial(t, h.server.Addr()), ""); status.Code(err) != codes.Unavailable {
		t.Errorf("in the clear: %v", err)
	}
	answer, err := healthpb.NewHealthClient(h.open(t, h.Transport(t))).Check(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil || answer.Status != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("health needs no identity: %v, %v", answer, err)
	}
}

// TestServedOnTheNetwork: with TLS, and without development identities, other
// machines may call.
func TestServedOnTheNetwork(t *testing.T) {
	t.Parallel()
	h := newSecuredServer(t, func(c *Config) { c.Address = "0.0.0.0:0" })
	_, port, err := net.SplitHostPort(h.server.Addr())
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient("127.0.0.1:"+port, grpc.WithTransportCredentials(h.Transport(t, h.Certificate(t, frontDesk))))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := h.ask(t, conn, ""); err != nil {
		t.Error(err)
	}
}
