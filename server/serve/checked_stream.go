package serve

import (
	"context"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/web"
	"alkalog/service/fault"
)

// stampTime sets the fields of an answer that hold the server's time and belong
// to one attempt of the call (option per_attempt). No service sets or stores
// them. A retry thus gets the stored answer with the time of now.
func (in *interceptors) stampTime(m proto.Message) {
	if m == nil || !m.ProtoReflect().IsValid() {
		return
	}
	fields := m.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.Message() != nil && f.Message().FullName() == "google.protobuf.Timestamp" && proto.GetExtension(f.Options(), pb.E_PerAttempt).(bool) {
			m.ProtoReflect().Set(f, protoreflect.ValueOfMessage(timestamppb.New(in.now()).ProtoReflect()))
		}
	}
}

// checkRequest validates a decoded request against the contract, the caller's
// scope and the fields that the caller may write. Public methods are gRPC's own
// and have no rules in the contract.
func (in *interceptors) checkRequest(ctx context.Context, c *call, m proto.Message) error {
	c.request = m
	if isPublic(c.method) {
		return nil
	}
	normalizeNames(m.ProtoReflect())
	return in.requests.check(ctx, m)
}

// checkedStream is a stream that validates each request as it arrives and bounds
// each answer. It is what a service sees as its stream. Unary methods use it too
// (registrar).
type checkedStream struct {
	grpc.ServerStream
	ctx          context.Context
	in           *interceptors
	call         *call
	identifiedAt time.Time // when the caller was last identified
}

// Context returns the context that the interceptors have derived.
func (s *checkedStream) Context() context.Context { return s.ctx }

// SendMsg sends a message. If the client does not take it within Limits.SendTime,
// the stream ends, and with it the pending send. Before the first message the
// read of an auditor is recorded, and the caller of a stream is identified again.
func (s *checkedStream) SendMsg(m any) error {
	if err := s.reauthenticate(); err != nil {
		return err
	}
	if err := s.in.recordRead(s.ctx, s.call); err != nil {
		return err
	}
	answer := message(m)
	s.in.stampTime(answer)
	encoded, err := newAnswer(answer, connOf(s.ctx), s.in.unsentCounters(s.call)...)
	if err != nil {
		return err
	}
	sent := make(chan error, 1)
	go func() { sent <- s.ServerStream.SendMsg(encoded) }()
	timer := time.NewTimer(s.in.limits.SendTime)
	defer timer.Stop()
	select {
	case err := <-sent:
		return err
	case <-timer.C:
		return fault.TooSlow()
	}
}

// unsentCounters returns the counters that the unsent answers of a call add to.
func (in *interceptors) unsentCounters(c *call) []*atomic.Int64 {
	if c.callerUsage == nil {
		return []*atomic.Int64{&in.memory.answers}
	}
	return []*atomic.Int64{&in.memory.answers, &c.callerUsage.answers, &c.chainUsage.answers}
}

// reauthenticate identifies the caller of a stream again, at most once a second,
// because certificates and tokens expire or are revoked while the stream is open.
// A revocation thus ends an active stream after a second at most. A quiet watch
// of a session is checked as well, because it sends heartbeats.
func (s *checkedStream) reauthenticate() error {
	now := s.in.now()
	if passed := now.Sub(s.identifiedAt); !s.call.stream || isPublic(s.call.method) || passed >= 0 && passed < time.Second {
		return nil
	}
	s.identifiedAt = now
	_, err := s.in.identity.Identify(s.ServerStream.Context())
	return err
}

