package integration

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/binary"
	"fmt"
	"io"
	"iter"
	"net"
	"net/http"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/net/http2"
	"golang.org/x/net/http2/hpack"
	"golang.org/x/time/rate"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/encoding"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity/identitytest"
	"alkalog/storage"
)

// The promise: a flood costs little memory, has no lasting effect, and does not slow
// callers of other chains.

// fullFlood is the environment variable that asks for the flood in full size.
const fullFlood = "ALKALOG_TEST_FULL_FLOOD"

// floodSize is how much is sent, and the permitted effects.
type floodSize struct {
	messages, idle, readers int
	lasts                   time.Duration // over how long it is spread; 0: as fast as can be
	memory                  float64       // resident memory at most, as a multiple of that before
	slower                  float64       // one call in a hundred of another chain takes at most so many times as long; 0: not judged
}

// sizeOfFlood is small, and lenient, unless the full size is asked for: on a
// machine that is busy with other tests times say little.
func sizeOfFlood() floodSize {
	if os.Getenv(fullFlood) != "" {
		return floodSize{messages: 200, idle: 2000, readers: 100, lasts: 20 * time.Second, memory: 2, slower: mostWorse}
	}
	return floodSize{messages: 48, idle: 300, readers: 20, memory: 2.5}
}

// flooded is a server in a process of its own, which is flooded, and a chain that
// has nothing to do with it.
type flooded struct {
	*testServer
	*child
	door  string // address of the listener that is flooded
	size  floodSize
	line  *tls.Config                           // nil: in the clear
	creds credentials.TransportCredentials      // of callers
	quiet *chain                                // another chain
	loud  *chain                                // the chain of the slow readers
	as    func(t testing.TB, who person) string // the authorization of a person
	conn  *grpc.ClientConn                      // of the quiet chain
}

// newFlooded starts a server whose gRPC listener, or web door, is flooded.
func newFlooded(t *testing.T, private, web bool) *flooded {
	t.Helper()
	s := newTestServer(t)
	f := &flooded{testServer: s, size: sizeOfFlood(), quiet: s.newChain(t, "ebb-and-flow"), loud: s.newChain(t, "low-tide")}
	for i := range 100 {
		must(t, f.loud.amara, s.consultation.CreateClient, &pb.CreateClientRequest{Parent: f.loud.name, RequestId: newID(),
			Client: &pb.Client{DisplayName: fmt.Sprintf("Invented %d %s", i, strings.Repeat("x", 80))}})
	}
	settings := []string{childWeb + "=1", childDatabase + "=" + s.database.DSN(storage.RoleServer), childKeys + "=" + s.keys, childBounded + "=1"}
	f.creds = insecure.NewCredentials()
	f.as = func(t testing.TB, who person) string {
		md, _ := metadata.FromOutgoingContext(who.identify(t.Context()))
		return md.Get("authorization")[0]
	}
	if private {
		i := identitytest.New(t, time.Now)
		settings = append(settings, childTLS+"="+strings.Join([]string{i.TLSCert, i.TLSKey, i.ClientCA, i.JWKS}, "|"))
		f.creds = i.Transport(t)
		f.line = &tls.Config{InsecureSkipVerify: true, NextProtos: []string{"h2"}} // an attacker trusts anybody
		f.as = func(t testing.TB, who person) string {
			role := strings.ToLower(strings.TrimPrefix(who.role.String(), "ROLE_"))
			return "Bearer " + i.Token(t, role, who.name)
		}
	}
	f.child = startProcess(t, settings...)
	if f.door = f.addr; web {
		f.door = f.child.web
	}
	f.conn = f.open(t)
	return f
}

