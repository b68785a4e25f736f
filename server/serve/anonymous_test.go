package serve

import (
	"context"
	"crypto/tls"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/http2"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"

	pb "alkalog/proto/alkalogv1"
)

// TestAnonymousCallersHaveAQuota: calls that prove no identity are bounded by address,
// and calls from the same address that prove one do not notice.
func TestAnonymousCallersHaveAQuota(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) {
		c.Limits.Quotas.Anonymous = AnonymousQuotas{FailedRate: 1e-3, FailedBurst: 3, OpenRate: 1e-3, OpenBurst: 2}
	})
	get := &pb.GetChainRequest{Name: "chains/ebb"}
	for range 3 {
		_, err := b.directory.GetChain(t.Context(), get)
		wantError(t, err, codes.Unauthenticated, "UNAUTHENTICATED")
	}
	_, err := b.directory.GetChain(t.Context(), get)
	wantError(t, err, codes.ResourceExhausted, "RATE_EXCEEDED", "calls without an identity")
	if retryAfter(err) <= 0 {
		t.Errorf("when to try again is not said: %v", err)
	}
	if _, err := b.directory.GetChain(as(t, "manager"), get); err != nil {
		t.Errorf("a caller with an identity, from the same address: %v", err)
	}
	health := healthpb.NewHealthClient(b.conn)
	for i := range 3 {
		answer, err := health.Check(t.Context(), &healthpb.HealthCheckRequest{})
		if i < 2 && (err != nil || answer.Status != healthpb.HealthCheckResponse_SERVING) {
			t.Errorf("health: %v, %v", answer, err)
		}
		if i == 2 {
			wantError(t, err, codes.ResourceExhausted, "RATE_EXCEEDED")
		}
	}
	counters := b.server.Counters()
	if counters.Unidentified.Load() != 4 || counters.QuotaExceeded.Load() != 2 {
		t.Errorf("counted %d calls without identity and %d beyond a quota, want 4 and 2", counters.Unidentified.Load(), counters.QuotaExceeded.Load())
	}
}

// TestAnonymousCallersHaveATotalQuota: addresses are counted apart, IPv6 ones by /64,
// and together.
func TestAnonymousCallersHaveATotalQuota(t *testing.T) {
	t.Parallel()
	s := newAnonymousLimiter(AnonymousQuotas{FailedRate: 1e-3, FailedBurst: 2, TotalRate: 1e-3, TotalBurst: 5, Calls: 2, TotalCalls: 3, Streams: 1, TotalStreams: 1}.complete())
	at := func(ip string) string { return addressKey(&net.TCPAddr{IP: net.ParseIP(ip), Port: 7}) }
	for i, c := range []struct {
		ip string
		ok bool
	}{
		{"192.0.2.1", true}, {"192.0.2.1", true}, {"192.0.2.1", false}, {"::ffff:192.0.2.1", false},
		{"2001:db8::1", true}, {"2001:db8::2", true}, {"2001:db8::3", false}, {"2001:db8:0:1::1", true}, {"192.0.2.9", false},
	} {
		if err := s.allow(kindFailed, at(c.ip)); (err == nil) != c.ok {
			t.Errorf("call %d, from %s: %v", i, c.ip, err)
		}
	}
	leave, err := s.acquire(kindPending, "a")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		address string
		ok      bool
	}{{"a", true}, {"a", false}, {"b", true}, {"b", false}} {
		if _, err := s.acquire(kindPending, c.address); (err == nil) != c.ok {
			t.Errorf("a call under way from %s: %v", c.address, err)
		}
	}
	for _, kind := range []string{kindPublic, kindPublicStream} {
		if _, err := s.acquire(kind, "a"); err != nil {
			t.Errorf("%s calls share a bound with others: %v", kind, err)
		}
	}
	if _, err := s.acquire(kindPublicStream, "b"); err == nil {
		t.Error("more open streams than there may be in total")
	}
	leave()
	if _, err := s.acquire(kindPending, "b"); err != nil {
		t.Errorf("after a call has ended: %v", err)
	}
}

