package serve

import (
	"alkalog/proto/contract"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"

	"alkalog/server/identity"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// open reports whether anybody may call a method: what says that the server is
// well, and what its services are.
func isPublic(method string) bool {
	return strings.HasPrefix(method, "/grpc.health.v1.Health/") || strings.HasPrefix(method, "/grpc.reflection.v1.ServerReflection/")
}

// report writes what was called, by whom and with which result. Requests and
// answers are people's own and never on the log.
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
		{"role", identity.Word(c.actor.Role)}, {"actor", c.actor.Name}, {"trace", c.actor.TraceID}, {"error_id", c.errorID},
	} {
		if a.value != "" && c.actor.Name+c.errorID != "" {
			attrs = append(attrs, slog.String(a.key, a.value))
		}
	}
	in.log.LogAttrs(ctx, logLevel(c, code), "call", attrs...)
	return err
}

// gravity is how much attention the end of a call deserves.
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

// survive turns a panic into INTERNAL. What was thrown may hold anything, so
// only the runtime's own words and the stack go on the log.
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

// settle turns whatever went wrong into a status. The text of an error that
// nobody foresaw stays on the log, without what the contract says may not be
// logged of the request; the caller gets its id.
func (in *interceptors) mapErrors(ctx context.Context, c *call, next func(context.Context) error) error {
	err := next(ctx)
	if err == nil {
		return nil
	}
	if told, known := fault.Known(err); known {
		return told
	}
	c.errorID = newErrorID()
	in.log.LogAttrs(ctx, slog.LevelError, "unforeseen error", slog.String("error_id", c.errorID),
		slog.String("method", c.method), slog.String("error", contract.Redact(c.request, err.Error())))
	return fault.Internal(c.errorID)
}

// newErrorID returns 60 random bits, as letters and digits.
func newErrorID() string { return rand.Text()[:12] }

// errLeaving is why the context of a stream ends when the server drains.
var errDraining = errors.New("the server is draining")

// release ends a stream when the server drains, and tells its reader to come
// back. Unary calls end by themselves.
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

// limit gives a call without a deadline one, shortens one that is too long, and
// refuses to begin what cannot be finished in the time that is left.
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

// identify finds out who is calling.
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

// permit lets a role call what the contract opens to it, and keeps who is
// confined to salons from what is about the whole chain.
func (in *interceptors) authorize(ctx context.Context, c *call, next func(context.Context) error) error {
	access := in.accessByMethod[c.method]
	switch method := strings.TrimPrefix(c.method, "/"); {
	case isPublic(c.method):
	case !slices.Contains(access.GetRoles(), c.actor.Role):
		return fault.Denied(method, identity.Word(c.actor.Role))
	case access.GetWholeChain() && len(c.actor.Salons) > 0:
		return fault.WholeChain(method)
	}
	return next(ctx)
}
