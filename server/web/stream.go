package web

import (
	"context"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/protobuf/proto"

	"alkalog/service/fault"
)

// Request receives the bytes of a request. RecvMsg is called with one.
type Request interface{ SetBody(mem.Buffer) }

// Answer is an encoded answer. SendMsg is called with one, and frees its buffer when
// it is written.
type Answer interface{ Encoded() mem.Buffer }

// exchange is what the parts of the door share of one request. The transcoder is in
// between and passes the context on.
type exchange struct {
	body *body
	out  *countedWriter
}

// exchangeKey is the key of the exchange in the context of a request.
type exchangeKey struct{}

// withExchange stores the exchange in a context.
func withExchange(ctx context.Context, e *exchange) context.Context {
	return context.WithValue(ctx, exchangeKey{}, e)
}

// connKey is the key of the connection's address in the context of a request.
type connKey struct{}

// WithAddr stores the remote address of a connection in the context of its requests
// (http.Server.ConnContext), so that a call finds it as the address of its peer.
func WithAddr(ctx context.Context, addr net.Addr) context.Context {
	return context.WithValue(ctx, connKey{}, addr)
}

// Addr returns the address that WithAddr has stored; nil: none.
func Addr(ctx context.Context) net.Addr {
	addr, _ := ctx.Value(connKey{}).(net.Addr)
	return addr
}

// serveCall serves one call, which the transcoder has translated to the protocol of
// gRPC: frames, and the status in trailers.
func (d *Door) serveCall(w http.ResponseWriter, r *http.Request) {
	method, known := d.cfg.Methods[r.URL.Path]
	e, inside := r.Context().Value(exchangeKey{}).(*exchange)
	if !known || !inside {
		refuse(w, http.StatusNotFound, "there is no such method")
		return
	}
	ctx, cancel, err := callContext(r)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	defer cancel()
	s := &Stream{ctx: ctx, method: method, w: w, in: r.Body, exchange: e, limit: d.cfg.Bounds.RequestBytes}
	s.finish(method.Serve(s))
}

// Stream is a call as the interceptors and services see it: a grpc.ServerStream that
// holds one request and sends one answer, or several if the method is a stream. Its
// methods may be called by several goroutines, as of any grpc.ServerStream; reads and
// writes are each done one at a time.
type Stream struct {
	ctx      context.Context
	method   Method
	w        http.ResponseWriter
	in       io.Reader // the request as frames, from the transcoder
	exchange *exchange
	limit    int
	reserve  func(bytes int64) (give func(), err error)

	// A read and a write may be under way when the call ends; see finish.
	reading, writing sync.Mutex
	received         bool
	headersWritten   bool
	broken           bool // a write was cut off
}

// LimitRequest lowers how many bytes the request may have.
func (s *Stream) LimitRequest(bytes int) { s.limit = min(s.limit, bytes) }

// ReserveWith sets what reserves memory while a request is decoded.
func (s *Stream) ReserveWith(reserve func(bytes int64) (give func(), err error)) {
	s.reserve = reserve
}

// CountAnswers sets the numbers of unsent bytes that the answer adds to while the
// client reads it.
func (s *Stream) CountAnswers(counts ...*atomic.Int64) {
	s.exchange.out.counts.Store(&counts)
}

// Context returns the context of the call, with its metadata and its peer.
func (s *Stream) Context() context.Context { return s.ctx }

// RecvMsg reads the request into a Request; a second one is the end of the stream.
// The order is that of cost: the body within its limit, its form, memory to decode it,
// and then the transcoder, which decodes it.
//
// Whatever the decoders do with what somebody sent must not end the process, so that a
// panic in them is an error of this call.
func (s *Stream) RecvMsg(m any) (err error) {
	s.reading.Lock()
	defer s.reading.Unlock()
	defer func() {
		if thrown := recover(); thrown != nil {
			err = fmt.Errorf("decoding a request panicked: %T", thrown)
		}
	}()
	if s.received {
		return io.EOF
	}
	s.received = true
	bytes, err := s.exchange.body.load(s.method.Descriptor, s.limit)
	if err != nil {
		return err
	}
	if s.reserve != nil {
		give, err := s.reserve(int64(bytes))
		if err != nil {
			return err
		}
		defer give()
	}
	text, err := s.readFrame()
	if err != nil {
		return err
	}
	m.(Request).SetBody(mem.SliceBuffer(text))
	return nil
}

// readFrame reads the one frame of a request from the transcoder. If the transcoder
// could not decode the request it has answered already, and the frame is missing.
func (s *Stream) readFrame() ([]byte, error) {
	var header [frameHeader]byte
	if _, err := io.ReadFull(s.in, header[:]); err != nil {
		return nil, fault.Invalid("request", "must be one whole message")
	}
	length := binary.BigEndian.Uint32(header[1:])
	if header[0] != 0 || int64(length) > int64(s.limit) {
		return nil, fault.Invalid("request", fmt.Sprintf("must be no longer than %d bytes", s.limit))
	}
	text := make([]byte, length)
	if _, err := io.ReadFull(s.in, text); err != nil {
		return nil, fault.Invalid("request", "must be one whole message")
	}
	return text, nil
}

// errEnded means that a message is sent on a call that has ended, or whose client has
// stopped reading.
var errEnded = errors.New("the call has ended")