// hold opens watches of health until one is refused, and returns how many there
// are, the first of them and why the last was refused.
func hold(t *testing.T, ctx context.Context, conn *grpc.ClientConn) (held int, first healthpb.Health_WatchClient, refused error) {
	t.Helper()
	for held < 1000 {
		watch, err := healthpb.NewHealthClient(conn).Watch(ctx, &healthpb.HealthCheckRequest{})
		if err == nil {
			_, err = watch.Recv()
		}
		if err != nil {
			return held, first, err
		}
		if first == nil {
			first = watch
		}
		held++
	}
	return held, first, nil
}

// TestOpenStreamsTakeNothingFromOthers: watches of health by callers without
// identity have a bound of their own. When it is used up, with the default limits,
// identified callers from the same address, their own watches and health checks
// are served as before.
func TestOpenStreamsTakeNothingFromOthers(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) { c.Limits.Quotas.Anonymous = AnonymousQuotas{OpenRate: 1e-3} })
	health := healthpb.NewHealthClient(b.conn)
	held, _, err := hold(t, t.Context(), dial(t, b.server.Addr()))
	wantError(t, err, codes.ResourceExhausted, "TOO_MANY_CALLS")
	if held != 20 {
		t.Errorf("%d watches are open, want 20", held)
	}
	for range 300 { // refused ones use up the rate of streams, too
		if watch, err := health.Watch(t.Context(), &healthpb.HealthCheckRequest{}); err == nil {
			_, err = watch.Recv()
			wantError(t, err, codes.ResourceExhausted, "")
		}
	}
	if _, err := b.directory.GetChain(as(t, "manager"), &pb.GetChainRequest{Name: "chains/ebb"}); err != nil {
		t.Errorf("an identified caller: %v", err)
	}
	if _, err := health.Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil {
		t.Errorf("a health check: %v", err)
	}
}

// TestIdentifiedWatchesOfHealth: the watch of an identified caller counts in that
// caller's quota, and is served when there are too many by others.
func TestIdentifiedWatchesOfHealth(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) {
		c.Limits.Quotas.Anonymous = AnonymousQuotas{Streams: 1, StreamTime: time.Hour}
		c.Limits.Quotas.CallerStreams = 3
	})
	held, _, err := hold(t, t.Context(), b.conn)
	wantError(t, err, codes.ResourceExhausted, "TOO_MANY_CALLS", "without an identity")
	if held != 1 {
		t.Errorf("%d watches are open, want 1", held)
	}
	held, _, err = hold(t, as(t, "manager"), b.conn)
	wantError(t, err, codes.ResourceExhausted, "TOO_MANY_CALLS", "the caller has 3 open streams")
	if held != 3 {
		t.Errorf("%d watches of an identified caller are open, want 3", held)
	}
}

// TestOpenStreamsEnd: a stream without identity is ended after a while, and
// another one takes its place.
func TestOpenStreamsEnd(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	b := newTestServer(t, func(c *Config) {
		c.Limits.Quotas.Anonymous = AnonymousQuotas{Streams: 1, StreamTime: 200 * time.Millisecond}
	})
	reflect, err := reflectionpb.NewServerReflectionClient(b.conn).ServerReflectionInfo(ctx)
	if err != nil {
		t.Fatal(err)
	}
	ask := &reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}}
	if err := reflect.Send(ask); err != nil {
		t.Fatal(err)
	}
	if _, err := reflect.Recv(); err != nil {
		t.Fatal(err)
	}
	_, err = reflect.Recv()
	wantError(t, err, codes.Unavailable, "STREAM_TIME", "open another")
	until(t, "there is room", func() bool {
		watch, err := healthpb.NewHealthClient(b.conn).Watch(ctx, &healthpb.HealthCheckRequest{})
		if err == nil {
			_, err = watch.Recv()
		}
		if err != nil {
			return false
		}
		_, err = watch.Recv()
		wantError(t, err, codes.Unavailable, "STREAM_TIME")
		return true
	})
}