// open is a connection of its own.
func (f *flooded) open(t testing.TB) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(f.door, grpc.WithTransportCredentials(f.creds))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// memory is the resident memory of the server now, and the most since it was last
// reset, in MiB.
func (f *flooded) memory(t testing.TB) (now, most float64) {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", f.command.Process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	read := func(key string) float64 {
		_, rest, _ := strings.Cut(string(text), key+":")
		kib, err := strconv.ParseFloat(strings.Fields(rest)[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		return kib / 1024
	}
	return read("VmRSS"), read("VmHWM")
}

// resetPeak makes the peak begin again (proc(5), clear_refs).
func (f *flooded) resetPeak(t testing.TB) {
	t.Helper()
	if err := os.WriteFile(fmt.Sprintf("/proc/%d/clear_refs", f.command.Process.Pid), []byte("5"), 0); err != nil {
		t.Fatal(err)
	}
}

// calls is how long calls of the quiet chain take, one after the other, until
// done is closed; at least some.
func (f *flooded) calls(t testing.TB, done <-chan struct{}) (took []time.Duration) {
	t.Helper()
	ctx := metadata.AppendToOutgoingContext(t.Context(), "authorization", f.as(t, f.quiet.odile))
	directory := pb.NewDirectoryServiceClient(f.conn)
	for {
		select {
		case <-done:
			if len(took) >= 1000 {
				return took
			}
		default:
		}
		began := time.Now()
		if _, err := directory.GetChain(ctx, &pb.GetChainRequest{Name: f.quiet.name}); err != nil {
			t.Errorf("a call of another chain: %v", err)
			return took
		}
		took = append(took, time.Since(began))
	}
}

// closed is a channel that is closed already.
func closed() <-chan struct{} {
	c := make(chan struct{})
	close(c)
	return c
}

// sendHostile sends requests of 500,000 empty messages, without identity, over
// connections of their own, 24 at a time.
func (f *flooded) sendHostile(t testing.TB) {
	body := raw(bytes.Repeat([]byte{0x12, 0x00}, 500_000))
	work := make(chan struct{})
	go func() {
		defer close(work)
		for range f.paced(f.size.messages) {
			work <- struct{}{}
		}
	}()
	var senders sync.WaitGroup
	for range 24 {
		conn := f.open(t)
		senders.Go(func() {
			for range work {
				ctx, cancel := context.WithTimeout(context.Background(), waitTimeout)
				err := conn.Invoke(ctx, "/alkalog.v1.ProcessingService/RecordEvents", body, &pb.RecordEventsResponse{},
					grpc.ForceCodecV2(rawCodec{encoding.GetCodecV2("proto")}))
				cancel()
				switch status.Code(err) {
				case codes.Unauthenticated, codes.ResourceExhausted, codes.Unavailable:
				default:
					t.Errorf("a hostile request without identity: %v", err)
				}
			}
		})
	}
	senders.Wait()
}

// sendHostileJSON sends the same as JSON, without identity and by a caller with one:
// 349,525 empty objects in 1 MiB.
func (f *flooded) sendHostileJSON(t testing.TB, authorization string) {
	scheme, transport := "http://", &http.Transport{}
	if f.line != nil {
		scheme, transport.TLSClientConfig = "https://", f.line.Clone()
		transport.ForceAttemptHTTP2 = true
	}
	defer transport.CloseIdleConnections()
	body := `{"events":[` + strings.Repeat("{},", (1<<20)/3-20) + `{}]}`
	client := &http.Client{Transport: transport, Timeout: waitTimeout}
	for i := range f.paced(f.size.messages) {
		request, err := http.NewRequest("POST", scheme+f.door+"/v1/"+f.loud.name+"/clients/x/sessions/x:recordEvents", strings.NewReader(body))
		if err != nil {
			t.Error(err)
			return
		}
		request.Header.Set("Content-Type", "application/json")
		want := http.StatusUnauthorized
		if i%2 == 0 {
			request.Header.Set("Authorization", authorization)
			want = http.StatusBadRequest
		}
		response, err := client.Do(request)
		if err != nil {
			continue // the connection was closed while the body was being sent
		}
		response.Body.Close()
		if response.StatusCode != want && response.StatusCode != http.StatusTooManyRequests {
			t.Errorf("a hostile request of JSON ended in HTTP %d, want %d", response.StatusCode, want)
		}
	}
}

// paced counts to n, spread over the time that the flood lasts.
func (f *flooded) paced(n int) iter.Seq[int] {
	pace := rate.NewLimiter(rate.Inf, 1)
	if f.size.lasts > 0 {
		pace = rate.NewLimiter(rate.Limit(float64(n)/f.size.lasts.Seconds()), 1)
	}
	return func(yield func(int) bool) {
		for i := range n {
			if pace.Wait(context.Background()) != nil || !yield(i) {
				return
			}
		}
	}
}

// wire is a raw HTTP/2 connection that need not follow the protocol.
type wire struct {
	net.Conn
	framer *http2.Framer
	next   uint32
}

// dialWire opens one and sends the first settings; nil when it is not let in.
func (f *flooded) dialWire(settings ...http2.Setting) *wire {
	conn, err := net.DialTimeout("tcp", f.door, waitTimeout)
	if err != nil {
		return nil
	}
	if f.line != nil {
		private := tls.Client(conn, f.line)
		private.SetDeadline(time.Now().Add(waitTimeout))
		if private.Handshake() != nil {
			conn.Close()
			return nil
		}
		conn = private
	}
	w := &wire{Conn: conn, framer: http2.NewFramer(conn, conn), next: 1}
	io.WriteString(conn, http2.ClientPreface)
	w.framer.WriteSettings(settings...)
	return w
}

// call sends a call and reads nothing.
func (w *wire) call(authorization, method string, req proto.Message) {
	var head bytes.Buffer
	encoder := hpack.NewEncoder(&head)
	for _, h := range [][2]string{{":method", "POST"}, {":scheme", "http"}, {":path", method}, {":authority", "127.0.0.1"},
		{"content-type", "application/grpc"}, {"te", "trailers"}, {"authorization", authorization}} {
		encoder.WriteField(hpack.HeaderField{Name: h[0], Value: h[1]})
	}
	w.framer.WriteHeaders(http2.HeadersFrameParam{StreamID: w.next, BlockFragment: head.Bytes(), EndHeaders: true})
	body, _ := proto.Marshal(req) // a message of this program's own
	frame := binary.BigEndian.AppendUint32([]byte{0}, uint32(len(body)))
	w.framer.WriteData(w.next, true, append(frame, body...))
	w.next += 2
}

// attack runs all attacks at once and returns what must be closed.
func (f *flooded) attack(t testing.TB) (wires []*wire) {
	authorization := f.as(t, f.loud.odile)
	for range f.size.readers {
		// A window of nothing: whatever is answered stays with the server.
		w := f.dialWire(http2.Setting{ID: http2.SettingInitialWindowSize, Val: 0})
		if w == nil {
			t.Error("a caller with an identity is not let in")
			continue
		}
		for range 20 {
			w.call(authorization, "/alkalog.v1.ConsultationService/ListClients", &pb.ListClientsRequest{Parent: f.loud.name, PageSize: 100})
		}
		wires = append(wires, w)
	}
	var hostile sync.WaitGroup
	hostile.Go(func() { f.sendHostile(t) })
	if f.door == f.child.web {
		hostile.Go(func() { f.sendHostileJSON(t, authorization) })
	}
	for range f.paced(f.size.idle) {
		if w := f.dialWire(); w != nil {
			wires = append(wires, w)
		}
	}
	hostile.Wait()
	return wires
}

// TestFloodsAreBounded: hostile requests without identity, connections without
// calls and readers that take nothing, all at once; on the gRPC listener, and on the web
// door, which speaks gRPC too.
func TestFloodsAreBounded(t *testing.T) {
	for name, c := range map[string]struct{ private, web bool }{
		"in the clear": {}, "with TLS": {private: true}, "the web door in the clear": {web: true}, "the web door with TLS": {true, true},
	} {
		t.Run(name, func(t *testing.T) {
			f := newFlooded(t, c.private, c.web)
			f.calls(t, closed()) // warm
			before, _ := f.memory(t)
			still := f.calls(t, closed())
			f.resetPeak(t)
			done := make(chan struct{})
			var wires []*wire
			began := time.Now()
			go func() {
				defer close(done)
				wires = f.attack(t)
			}()
			noisy := f.calls(t, done)
			lasted := time.Since(began)
			<-done
			_, most := f.memory(t)
			answer, err := healthpb.NewHealthClient(f.conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
			if err != nil || answer.Status != healthpb.HealthCheckResponse_SERVING {
				t.Errorf("health afterwards: %v, %v", answer, err)
			}
			slower := slowest(noisy) / slowest(still)
			t.Logf("memory %.0f MiB before, %.0f at most (%.2f times); %d calls of another chain in %v, one in a hundred took %.2f ms, before %.2f ms (%.2f times)",
				before, most, most/before, len(noisy), lasted.Round(time.Millisecond), slowest(noisy)*1000, slowest(still)*1000, slower)
			if most > f.size.memory*before {
				t.Errorf("memory rose from %.0f to %.0f MiB, %.1f times as much is allowed", before, most, f.size.memory)
			}
			if f.size.slower > 0 && slower > f.size.slower {
				t.Errorf("one call in a hundred of another chain takes %.2f times as long", slower)
			}
			for _, w := range wires {
				w.Close()
			}
			if os.Getenv(fullFlood) != "" {
				f.comesBack(t, before)
			}
		})
	}
}

// comesBack waits until the server has given memory back: Go collects garbage
// every two minutes, and returns what is free bit by bit.
func (f *flooded) comesBack(t testing.TB, before float64) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	began := time.Now()
	for range tick.C {
		now, _ := f.memory(t)
		if now <= 1.25*before {
			t.Logf("memory is %.0f MiB again after %v", now, time.Since(began).Round(time.Second))
			return
		}
		if time.Since(began) > 4*time.Minute {
			t.Errorf("memory is still %.0f MiB, before the flood it was %.0f", now, before)
			return
		}
	}
}
