package serve

import (
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/proto" // registers the codec that ours is made of
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/proto"

	"alkalog/server/web"
)

// codec is gRPC's own codec with two differences: a request stays bytes until
// the caller is identified and the bytes are checked, and an answer is counted
// until its client has taken it.
type codec struct{ encoding.CodecV2 }

// newCodec returns the codec on top of the one that gRPC registers for protobuf.
func newCodec() codec { return codec{encoding.GetCodecV2("proto")} }

// frame is a request as received.
type frame struct{ body mem.Buffer }

// SetBody takes the bytes of a request of the web door.
func (f *frame) SetBody(body mem.Buffer) { f.body = body }

// Unmarshal returns a request as received. Other messages, of gRPC's own
// services, are decoded at once.
func (c codec) Unmarshal(data mem.BufferSlice, v any) error {
	f, ok := v.(*frame)
	if !ok {
		return c.CodecV2.Unmarshal(data, v)
	}
	f.body = data.MaterializeToBuffer(mem.DefaultBufferPool())
	return nil
}

// Marshal encodes an answer, unless it is encoded already.
func (c codec) Marshal(v any) (mem.BufferSlice, error) {
	a, ok := v.(*answer)
	if !ok {
		return c.CodecV2.Marshal(v)
	}
	return mem.BufferSlice{a.buffer}, nil
}

// answer is an encoded answer that is being sent. Its size is the capacity of the
// buffer, which is what it occupies.
type answer struct {
	buffer mem.Buffer
	size   int64 // bytes that it occupies
	// counts are the numbers of unsent bytes that it adds to: in total, of the
	// caller, of its chain.
	counts []*atomic.Int64
	conn   *conn       // nil: not known
	stall  *time.Timer // closes the connection when it fires
}

// Encoded returns the buffer for the web door, which frees it when it is written.
func (a *answer) Encoded() mem.Buffer { return a.buffer }

// minTracked is the smallest capacity, in bytes, of a buffer that package mem
// returns to its pool. The return tells us that the buffer was sent.
const minTracked = 1<<10 + 1

// newAnswer encodes an answer and counts it until it is sent or its connection
// closes. An answer on a connection that is closed already is not counted, since
// nothing would end the counting.
func newAnswer(m proto.Message, c *conn, counts ...*atomic.Int64) (*answer, error) {
	body, err := proto.MarshalOptions{}.MarshalAppend(make([]byte, 0, max(proto.Size(m), minTracked)), m)
	if err != nil {
		return nil, err
	}
	a := &answer{size: int64(cap(body)), counts: counts, conn: c}
	// gRPC frees the buffer after the write, which calls onSent.Put.
	a.buffer = mem.NewBuffer(&body, onSent{a})
	if c == nil {
		return a, nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.unsentAnswers == nil { // closed
		return a, nil
	}
	for _, count := range counts {
		count.Add(a.size)
	}
	c.unsentAnswers[a] = true
	a.stall = time.AfterFunc(c.owner.limits.StalledTime, c.stall)
	return a, nil
}

// sent stops counting an answer that the client has taken.
func (a *answer) sent() {
	if a.conn == nil {
		return
	}
	a.conn.mu.Lock()
	counted := a.conn.unsentAnswers[a]
	delete(a.conn.unsentAnswers, a)
	a.conn.mu.Unlock()
	if counted {
		a.release()
	}
}

// release stops counting the answer. The caller has removed it from its
// connection, so it is released once.
func (a *answer) release() {
	a.stall.Stop()
	for _, count := range a.counts {
		count.Add(-a.size)
	}
}

// onSent is a buffer pool that learns when the buffer of an answer is no longer
// needed. This is how the server learns that a client reads its answers: gRPC has
// no callback for it.
type onSent struct{ answer *answer }

// Get is never called, because the buffer of an answer is allocated with it.
func (onSent) Get(length int) *[]byte { return new(make([]byte, length)) }

// Put is called when the answer was written to the connection.
func (s onSent) Put(*[]byte) { s.answer.sent() }

// registrar registers services so that every call passes the interceptors before
// its request is read. gRPC's interceptors for unary calls do not suffice: they
// run when the request was received and decoded. A unary method is therefore
// registered as a stream of one request and one answer, which is the same on the
// wire, and reads its request when the handler asks for it. Without it, a caller
// that nobody knows could make the server receive and decode a request of 1 MiB.
type registrar struct {
	*grpc.Server
	in *interceptors
	// web receives the methods for the web door; nil: there is none.
	web map[string]web.Method
}

// RegisterService registers a service.
func (r registrar) RegisterService(desc *grpc.ServiceDesc, impl any) {
	all := *desc
	all.Methods, all.Streams = nil, nil
	for _, m := range desc.Methods {
		all.Streams = append(all.Streams, r.guarded(desc, impl, grpc.StreamDesc{StreamName: m.MethodName, Handler: unary(m)}))
	}
	for _, s := range desc.Streams {
		all.Streams = append(all.Streams, r.guarded(desc, impl, s))
	}
	r.Server.RegisterService(&all, impl)
}

// guarded returns a method that passes the interceptors first.
func (r registrar) guarded(desc *grpc.ServiceDesc, impl any, method grpc.StreamDesc) grpc.StreamDesc {
	info := &grpc.StreamServerInfo{FullMethod: "/" + desc.ServiceName + "/" + method.StreamName,
		IsClientStream: method.ClientStreams, IsServerStream: method.ServerStreams}
	handler := method.Handler
	if known := webMethod(info.FullMethod); r.web != nil && known != nil {
		r.web[info.FullMethod] = web.Method{Descriptor: known, Serve: func(stream grpc.ServerStream) error { return r.in.intercept(impl, stream, info, handler) }}
	}
	method.Handler = func(srv any, stream grpc.ServerStream) error { return r.in.intercept(srv, stream, info, handler) }
	return method
}

// unary handles a unary method as a stream. The generated handler decodes through
// RecvMsg, which is checkedStream's.
func unary(m grpc.MethodDesc) grpc.StreamHandler {
	return func(srv any, stream grpc.ServerStream) error {
		resp, err := m.Handler(srv, stream.Context(), stream.RecvMsg, nil)
		if err != nil {
			return err
		}
		return stream.SendMsg(resp)
	}
}
