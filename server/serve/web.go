package serve

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log"
	"net"
	"net/http"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"alkalog/server/web"
)

// webListener is the second listener: HTTP for browsers and programs without gRPC. A
// call passes the same interceptors as on the gRPC listener, before its body is read.
// The methods come from the registrar, which registers both listeners at once, so a
// service cannot be open on one and closed on the other.
type webListener struct {
	listener net.Listener
	server   *http.Server
	door     *web.Door
	cancel   context.CancelFunc // ends the calls under way
}

// openWeb opens the listener of the web door. Nothing is served before serveWeb is
// called. The bounds of connections are those of the gRPC listener, shared, so that
// neither listener gives a caller twice as many.
func openWeb(cfg Config, watch callerSecurity, connections *connLimiter, in *interceptors, methods map[string]web.Method) (*webListener, error) {
	about, err := documents()
	if err != nil {
		return nil, err
	}
	door, err := web.New(web.Config{
		Methods: methods, Origins: cfg.webOrigins(watch), Page: cfg.WebPage, Documents: about,
		Bounds: web.Bounds{
			RequestBytes: cfg.Limits.RequestBytes, Depth: maxDepth, Messages: maxMessages, Fields: maxFields,
			MaxItems: in.messageLimits.maxItems, StalledTime: cfg.Limits.Connections.StalledTime,
		},
		Admit: func(r *http.Request) error { return in.admitDocument(web.Addr(r.Context())) },
	})
	if err != nil {
		return nil, err
	}
	listener, err := cfg.at(cfg.WebAddress).listener()
	if err != nil {
		return nil, fmt.Errorf("--web-address: %w", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	w := &webListener{door: door, cancel: cancel, server: newHTTPServer(cfg.Limits, door, in.counters)}
	w.server.BaseContext = func(net.Listener) context.Context { return ctx }
	w.listener = connections.bound(listener)
	if watch.pair != nil {
		w.listener = tls.NewListener(w.listener, watch.tls("h2", "http/1.1"))
	}
	return w, nil
}

// at returns the configuration with another address, for checks that both listeners
// need: an address that is not loopback needs TLS and proven identities.
func (c Config) at(address string) Config {
	c.Address = address
	return c
}

// checkWeb rejects configurations of the web door that would admit the wrong callers.
// The rules of the gRPC listener hold for its address too. Each error says which
// setting to change.
func (c Config) checkWeb() error {
	if c.WebAddress == "" {
		if len(c.WebHosts)+len(c.WebOrigins) > 0 || c.WebPage != nil {
			return errors.New("--web-host and --web-origin need --web-address")
		}
		return nil
	}
	problems := []error{c.at(c.WebAddress).checkIdentities()}
	for _, origin := range c.WebOrigins {
		if !web.CheckOrigin(origin) {
			problems = append(problems, fmt.Errorf("--web-origin %q must be like https://till.example.org, in lower case, without a path", origin))
		}
	}
	if c.Development && len(c.WebOrigins) > 0 {
		problems = append(problems, errors.New("--web-origin cannot be combined with development identities: any page of that origin could take any identity"))
	}
	if c.WebPage != nil && !c.Development {
		problems = append(problems, errors.New("the page of the web door is for development identities only"))
	}
	return errors.Join(problems...)
}

// webOrigins returns by which names the web door is called, and by which pages. The
// names in the certificate are those of now: it may be replaced while the server runs.
func (c Config) webOrigins(watch callerSecurity) web.Origins {
	o := web.Origins{Loopback: c.at(c.WebAddress).OnLoopback(), Allowed: c.WebOrigins}
	for _, host := range c.WebHosts {
		o.Hosts = append(o.Hosts, strings.ToLower(host))
	}
	if watch.pair != nil {
		o.Certificate = func() *x509.Certificate { return watch.pair.Get().Leaf }
	}
	return o
}

// newHTTPServer returns the server with the bounds of the gRPC listener (transport).
// Without TLS it also speaks HTTP/2, as some clients of gRPC expect it. There is no
// time for a whole request or answer, because a stream lasts for a working day; each
// call has its own.
func newHTTPServer(l Limits, door http.Handler, counters *Counters) *http.Server {
	protocols := new(http.Protocols)
	protocols.SetHTTP1(true)
	protocols.SetHTTP2(true)
	protocols.SetUnencryptedHTTP2(true)
	return &http.Server{
		Handler: door, Protocols: protocols,
		ReadHeaderTimeout: l.ConnectTime, IdleTimeout: l.Connections.IdleTime, MaxHeaderBytes: int(l.HeaderBytes),
		HTTP2: &http.HTTP2Config{
			MaxConcurrentStreams: int(l.StreamsPerConnection), MaxReceiveBufferPerStream: flowWindow, MaxReceiveBufferPerConnection: flowWindow,
			SendPingTimeout: l.PingInterval, PingTimeout: l.PingTime, WriteByteTimeout: l.Connections.StalledTime,
		},
		// What it logs are errors of single connections, with addresses of clients.
		ErrorLog: log.New(handshakeErrors{counters}, "", 0),
		ConnContext: func(ctx context.Context, c net.Conn) context.Context {
			if line, ok := c.(*tls.Conn); ok {
				c = line.NetConn()
			}
			return web.WithAddr(ctx, c.RemoteAddr())
		},
	}
}

// handshakeErrors counts failed TLS handshakes, which net/http reports in its log only.
// The lines are not kept: they hold addresses of clients, and what a handshake failed of
// is of no use to the operator beyond the number.
type handshakeErrors struct{ counters *Counters }

// Write receives one line of the log.
func (h handshakeErrors) Write(line []byte) (int, error) {
	if strings.HasPrefix(string(line), "http: TLS handshake error") {
		h.counters.HandshakesDenied.Add(1)
	}
	return len(line), nil
}

// admitDocument bounds requests of the web door that need no identity, as calls of
// health are bounded. They have the same bound, because they come from the same kind of
// caller: programs that look whether the server is there, and strangers who know the
// address.
func (in *interceptors) admitDocument(from net.Addr) error {
	address := ""
	if line, ok := from.(connAddr); ok {
		address = line.conn.address
	}
	err := in.anonymous.allow(kindPublic, address)
	if err != nil {
		in.counters.QuotaExceeded.Add(1)
	}
	return err
}

// maxItems returns how many items a list may have.
func (s *limitsCache) maxItems(field protoreflect.FieldDescriptor) int {
	return s.of(field.ContainingMessage()).fields[field.Number()].maxItems
}

// WebAddr returns the address of the web door, with its actual port; empty: none.
func (s *Server) WebAddr() string {
	if s.web == nil {
		return ""
	}
	return s.web.listener.Addr().String()
}

// serveWeb accepts connections of the web door until the server ends.
func (s *Server) serveWeb() {
	if err := s.web.server.Serve(s.web.listener); !errors.Is(err, http.ErrServerClosed) {
		s.end(context.Background(), fmt.Errorf("listening for the web door: %w", err))
	}
}

// drain waits for the calls under way, and ends those that take longer than ctx. When
// it returns no handler uses the database any more.
func (w *webListener) drain(ctx context.Context) {
	if w == nil {
		return
	}
	if err := w.server.Shutdown(ctx); err != nil {
		w.cancel()
		w.server.Close()
	}
	w.door.Wait()
	w.cancel()
}
