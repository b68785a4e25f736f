package serve

import (
	"context"
	"crypto/tls"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"

	"alkalog/server/identity/identitytest"
	"alkalog/server/keys"
)

// TestRotationUnderLoad: the server's certificate, the authority of callers and
// the key of tokens are replaced while tills call; none notices.
func TestRotationUnderLoad(t *testing.T) {
	t.Parallel()
	h := newSecuredServer(t)
	root := h.Authority // of the server's certificates: what tills trust stays
	line := h.Transport(t, h.Certificate(t, frontDesk))
	steady := h.open(t, line)
	var calls, rounds atomic.Int64
	load, stop := context.WithCancel(t.Context())
	var callers sync.WaitGroup
	for range 4 {
		callers.Go(func() {
			for load.Err() == nil {
				fresh, err := grpc.NewClient(h.server.Addr(), grpc.WithTransportCredentials(line.Clone()))
				if err != nil {
					t.Error(err)
					return
				}
				for _, conn := range []*grpc.ClientConn{fresh, steady} {
					if err := h.ask(t, conn, ""); err != nil {
						t.Errorf("in round %d: %v", rounds.Load(), err)
						stop()
					}
					calls.Add(1)
				}
				fresh.Close()
			}
		})
	}
	for round := range int64(20) {
		rounds.Store(round)
		h.ServeWith(t, root)
		h.TrustAuthorities(t, identitytest.NewAuthority(t, h.clock), root)
		h.TrustKeys(t, identitytest.NewKey(t), h.Key)
		h.advance(time.Second)
		before := calls.Load()
		until(t, "everybody has called again", func() bool { return calls.Load() >= before+16 || load.Err() != nil })
	}
	stop()
	callers.Wait()
	t.Logf("%d calls, on %d connections, through 20 rotations", calls.Load(), calls.Load()/2+1)
}

// TestBrokenPairLeavesTheOldOne: a certificate without its key, half a file, or
// a key that others can read is reported, and the previous pair stays in use.
func TestBrokenPairLeavesTheOldOne(t *testing.T) {
	t.Parallel()
	h := newSecuredServer(t)
	serial := func() string {
		t.Helper()
		conn, err := tls.Dial("tcp", h.server.Addr(), &tls.Config{InsecureSkipVerify: true, NextProtos: []string{"h2"}}) // to look at it
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		return conn.ConnectionState().PeerCertificates[0].SerialNumber.String()
	}
	first := serial()
	good := func(until time.Time) keys.Pair {
		pair, err := h.Authority.Server([]string{"127.0.0.1"}, h.clock().Add(-time.Hour), until)
		if err != nil {
			t.Fatal(err)
		}
		return pair
	}
	later := h.clock().Add(time.Hour)
	next, expired := good(later), good(h.clock().Add(-time.Second))
	for i, broken := range []keys.Pair{{Cert: next.Cert, Key: good(later).Key}, {Cert: next.Cert[:100], Key: next.Key}, {Cert: next.Cert}, expired} {
		if err := keys.Replace(h.TLSKey, broken.Key); err != nil {
			t.Fatal(err)
		}
		if err := keys.ReplaceTrusted(h.TLSCert, broken.Cert); err != nil {
			t.Fatal(err)
		}
		h.advance(time.Second)
		if got := serial(); got != first || len(h.log.lines(t, "cannot reload a file of trusted identities, keeping the previous one")) != i+1 {
			t.Errorf("broken pair %d: %v", i, h.log.lines(t, "cannot reload a file of trusted identities, keeping the previous one"))
		}
	}
	h.ServeWith(t, h.Authority)
	if err := os.Chmod(h.TLSKey, 0o644); err != nil {
		t.Fatal(err)
	}
	h.advance(time.Second)
	if serial() != first {
		t.Error("a key that others can read is taken")
	}
	if err := os.Chmod(h.TLSKey, 0o600); err != nil {
		t.Fatal(err)
	}
	h.advance(time.Second)
	if serial() == first {
		t.Error("the new pair is not taken")
	}
	if strings.Contains(h.log.String(), "PRIVATE KEY") {
		t.Error("a key is on the log")
	}
}

func TestIdentitiesThatCannotBeRead(t *testing.T) {
	t.Parallel()
	clock := func() time.Time { return time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC) }
	in := identitytest.New(t, clock)
	usual := Config{Address: "127.0.0.1:0", DataDir: "none", Clock: clock,
		TLSCert: in.TLSCert, TLSKey: in.TLSKey, ClientCA: in.ClientCA, JWKS: in.JWKS, Revoked: in.Revoked}
	for what, change := range map[string]func(*Config){
		"TLS:":             func(c *Config) { c.TLSCert = "none" },
		"TLS: keys":        func(c *Config) { c.TLSKey = in.TLSCert },
		"client CA:":       func(c *Config) { c.ClientCA = in.JWKS },
		"a CA certificate": func(c *Config) { c.ClientCA = in.TLSCert },
		"tokens:":          func(c *Config) { c.JWKS = in.ClientCA },
		"revocation list:": func(c *Config) { c.Revoked = in.JWKS },
	} {
		cfg := usual
		change(&cfg)
		cfg, err := cfg.complete()
		if err != nil {
			t.Fatal(err)
		}
		if _, err = openCallerSecurity(cfg); err == nil || !strings.Contains(err.Error(), what) {
			t.Errorf("%v, want %q in it", err, what)
		}
	}
	for what, change := range map[string]func(*Config){
		"must be an https URL":                 func(c *Config) { c.JWKS, c.Issuer = "", "http://login.example" },
		"needs its key":                        func(c *Config) { c.TLSKey = "" },
		"client CA needs":                      func(c *Config) { c.TLSCert, c.TLSKey = "", "" },
		"audience needs":                       func(c *Config) { c.JWKS, c.Audience = "", "x" },
		"revocation list needs":                func(c *Config) { c.ClientCA, c.JWKS = "", "" },
		"cannot be combined with certificates": func(c *Config) { c.Development = true },
		"on loopback addresses only":           func(c *Config) { c.ClientCA, c.JWKS, c.Revoked, c.Development, c.Address = "", "", "", true, ":0" },
	} {
		cfg := usual
		change(&cfg)
		if err := cfg.Check(); err == nil || !strings.Contains(err.Error(), what) {
			t.Errorf("%v, want %q in it", err, what)
		}
	}
}