// closedByServer waits until the server closes a connection.
func closedByServer(t *testing.T, c net.Conn) {
	t.Helper()
	c.SetReadDeadline(time.Now().Add(patience))
	if _, err := io.Copy(io.Discard, c); err != nil {
		if late, ok := err.(net.Error); ok && late.Timeout() {
			t.Fatal("the server does not close the connection")
		}
	}
}

// connect opens a connection and speaks HTTP/2 as far as the first settings.
func connect(t *testing.T, address string) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	io.WriteString(c, http2.ClientPreface)
	http2.NewFramer(c, c).WriteSettings()
	return c
}

// TestConnectionsWithoutCallsAreClosed: a connection on which nobody is
// identified is closed; one on which somebody was, or a call is under way, is not.
func TestConnectionsWithoutCallsAreClosed(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) { c.Limits.Connections.UnprovenTime = 50 * time.Millisecond })
	watch, err := healthpb.NewHealthClient(dial(t, b.server.Addr())).Watch(t.Context(), &healthpb.HealthCheckRequest{})
	if err == nil {
		_, err = watch.Recv()
	}
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.directory.GetChain(as(t, "manager"), &pb.GetChainRequest{Name: "chains/ebb"}); err != nil {
		t.Fatal(err)
	}
	closedByServer(t, connect(t, b.server.Addr()))
	closedByServer(t, connect(t, b.server.Addr()))
	if n := b.server.Counters().ConnectionsIdle.Load(); n != 2 {
		t.Errorf("%d connections are counted as closed, want 2", n)
	}
	until(t, "the other two are left", func() bool { return b.server.Counters().Connections.Load() == 2 })
	b.server.health.public.SetServingStatus("", healthpb.HealthCheckResponse_NOT_SERVING)
	if answer, err := watch.Recv(); err != nil || answer.Status != healthpb.HealthCheckResponse_NOT_SERVING {
		t.Errorf("a watch of health was closed: %v, %v", answer, err)
	}
}

// connectFrom opens a connection from a local address.
func connectFrom(t *testing.T, ip, address string) net.Conn {
	t.Helper()
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(ip)}}
	c, err := d.DialContext(t.Context(), "tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// callOnce makes one call as an identified caller, on one connection that is not
// dialed again.
func callOnce(t *testing.T, ip, address string) (*grpc.ClientConn, error) {
	t.Helper()
	line := connectFrom(t, ip, address)
	dialed := false
	conn, err := grpc.NewClient("passthrough:///"+address, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) {
			if dialed {
				return nil, net.ErrClosed
			}
			dialed = true
			return line, nil
		}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	_, err = pb.NewDirectoryServiceClient(conn).GetChain(as(t, "manager"), &pb.GetChainRequest{Name: "chains/ebb"})
	return conn, err
}

// TestIdleConnectionsLockNobodyOut: when the bounds on unproven connections are
// full of idle ones, a till that connects and calls is answered, and one that was
// identified before is not closed for others.
func TestIdleConnectionsLockNobodyOut(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		limits Connections
		idle   string // where the idle connections come from
		most   int64  // unproven connections that may be left
	}{
		"of one address": {Connections{UnprovenPerAddress: 5}, "127.0.0.1", 10},
		"of all":         {Connections{Unproven: 5}, "127.0.0.2", 10},
		"old ones":       {Connections{UnprovenPerAddress: 5, ProvingTime: 1}, "127.0.0.1", 5},
		"the address":    {Connections{PerAddress: 5}, "127.0.0.1", 5},
		"the total":      {Connections{Total: 5}, "127.0.0.2", 5},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c.limits.UnprovenTime = time.Hour
			b := newTestServer(t, func(cfg *Config) { cfg.Limits.Connections = c.limits })
			before, err := callOnce(t, "127.0.0.1", b.server.Addr())
			if err != nil {
				t.Fatal(err)
			}
			first := connectFrom(t, c.idle, b.server.Addr())
			for range 30 {
				connectFrom(t, c.idle, b.server.Addr())
			}
			closedByServer(t, first)
			for range 3 {
				if _, err := callOnce(t, "127.0.0.1", b.server.Addr()); err != nil {
					t.Fatalf("a till that connects: %v", err)
				}
			}
			if _, err := pb.NewDirectoryServiceClient(before).GetChain(as(t, "manager"), &pb.GetChainRequest{Name: "chains/ebb"}); err != nil {
				t.Errorf("a till that was identified before: %v", err)
			}
			if n := b.server.Counters().ConnectionsUnproven.Load(); n > c.most {
				t.Errorf("%d unproven connections are open, want at most %d", n, c.most)
			}
		})
	}
}

