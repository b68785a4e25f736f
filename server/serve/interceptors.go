package serve

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"runtime/debug"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/server/identity"
	"alkalog/server/metrics"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// identifier identifies the caller of a call from its connection and metadata.
// Development, Proven and Closed of package identity are identifiers.
type identifier interface {
	Identify(ctx context.Context) (actor.Actor, error)
}

// interceptors holds what the interceptors need. There is one for the whole
// server; the state of a single call is in call.
type interceptors struct {
	log      *slog.Logger
	limits   Limits
	identity identifier
	// accessByMethod and methods hold the contract's methods by full name. A method
	// that is missing is closed to everybody.
	accessByMethod map[string]*pb.Access
	methods        map[string]protoreflect.MethodDescriptor
	requests       requests         // the contract's rules, compiled
	now            func() time.Time // of the reference clock
	audit          auditWriter
	denials        *denials
	quotas         *quotas
	anonymous      *anonymousLimiter
	memory         *memoryLimiter
	messageLimits  *limitsCache
	counters       *Counters
	metrics        *metrics.Registry
	recentReads    recentReads
	draining       context.Context // done when the server drains
}

// ordered returns the interceptors, the outermost first. The package comment
// gives the reason for the order.
func (in *interceptors) ordered() []interceptor {
	return []interceptor{
		in.logCall,        // logs every call, panics included
		in.recoverPanics,  // turns a panic into INTERNAL
		in.mapErrors,      // turns every error into a status; no other code does
		in.drain,          // ends streams when the server drains
		in.setDeadline,    // gives every call a deadline
		in.limitAnonymous, // bounds calls that are not identified
		in.auditDenials,   // records denials in the audit log
		in.identifyCaller, // finds the caller
		in.limitRate,      // enforces the quotas of caller and chain
		in.authorize,      // checks the role
		in.auditReads,     // records what an auditor reads
	}
}

// interceptor handles a call. It either calls next, with ctx or a context derived
// from it, or refuses the call by returning an error. It may do something before
// and after.
type interceptor func(ctx context.Context, c *call, next func(context.Context) error) error

// call is the state of one call that the interceptors share. A call is handled by
// one goroutine at a time, so it needs no lock.
type call struct {
	method string // full method, such as "/alkalog.v1.AuditService/ListEntries"
	stream bool   // not a unary call
	// received is set when the request begins to be received, and request once it
	// is decoded.
	received bool
	request  proto.Message
	// chain is the chain that the request of a caller without a chain names;
	// peekChain finds it in a request that is not decoded. Both are for the denial.
	chain     string
	peekChain func() string
	// actor is the caller; its name is empty until the call is identified.
	actor actor.Actor
	// endAnonymous stops counting the call as anonymous; nil: it is not counted so.
	endAnonymous func()
	// callerUsage and chainUsage count what the call uses; nil: no quota applies.
	callerUsage, chainUsage *usage
	// workers are its places among the calls that are handled.
	workers  *workers
	cleanups []func() // run when the call has ended
	// readUnaudited is set for an auditor's read until the audit log has it.
	readUnaudited bool
	// errorID identifies an internal error in the server's log; empty: none.
	errorID string
	// cause is why the call could not be carried out, for the server's log; empty: the
	// status says it, or the caller is the cause.
	cause string
}

// onEnd registers f to run when the call has ended.
func (c *call) onEnd(f func()) { c.cleanups = append(c.cleanups, f) }

// cleanUp runs the registered functions.
func (c *call) cleanUp() {
	for _, f := range c.cleanups {
		f()
	}
}

// runInterceptors passes a call through the remaining interceptors and finally
// to handle.
func runInterceptors(ctx context.Context, c *call, steps []interceptor, handle func(context.Context) error) error {
	if len(steps) == 0 {
		return handle(ctx)
	}
	return steps[0](ctx, c, func(ctx context.Context) error { return runInterceptors(ctx, c, steps[1:], handle) })
}

// intercept passes a call through the interceptors. It is a
// grpc.StreamServerInterceptor; registrar puts it before every method, unary
// methods included. The handler gets a checkedStream in place of gRPC's.
func (in *interceptors) intercept(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	c := &call{method: info.FullMethod, stream: info.IsServerStream || info.IsClientStream}
	c.peekChain = func() string { return in.peekChain(c, ss) }
	defer c.cleanUp()
	return runInterceptors(ss.Context(), c, in.ordered(), func(ctx context.Context) error {
		return handler(srv, &checkedStream{ServerStream: ss, ctx: ctx, in: in, call: c, identifiedAt: in.now()})
	})
}

// isPublic reports whether a method needs no identity: health checks and
// reflection. They are gRPC's own services, which probes and tools expect to find
// open.
func isPublic(method string) bool {
	return strings.HasPrefix(method, "/grpc.health.v1.Health/") || strings.HasPrefix(method, "/grpc.reflection.v1.ServerReflection/")
}

