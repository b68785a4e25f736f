package serve

import (
	"context"
	"log/slog"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/metrics"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// identifier finds out who is calling from what came with the call.
type identifier interface {
	Identify(ctx context.Context) (actor.Actor, error)
}

// interceptors are what stands between a caller and a service.
type interceptors struct {
	log            *slog.Logger
	limits         Limits
	identity       identifier
	accessByMethod map[string]*pb.Access // by full method; a method that is not here is closed
	requests       requests
	now            func() time.Time // the reference clock's
	audit          auditWriter
	denials        *denials
	quotas         *quotas
	anonymous      *anonymousLimiter
	memory         *memoryLimiter
	messageLimits  *limitsCache
	counters       *Counters
	metrics        *metrics.Registry
	methods        map[string]protoreflect.MethodDescriptor // by full method
	recentReads    recentReads
	draining       context.Context // done when the server drains
}

// steps are what every call goes through, from the outside in, before any byte
// of its request is read. A unary call and a stream take the same steps; the
// request is checked and decoded when the service asks for it.
func (in *interceptors) ordered() []interceptor {
	return []interceptor{
		in.logCall,        // a line on the log, also for a panic
		in.recoverPanics,  // a panic becomes INTERNAL with an id
		in.mapErrors,      // every error becomes a status, here and nowhere else
		in.drain,          // streams end when the server drains
		in.setDeadline,    // a deadline for all, and enough of it left
		in.limitAnonymous, // quotas of callers who are not identified
		in.auditDenials,   // denials go on the audit log
		in.identifyCaller, // who is calling
		in.limitRate,      // is it within the caller's quota
		in.authorize,      // may that role call this
		in.auditReads,     // what an auditor reads goes on the audit log
	}
}

// step is one interceptor. It calls next, with the context it was given or one
// made from it, or refuses by not doing so.
type interceptor func(ctx context.Context, c *call, next func(context.Context) error) error

// call is what the steps tell one another of a call.
type call struct {
	method                  string // full method, "/alkalog.v1.AuditService/ListEntries"
	stream                  bool
	received                bool          // the request is being read, or was
	request                 proto.Message // nil: it is not decoded
	chain                   string        // that the request of a caller without chain names
	peekChain               func() string // finds that chain in a request that is not decoded
	actor                   actor.Actor
	endAnonymous            func()   // ends the counting among calls without identity; nil: it has ended
	callerUsage, chainUsage *usage   // of the caller and its chain; nil: not known
	cleanups                []func() // give back what the call has taken
	readUnaudited           bool     // an auditor reads, and that is not on the audit log yet
	errorID                 string   // finds what went wrong here on the log; empty: nothing did
}

// after has something done when the call has ended.
func (c *call) onEnd(f func()) { c.cleanups = append(c.cleanups, f) }

// end gives back what the call has taken.
func (c *call) cleanUp() {
	for _, f := range c.cleanups {
		f()
	}
}

// pass takes a call through steps, and last of all through handle.
func runInterceptors(ctx context.Context, c *call, steps []interceptor, handle func(context.Context) error) error {
	if len(steps) == 0 {
		return handle(ctx)
	}
	return steps[0](ctx, c, func(ctx context.Context) error { return runInterceptors(ctx, c, steps[1:], handle) })
}

// stream takes a call through the steps; it has the form of a
// grpc.StreamServerInterceptor, and registrar puts it before every method.
func (in *interceptors) intercept(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	c := &call{method: info.FullMethod, stream: info.IsServerStream || info.IsClientStream}
	c.peekChain = func() string { return in.peekChain(c, ss) }
	defer c.cleanUp()
	return runInterceptors(ss.Context(), c, in.ordered(), func(ctx context.Context) error {
		return handler(srv, &checkedStream{ServerStream: ss, ctx: ctx, in: in, call: c, identifiedAt: in.now()})
	})
}

// stampTime fills in the server's time where an answer has a field for it: one of
// its own, a time, that belongs to one attempt of the call. The fields are found
// in the contract, and no service sets or stores them.
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

// inspect is the last step: the request is in order, and speaks only of what its
// caller may see.
func (in *interceptors) checkRequest(ctx context.Context, c *call, m proto.Message) error {
	c.request = m
	if isPublic(c.method) {
		return nil
	}
	normalizeNames(m.ProtoReflect())
	return in.requests.check(ctx, m)
}

// inspectedStream is a stream whose requests are inspected as they come in.
type checkedStream struct {
	grpc.ServerStream
	ctx          context.Context
	in           *interceptors
	call         *call
	identifiedAt time.Time // when the caller was last identified
}

// Context returns the context that the steps have made.
func (s *checkedStream) Context() context.Context { return s.ctx }

// SendMsg sends a message, or lets a reader go who does not take it in time.
// Ending the stream also ends the sending that was under way.
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

// answerCounts are where the untaken answers of a call are counted.
func (in *interceptors) unsentCounters(c *call) []*atomic.Int64 {
	if c.callerUsage == nil {
		return []*atomic.Int64{&in.memory.answers}
	}
	return []*atomic.Int64{&in.memory.answers, &c.callerUsage.answers, &c.chainUsage.answers}
}

// still finds out, at most once a second, whether the reader of a stream would
// be let in now: certificates and tokens expire and are revoked while it runs.
func (s *checkedStream) reauthenticate() error {
	now := s.in.now()
	if passed := now.Sub(s.identifiedAt); !s.call.stream || isPublic(s.call.method) || passed >= 0 && passed < time.Second {
		return nil
	}
	s.identifiedAt = now
	_, err := s.in.identity.Identify(s.ServerStream.Context())
	return err
}

// RecvMsg receives a request, checks its bytes, decodes it and inspects it.
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

// receive receives the bytes of a request, with memory reserved for the longest.
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
	if isPublic(s.call.method) && first {
		short, cancel := context.WithTimeout(ctx, min(s.in.limits.CallTime, publicRequestTime))
		defer cancel()
		ctx = short
	}
	body, err := receiveWithin(ctx, s.ServerStream)
	switch fault.Code(err) {
	case codes.ResourceExhausted:
		s.in.counters.RequestsOversized.Add(1)
	case codes.Internal:
		return nil, fault.Invalid("request", "must be one whole message") // gRPC has answered by itself
	}
	return body, err
}

// begin waits until a request may be worked on: for memory and, if it is a unary
// call, for its turn. What is reserved is given back when a unary call ends.
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

// mostBytes is the longest request, whatever the contract says.
func (s *checkedStream) maxRequestBytes() int {
	if isPublic(s.call.method) {
		return publicRequestBytes
	}
	return s.in.limits.RequestBytes
}

// receive receives the bytes of a request, until ctx is done.
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