// TestEvictionOfConnections: the oldest unproven connection of the heaviest address
// makes room, but while it is new only beyond twice the bound; proven ones are left,
// and what is beyond the bounds with proven ones alone is refused.
func TestEvictionOfConnections(t *testing.T) {
	t.Parallel()
	limits := Connections{Total: 6, PerAddress: 5, Unproven: 3, UnprovenPerAddress: 2, ProvingTime: 2 * time.Second}.complete()
	l := newConnLimiter(limits, &Counters{})
	began := time.Now()
	known := map[string]*conn{}
	for _, c := range []struct {
		name, address string
		second        int
		evicted       string
		refused       bool
		proven        bool
	}{
		{"a1", "a", 0, "", false, false},
		{"a2", "a", 0, "", false, false},
		{"a3", "a", 1, "", false, false},      // a1 is new
		{"a4", "a", 1, "", false, false},      // room for new ones: twice the bound
		{"a5", "a", 1, "a1", false, true},     // no more room
		{"b1", "b", 1, "", false, false},      // four unproven, within twice the total
		{"b2", "b", 4, "a2 a3", false, false}, // the heaviest address, old by now, until there is room
		{"b3", "b", 9, "b1", false, true},     // its own address
		{"c1", "c", 10, "", false, true},
		{"c2", "c", 10, "", false, true},
		{"c3", "c", 10, "a4", false, true}, // six are open
		{"c4", "c", 10, "b2", false, true},
		{"c5", "c", 10, "", true, false}, // all are proven
	} {
		made := &conn{owner: l, address: c.address, accepted: began.Add(time.Duration(c.second) * time.Second)}
		known[c.name] = made
		evicted, ok := l.add(made)
		var names []string
		for _, old := range evicted {
			for name, one := range known {
				if one == old {
					names = append(names, name)
				}
			}
		}
		if got := strings.Join(names, " "); got != c.evicted || ok == c.refused {
			t.Errorf("%s: %q made room and it was let in: %v; want %q and %v", c.name, got, ok, c.evicted, !c.refused)
		}
		if c.proven {
			l.prove(made)
		}
	}
}