// logCall logs method, caller, duration and result of a call, and counts it in
// the metrics. Requests and answers are personal data and are never logged.
// Anonymous calls are logged without the attributes of a caller. Who is logged is
// a resource name, which is no personal data.
func (in *interceptors) logCall(ctx context.Context, c *call, next func(context.Context) error) error {
	began := time.Now()
	err := next(ctx)
	code := fault.Code(err)
	in.metrics.Call(ctx, c.method, code.String(), fault.Reason(err), c.stream, time.Since(began))
	attrs := []slog.Attr{
		slog.String("method", c.method), slog.String("code", code.String()),
		slog.Float64("milliseconds", float64(time.Since(began).Microseconds())/1000),
	}
	for _, a := range []struct{ key, value string }{
		{"role", identity.RoleName(c.actor.Role)}, {"actor", c.actor.Name}, {"trace", c.actor.TraceID}, {"error_id", c.errorID},
	} {
		if a.value != "" && c.actor.Name+c.errorID != "" {
			attrs = append(attrs, slog.String(a.key, a.value))
		}
	}
	if c.cause != "" {
		attrs = append(attrs, slog.String("cause", c.cause))
	}
	in.log.LogAttrs(ctx, logLevel(c, code), "call", attrs...)
	return err
}

// logLevel returns the log level for the end of a call. Errors of callers are not
// errors of the server.
func logLevel(c *call, code codes.Code) slog.Level {
	switch code {
	case codes.Internal, codes.Unknown, codes.DataLoss:
		return slog.LevelError
	case codes.Unavailable, codes.DeadlineExceeded:
		return slog.LevelWarn
	}
	if isPublic(c.method) {
		return slog.LevelDebug
	}
	return slog.LevelInfo
}

// recoverPanics turns a panic into INTERNAL. The panic value may contain request
// data, so only the type of the value, the text of runtime errors (redacted) and
// the stack are logged. The process goes on: a panic in one call must not stop
// the clocks of the others.
func (in *interceptors) recoverPanics(ctx context.Context, c *call, next func(context.Context) error) (err error) {
	defer func() {
		thrown := recover()
		if thrown == nil {
			return
		}
		what := fmt.Sprintf("%T", thrown)
		if known, ok := thrown.(runtime.Error); ok {
			what = contract.Redact(c.request, known.Error())
		}
		c.errorID = newErrorID()
		in.log.LogAttrs(ctx, slog.LevelError, "panic", slog.String("error_id", c.errorID), slog.String("method", c.method),
			slog.String("panic", what), slog.String("stack", string(debug.Stack())))
		err = fault.Internal(c.errorID)
	}()
	return next(ctx)
}

// mapErrors turns every error into a status. It logs an unexpected error with a
// new id, redacted by the contract's data classes, and returns INTERNAL with
// that id.
func (in *interceptors) mapErrors(ctx context.Context, c *call, next func(context.Context) error) error {
	err := next(ctx)
	if err == nil {
		return nil
	}
	if status, known := fault.Known(err); known {
		switch fault.Code(status) {
		case codes.Unavailable, codes.DataLoss:
			// Callers are told what to do; the operator needs the reason below it, such as a
			// full disk.
			c.cause = contract.Redact(c.request, err.Error())
		}
		return status
	}
	c.errorID = newErrorID()
	in.log.LogAttrs(ctx, slog.LevelError, "unexpected error", slog.String("error_id", c.errorID),
		slog.String("method", c.method), slog.String("error", contract.Redact(c.request, err.Error())))
	return fault.Internal(c.errorID)
}

// newErrorID returns 60 random bits as letters and digits.
func newErrorID() string { return rand.Text()[:12] }

// errDraining is the cause with which the context of a stream ends when the
// server drains.
var errDraining = errors.New("the server is draining")

// drain ends a stream when the server drains, with a status that asks the client
// to reconnect. Unary calls finish by themselves. A stream that ended by itself
// keeps its own result.
func (in *interceptors) drain(ctx context.Context, c *call, next func(context.Context) error) error {
	if !c.stream {
		return next(ctx)
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	defer context.AfterFunc(in.draining, func() { cancel(errDraining) })()
	err := next(ctx)
	if err != nil && context.Cause(ctx) == errDraining {
		return fault.Leaving()
	}
	return err
}

// setDeadline gives a call a deadline if it has none, shortens one that is too
// long, and refuses a call that has less than Limits.MinTime left: nothing is
// started that cannot be finished. Without a deadline a call could wait for a
// lock or a worker without end.
func (in *interceptors) setDeadline(ctx context.Context, c *call, next func(context.Context) error) error {
	if isPublic(c.method) {
		return next(ctx)
	}
	granted := in.limits.CallTime
	if c.stream {
		granted = in.limits.StreamTime
	}
	if deadline, given := ctx.Deadline(); given {
		if time.Until(deadline) < in.limits.MinTime {
			return fmt.Errorf("less than %v left: %w", in.limits.MinTime, context.DeadlineExceeded)
		}
		if c.stream {
			return next(ctx)
		}
		granted = in.limits.MaxCallTime
	}
	ctx, cancel := context.WithTimeout(ctx, granted)
	defer cancel()
	return next(ctx)
}

// identifyCaller identifies the caller and stores the actor in the context. From
// here on the call counts as its caller's and no longer as anonymous.
func (in *interceptors) identifyCaller(ctx context.Context, c *call, next func(context.Context) error) error {
	if isPublic(c.method) {
		return next(ctx)
	}
	who, err := in.identity.Identify(ctx)
	if err != nil {
		return in.rejectAnonymous(ctx, err)
	}
	c.markIdentified(ctx)
	c.actor = who
	return next(actor.NewContext(ctx, who))
}

// authorize refuses a caller who may not call the method. Which records the
// caller may see is checked later: by name when the request is decoded, and by
// salon in package record.
func (in *interceptors) authorize(ctx context.Context, c *call, next func(context.Context) error) error {
	if !isPublic(c.method) {
		if err := checkAccess(c.actor, c.method, in.accessByMethod[c.method]); err != nil {
			return err
		}
	}
	return next(ctx)
}
