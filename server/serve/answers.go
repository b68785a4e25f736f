package serve

import (
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/proto" // registers the codec that ours is made of
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/proto"
)

// codec is gRPC's own, except that requests stay bytes until the caller was
// identified and the bytes were checked, and that answers are counted until
// their reader has taken them.
type codec struct{ encoding.CodecV2 }

func newCodec() codec { return codec{encoding.GetCodecV2("proto")} }

// frame is a request as it came: bytes.
type frame struct{ body mem.Buffer }

// Unmarshal hands a request over as it came.
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

// answer is an encoded answer on its way to its reader.
type answer struct {
	buffer mem.Buffer
	size   int64
	counts []*atomic.Int64 // of bytes: all together, the caller's, its chain's
	conn   *conn           // nil: not known
	stall  *time.Timer     // closes the connection
}

// leastTracked is the least capacity of a buffer that package mem gives back to
// its pool, and so tells us that it was sent.
const minTracked = 1<<10 + 1

// newAnswer encodes an answer, and counts it until it was sent or its connection
// is closed.
func newAnswer(m proto.Message, c *conn, counts ...*atomic.Int64) (*answer, error) {
	body, err := proto.MarshalOptions{}.MarshalAppend(make([]byte, 0, max(proto.Size(m), minTracked)), m)
	if err != nil {
		return nil, err
	}
	a := &answer{size: int64(cap(body)), counts: counts, conn: c}
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

// sent ends the counting of an answer that its reader has taken.
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

// release ends the counting.
func (a *answer) release() {
	a.stall.Stop()
	for _, count := range a.counts {
		count.Add(-a.size)
	}
}

// onSent is a buffer pool that is told when a buffer is no longer needed.
type onSent struct{ answer *answer }

// Get is never called: the buffer of an answer is made with it.
func (onSent) Get(length int) *[]byte { return new(make([]byte, length)) }

// Put is called when the answer was written to the connection.
func (s onSent) Put(*[]byte) { s.answer.sent() }

// registrar registers services so that every call goes through the interceptors
// before its request is read. gRPC's own interceptors of unary calls are no help:
// they run when the request has been received and decoded. So a unary method is
// registered as a stream of one request and one answer, which is the same on the
// wire, and whose request comes when it is asked for.
type registrar struct {
	*grpc.Server
	in *interceptors
}

// RegisterService registers a service.
func (r registrar) RegisterService(desc *grpc.ServiceDesc, impl any) {
	all := *desc
	all.Methods, all.Streams = nil, nil
	for _, m := range desc.Methods {
		all.Streams = append(all.Streams, r.guarded(desc, grpc.StreamDesc{StreamName: m.MethodName, Handler: unary(m)}))
	}
	for _, s := range desc.Streams {
		all.Streams = append(all.Streams, r.guarded(desc, s))
	}
	r.Server.RegisterService(&all, impl)
}

// guarded is a method behind the interceptors.
func (r registrar) guarded(desc *grpc.ServiceDesc, method grpc.StreamDesc) grpc.StreamDesc {
	info := &grpc.StreamServerInfo{FullMethod: "/" + desc.ServiceName + "/" + method.StreamName,
		IsClientStream: method.ClientStreams, IsServerStream: method.ServerStreams}
	handler := method.Handler
	method.Handler = func(srv any, stream grpc.ServerStream) error { return r.in.intercept(srv, stream, info, handler) }
	return method
}

// unary handles a unary method as a stream.
func unary(m grpc.MethodDesc) grpc.StreamHandler {
	return func(srv any, stream grpc.ServerStream) error {
		resp, err := m.Handler(srv, stream.Context(), stream.RecvMsg, nil)
		if err != nil {
			return err
		}
		return stream.SendMsg(resp)
	}
}