// TestUnprovenConnectionsAreReadSlowly: who is not identified cannot make the
// server take in much.
func TestUnprovenConnectionsAreReadSlowly(t *testing.T) {
	t.Parallel()
	limits := Connections{UnprovenBytes: 1, UnprovenTime: time.Hour}.complete()
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	listener := newConnLimiter(limits, &Counters{}).bound(inner)
	defer listener.Close()
	caller, err := net.Dial("tcp", inner.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer caller.Close()
	accepted, err := listener.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer accepted.Close()
	go caller.Write(make([]byte, 3*unprovenBurst))
	read := make(chan int)
	go func() {
		buffer := make([]byte, 8<<10)
		for total := 0; total < 3*unprovenBurst; {
			n, err := accepted.Read(buffer)
			if err != nil {
				return
			}
			total += n
			read <- total
		}
		close(read)
	}()
	total := 0
	for total < unprovenBurst-8<<10 {
		total = <-read
	}
	// What is beyond the burst does not come, until somebody is identified.
	quiet, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	for waiting := true; waiting; {
		select {
		case total = <-read:
		case <-quiet.Done():
			waiting = false
		}
	}
	if total > unprovenBurst {
		t.Errorf("%d bytes were read of a caller who is not identified", total)
	}
	accepted.(*conn).prove()
	for n := range read {
		total = n
	}
	if total != 3*unprovenBurst {
		t.Errorf("%d bytes were read afterwards, want %d", total, 3*unprovenBurst)
	}
}

// TestStalledReadersAreClosed: an answer that its reader does not take is given
// up with its connection, and its memory is given back.
func TestStalledReadersAreClosed(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) {
		c.Limits.SendTime = 50 * time.Millisecond
		c.Limits.Connections.StalledTime = 300 * time.Millisecond
	})
	stream, err := b.process.WatchSession(from(t, "ebb", "x"), &pb.WatchSessionRequest{Name: "chains/ebb/clients/c/sessions/flood"})
	if err != nil {
		t.Fatal(err)
	}
	until(t, "the connection is closed", func() bool { return b.server.Counters().ConnectionsStalled.Load() > 0 })
	until(t, "its memory is given back", func() bool { return b.server.memory.answers.Load() == 0 })
	for err == nil {
		_, err = stream.Recv()
	}
	if _, err := pb.NewDirectoryServiceClient(dial(t, b.server.Addr())).GetChain(as(t, "manager"), &pb.GetChainRequest{Name: "chains/ebb"}); err != nil {
		t.Errorf("others: %v", err)
	}
	until(t, "all answers are taken", func() bool { return b.server.memory.answers.Load() == 0 })
}

// TestFullMemoryRefusesCalls: what does not fit is refused with a retry delay, health stays
// on saying that the server is well, and afterwards all is as before.
func TestFullMemoryRefusesCalls(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	give := fill(t, b.server.memory)
	get := &pb.GetChainRequest{Name: "chains/ebb"}
	_, err := b.directory.GetChain(as(t, "manager"), get)
	wantError(t, err, codes.ResourceExhausted, "OVERLOADED")
	if retryAfter(err) <= 0 {
		t.Errorf("when to try again is not said: %v", err)
	}
	answer, err := healthpb.NewHealthClient(b.conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil || answer.Status != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("health: %v, %v", answer, err)
	}
	give()
	if _, err := b.directory.GetChain(as(t, "manager"), get); err != nil {
		t.Errorf("when there is memory again: %v", err)
	}
	if n := b.server.Counters().Shed.Load(); n != 1 {
		t.Errorf("%d calls are counted as refused for memory, want 1", n)
	}
	if !b.server.memory.requests.TryAcquire(b.server.memory.limit) {
		t.Error("calls that have ended still hold memory")
	}
}

// fill takes all memory for requests.
func fill(t *testing.T, m *memoryLimiter) (give func()) {
	t.Helper()
	if err := m.requests.Acquire(t.Context(), m.limit); err != nil {
		t.Fatal(err)
	}
	return func() { m.requests.Release(m.limit) }
}

// TestFailedHandshakesAreCounted: who gets no line is on no audit log, but in a
// counter.
func TestFailedHandshakesAreCounted(t *testing.T) {
	t.Parallel()
	h := newSecuredServer(t)
	if err := h.call(t, h.Transport(t, h.Certificate(t, frontDesk)), ""); err != nil {
		t.Fatal(err)
	}
	old := &tls.Config{MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11, InsecureSkipVerify: true}
	if _, err := tls.Dial("tcp", h.server.Addr(), old); err == nil {
		t.Fatal("TLS 1.1 was taken")
	}
	closedByServer(t, connect(t, h.server.Addr())) // no TLS at all
	until(t, "both are counted", func() bool { return h.server.Counters().HandshakesDenied.Load() == 2 })
}