// SendMsg writes an Answer, and returns when the client or a buffer has taken it. After
// a write that failed nothing more can be sent.
func (s *Stream) SendMsg(m any) (err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	defer func() {
		if thrown := recover(); thrown != nil {
			s.broken, err = true, fmt.Errorf("encoding an answer panicked: %T", thrown)
		}
	}()
	buffer := m.(Answer).Encoded()
	defer buffer.Free()
	if s.broken {
		return errEnded
	}
	s.writeHeaders()
	var header [frameHeader]byte
	binary.BigEndian.PutUint32(header[1:], uint32(buffer.Len()))
	for _, part := range [][]byte{header[:], buffer.ReadOnlyData()} {
		if _, err := s.w.Write(part); err != nil {
			s.broken = true
			return err
		}
	}
	s.w.(http.Flusher).Flush()
	return nil
}

// writeHeaders writes the headers before the first byte. The trailers are announced,
// because the transcoder looks for those.
func (s *Stream) writeHeaders() {
	if s.headersWritten {
		return
	}
	s.headersWritten = true
	h := s.w.Header()
	h.Set("Content-Type", "application/grpc+proto")
	h["Trailer"] = []string{"Grpc-Status", "Grpc-Message", "Grpc-Status-Details-Bin"}
	s.w.WriteHeader(http.StatusOK)
}

// finish ends the call with its status. It first ends a read and a write that are
// still under way and waits for them, because they use the same headers. Deadlines in
// the past end them; they are set only then, because a connection cannot be used again
// afterwards. An answer that was cut off has no status, and the client sees a broken
// connection.
func (s *Stream) finish(err error) {
	if !s.reading.TryLock() {
		cut := !s.exchange.body.ended.Load()
		if cut {
			s.exchange.out.controller.SetReadDeadline(time.Now())
		}
		s.reading.Lock()
		// Even if the body has ended just now: net/http waits for the next request
		// by then, and takes the deadline for the end of the connection.
		s.exchange.body.cut = cut
	}
	if !s.writing.TryLock() {
		s.exchange.out.controller.SetWriteDeadline(time.Now())
		s.writing.Lock()
		s.broken = true
	}
	if s.broken {
		return
	}
	status := fault.Wire(err)
	s.writeHeaders()
	h := s.w.Header()
	h.Set("Grpc-Status", strconv.Itoa(int(status.GetCode())))
	if status.GetMessage() != "" {
		h.Set("Grpc-Message", percentEncode(status.GetMessage()))
	}
	if len(status.GetDetails()) == 0 {
		return
	}
	if details, err := proto.Marshal(status); err == nil {
		h.Set("Grpc-Status-Details-Bin", base64.RawStdEncoding.EncodeToString(details))
	}
}

// percentEncode writes a text as gRPC does in headers (PROTOCOL-HTTP2.md, Responses):
// everything but printable ASCII, and the percent sign, as %XX. A text of an error can
// hold anything that is well-formed, and a header cannot.
func percentEncode(text string) string {
	var out strings.Builder
	for i := range len(text) {
		if c := text[i]; c >= ' ' && c <= '~' && c != '%' {
			out.WriteByte(c)
		} else {
			fmt.Fprintf(&out, "%%%02X", c)
		}
	}
	return out.String()
}

// SetHeader, SendHeader and SetTrailer belong to grpc.ServerStream. No service of the
// contract sends metadata.
func (s *Stream) SetHeader(metadata.MD) error { return nil }

// SendHeader does nothing; see SetHeader.
func (s *Stream) SendHeader(metadata.MD) error { return nil }

// SetTrailer does nothing; see SetHeader.
func (s *Stream) SetTrailer(metadata.MD) {}

var _ grpc.ServerStream = (*Stream)(nil)

// callContext returns the context of a call: deadline, metadata and peer, as grpc-go
// makes it. Package identity reads who calls from the metadata and from the state of
// TLS in the peer, on this listener as on the other. Metadata in binary form are left
// out, because no method reads any.
func callContext(r *http.Request) (context.Context, context.CancelFunc, error) {
	ctx, cancel := context.WithCancel(r.Context())
	if text := r.Header.Get("Grpc-Timeout"); text != "" {
		timeout, ok := parseTimeout(text)
		if !ok {
			cancel()
			return nil, nil, errors.New("grpc-timeout must be a number of at most 8 digits and a unit (H, M, S, m, u, n)")
		}
		cancel()
		ctx, cancel = context.WithTimeout(r.Context(), timeout)
	}
	md := metadata.MD{}
	for name, values := range r.Header {
		if name = strings.ToLower(name); !strings.HasPrefix(name, "grpc-") && !strings.HasSuffix(name, "-bin") {
			md[name] = values
		}
	}
	caller := &peer.Peer{Addr: Addr(ctx)}
	if r.TLS != nil {
		caller.AuthInfo = credentials.TLSInfo{State: *r.TLS, CommonAuthInfo: credentials.CommonAuthInfo{SecurityLevel: credentials.PrivacyAndIntegrity}}
	}
	return peer.NewContext(metadata.NewIncomingContext(ctx, md), caller), cancel, nil
}

// timeoutUnits are the units of grpc-timeout (PROTOCOL-HTTP2.md, Requests).
var timeoutUnits = map[byte]time.Duration{
	'H': time.Hour, 'M': time.Minute, 'S': time.Second, 'm': time.Millisecond, 'u': time.Microsecond, 'n': time.Nanosecond,
}

// parseTimeout parses a grpc-timeout. Eight digits of hours are more than a duration
// holds; they become the longest one. Each call is bounded further by the interceptors
// (setDeadline), whatever its caller asks for.
func parseTimeout(text string) (time.Duration, bool) {
	if len(text) < 2 || len(text) > 9 {
		return 0, false
	}
	unit, known := timeoutUnits[text[len(text)-1]]
	n, err := strconv.ParseUint(text[:len(text)-1], 10, 32)
	if err != nil || !known {
		return 0, false
	}
	const longest = time.Duration(1<<63 - 1)
	if n > uint64(longest/unit) {
		return longest, true
	}
	return time.Duration(n) * unit, true
}
