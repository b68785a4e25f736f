package serve

import (
	"context"
	"log/slog"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// identifier finds out who is calling from what came with the call.
type identifier interface {
	Identify(ctx context.Context) (actor.Actor, error)
}

// interceptors are what stands between a caller and a service.
type interceptors struct {
	log      *slog.Logger
	limits   Limits
	identity identifier
	access   map[string]*pb.Access // by full method; a method that is not here is closed
	checks   requests
	now      func() time.Time
	book     logbook
	denials  *denials
	quotas   *quotas
	glances  glances
	leaving  context.Context // done when the server drains
}

// steps are what every call goes through, from the outside in. A unary call and
// a stream take the same steps; the last one, the check of the request, happens
// when the request is there: at once for a unary call, and as it is received on
// a stream.
func (in *interceptors) steps() []step {
	return []step{
		in.report,   // a line on the log, also for a panic
		in.survive,  // a panic becomes INTERNAL with an id
		in.settle,   // every error becomes a status, here and nowhere else
		in.release,  // streams end when the server drains
		in.limit,    // a deadline for all, and enough of it left
		in.remember, // denials go on the audit log
		in.identify, // who is calling
		in.ration,   // is it within the caller's quota
		in.permit,   // may that role call this
		in.witness,  // what an auditor reads goes on the audit log
	}
}

// step is one interceptor. It calls next, with the context it was given or one
// made from it, or refuses by not doing so.
type step func(ctx context.Context, c *call, next func(context.Context) error) error

// call is what the steps tell one another of a call.
type call struct {
	method  string // full method, "/alkalog.v1.AuditService/ListEntries"
	stream  bool
	request proto.Message // nil: a stream whose request has not come in yet
	actor   actor.Actor
	unseen  bool   // an auditor reads, and that is not on the audit log yet
	errorID string // finds what went wrong here on the log; empty: nothing did
}

// pass takes a call through steps, and last of all through handle.
func pass(ctx context.Context, c *call, steps []step, handle func(context.Context) error) error {
	if len(steps) == 0 {
		return handle(ctx)
	}
	return steps[0](ctx, c, func(ctx context.Context) error { return pass(ctx, c, steps[1:], handle) })
}

// unary is the grpc.UnaryServerInterceptor.
func (in *interceptors) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	c := &call{method: info.FullMethod, request: message(req)}
	var resp any
	err := pass(ctx, c, in.steps(), func(ctx context.Context) error {
		err := in.inspect(ctx, c, req)
		if err == nil {
			resp, err = handler(ctx, req)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// stream is the grpc.StreamServerInterceptor.
func (in *interceptors) stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	c := &call{method: info.FullMethod, stream: true}
	return pass(ss.Context(), c, in.steps(), func(ctx context.Context) error {
		return handler(srv, &inspectedStream{ServerStream: ss, ctx: ctx, in: in, call: c, known: in.now()})
	})
}

// inspect is the last step: the request can be read, is in order, and speaks
// only of what its caller may see.
func (in *interceptors) inspect(ctx context.Context, c *call, req any) error {
	m := message(req)
	c.request = m
	if err := checkRead(m); err != nil || open(c.method) {
		return err
	}
	return in.checks.check(ctx, m)
}

// inspectedStream is a stream whose requests are inspected as they come in.
type inspectedStream struct {
	grpc.ServerStream
	ctx   context.Context
	in    *interceptors
	call  *call
	known time.Time // when the caller was last identified
}

// Context returns the context that the steps have made.
func (s *inspectedStream) Context() context.Context { return s.ctx }

// SendMsg sends a message, or lets a reader go who does not take it in time.
// Ending the stream also ends the sending that was under way.
func (s *inspectedStream) SendMsg(m any) error {
	if err := s.still(); err != nil {
		return err
	}
	if err := s.in.seen(s.ctx, s.call); err != nil {
		return err
	}
	sent := make(chan error, 1)
	go func() { sent <- s.ServerStream.SendMsg(m) }()
	timer := time.NewTimer(s.in.limits.SendTime)
	defer timer.Stop()
	select {
	case err := <-sent:
		return err
	case <-timer.C:
		return fault.TooSlow()
	}
}

// still finds out, at most once a second, whether the reader of a stream would
// be let in now: certificates and tokens expire and are revoked while it runs.
func (s *inspectedStream) still() error {
	now := s.in.now()
	if passed := now.Sub(s.known); open(s.call.method) || passed >= 0 && passed < time.Second {
		return nil
	}
	s.known = now
	_, err := s.in.identity.Identify(s.ServerStream.Context())
	return err
}

// RecvMsg receives a request and inspects it.
func (s *inspectedStream) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	return s.in.inspect(s.ctx, s.call, m)
}