// RecvMsg receives a request, checks its bytes, decodes it and validates it. The
// order is that of cost: length and structure of the bytes, then memory, then
// decoding, then the contract's rules.
func (s *checkedStream) RecvMsg(m any) error {
	request := message(m)
	body, err := s.receiveBytes()
	if err != nil {
		return err
	}
	defer body.Free()
	shape := s.in.messageLimits.of(request.ProtoReflect().Descriptor())
	messages, wrong := checkBytes(shape, body.ReadOnlyData(), s.maxRequestBytes())
	if wrong != nil {
		s.in.counters.RequestsOversized.Add(1)
		return fault.InvalidFields(*wrong)
	}
	if err := s.admit(body.Len() + messages*messageOverhead); err != nil {
		return err
	}
	if err := decode(body.ReadOnlyData(), request); err != nil {
		return err
	}
	if s.call.actor.Chain == "" {
		s.call.chain = chainInBytes(request.ProtoReflect().Descriptor(), body.ReadOnlyData())
	}
	return s.in.checkRequest(s.ctx, s.call, request)
}

// receiveBytes receives the bytes of a request, with memory reserved for the
// longest one. gRPC itself answers malformed frames with INTERNAL, which
// becomes INVALID_ARGUMENT here.
func (s *checkedStream) receiveBytes() (mem.Buffer, error) {
	ctx, first := s.ctx, !s.call.received
	s.call.received = true
	if s.call.callerUsage != nil {
		give, err := s.in.memory.reserve(ctx, s.call, int64(s.in.limits.RequestBytes))
		if err != nil {
			return nil, err
		}
		defer give()
	}
	s.admitWeb()
	if first {
		most := s.in.limits.CallTime
		if isPublic(s.call.method) {
			most = min(most, publicRequestTime)
		} else if _, limited := ctx.Deadline(); limited && !s.call.stream {
			most = s.in.limits.MaxCallTime // the deadline of the call is shorter
		}
		short, cancel := context.WithTimeout(ctx, most)
		defer cancel()
		ctx = short
	}
	body, err := receiveWithin(ctx, s.ServerStream)
	switch fault.Code(err) {
	case codes.ResourceExhausted:
		s.in.counters.RequestsOversized.Add(1)
	case codes.Internal:
		return nil, fault.Invalid("request", "must be one whole message") // malformed frame
	}
	return body, err
}

// admitWeb prepares the stream of a call of the web door to read its request: how
// long it may be, and what decoding it may need beside the request that was received.
// Its answer counts as unsent until the client has read it, as over gRPC.
func (s *checkedStream) admitWeb() {
	stream, ok := s.ServerStream.(*web.Stream)
	if !ok {
		return
	}
	stream.LimitRequest(s.maxRequestBytes())
	stream.CountAnswers(s.in.unsentCounters(s.call)...)
	if s.call.callerUsage != nil {
		stream.ReserveWith(func(bytes int64) (func(), error) { return s.in.memory.reserve(s.ctx, s.call, bytes) })
	}
}

// admit waits until a request may be handled: for memory and, for a unary call,
// for a worker. What it reserves for a unary call is released when the call ends.
// Streams of requests hold no worker: they would block the chain while they wait
// for their client.
func (s *checkedStream) admit(bytes int) error {
	if s.call.callerUsage == nil || s.call.stream {
		return nil
	}
	give, err := s.in.memory.reserve(s.ctx, s.call, int64(bytes))
	if err != nil {
		return err
	}
	s.call.onEnd(give)
	return s.call.waitForWorker(s.ctx)
}

// maxRequestBytes is the absolute limit for a request; the limit of its message
// type may be lower.
func (s *checkedStream) maxRequestBytes() int {
	if isPublic(s.call.method) {
		return publicRequestBytes
	}
	return s.in.limits.RequestBytes
}

// receiveWithin receives the bytes of a request until ctx is done. The goroutine
// ends when the stream does, which is when the handler returns.
func receiveWithin(ctx context.Context, stream grpc.ServerStream) (mem.Buffer, error) {
	f := &frame{}
	came := make(chan error, 1)
	go func() { came <- stream.RecvMsg(f) }() // ends with the stream
	select {
	case err := <-came:
		if err != nil && f.body != nil {
			f.body.Free()
		}
		return f.body, err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}
