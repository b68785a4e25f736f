package serve

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
)

// errorIDOf is the id in the message of an INTERNAL.
func errorIDOf(t *testing.T, err error) string {
	t.Helper()
	_, rest, found := strings.Cut(status.Convert(err).Message(), "(error ")
	id, _, closed := strings.Cut(rest, ")")
	if !found || !closed || len(id) < 12 {
		t.Fatalf("no error id in %q", status.Convert(err).Message())
	}
	return id
}

func TestPanicIsInternal(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	_, unary := b.directory.GetChain(as(t, "operator"), &pb.GetChainRequest{Name: "chains/boom"})
	_, bounds := b.directory.GetChain(as(t, "operator"), &pb.GetChainRequest{Name: "chains/bounds"})
	stream, err := b.process.WatchSession(as(t, "till"), &pb.WatchSessionRequest{Name: "chains/ebb/clients/c/sessions/boom"})
	if err != nil {
		t.Fatal(err)
	}
	_, streamed := stream.Recv()
	for what, err := range map[string]error{"unary": unary, "bounds": bounds, "stream": streamed} {
		wantError(t, err, codes.Internal, "INTERNAL", "something went wrong here")
		if message := status.Convert(err).Message(); strings.Contains(message, "goroutine") || strings.Contains(message, "Canary") {
			t.Errorf("%s: the caller receives %q", what, message)
		}
	}
	if _, err := b.directory.GetChain(as(t, "operator"), &pb.GetChainRequest{Name: "chains/ebb"}); err != nil {
		t.Errorf("after the panics: %v", err)
	}
	until(t, "all calls are on the log", func() bool { return len(b.log.lines(t, "call")) == 4 })
	panics := b.log.lines(t, "panic")
	if len(panics) != 3 || panics[0]["error_id"] != errorIDOf(t, unary) || !strings.Contains(panics[0]["stack"].(string), "GetChain") {
		t.Errorf("the log says of the panics: %v", panics)
	}
	if what := panics[1]["panic"]; what != "runtime error: index out of range [3] with length 0" {
		t.Errorf("the log says %v of the runtime's own error", what)
	}
	if line := b.log.lines(t, "call")[0]; line["error_id"] != errorIDOf(t, unary) || line["code"] != "Internal" || line["level"] != "ERROR" {
		t.Errorf("the line of the call is %v", line)
	}
}

func TestUnexpectedErrorTextIsNotSent(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	_, err := b.directory.ListChains(as(t, "operator"), &pb.ListChainsRequest{})
	wantError(t, err, codes.Internal, "INTERNAL")
	if strings.Contains(status.Convert(err).Message(), "secret") {
		t.Errorf("the caller receives %v", err)
	}
	until(t, "the call is on the log", func() bool { return len(b.log.lines(t, "call")) == 1 })
	lines := b.log.lines(t, "unexpected error")
	if len(lines) != 1 || lines[0]["error_id"] != errorIDOf(t, err) || !strings.Contains(lines[0]["error"].(string), "/srv/secret") {
		t.Errorf("the log says %v", lines)
	}
}

// unhurried is the context of a manager whose calls bring no deadline.
func longDeadline(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	watchdog := time.AfterFunc(patience, cancel)
	t.Cleanup(func() { watchdog.Stop(); cancel() })
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Development role=manager name="+nameOf("manager"))
}

func TestEveryCallHasADeadline(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	close(b.odd.finish)
	noDeadline := longDeadline(t)
	if _, err := b.directory.GetSalon(noDeadline, &pb.GetSalonRequest{Name: "chains/ebb/salons/north"}); err != nil {
		t.Errorf("a call without a deadline: %v", err)
	}
}

func TestDeadlineOfTheServerEndsACall(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) { c.Limits.CallTime, c.Limits.StreamTime = 60*time.Millisecond, 60*time.Millisecond })
	noDeadline := longDeadline(t)
	_, err := b.directory.GetSalon(noDeadline, &pb.GetSalonRequest{Name: "chains/ebb/salons/north"})
	wantError(t, err, codes.DeadlineExceeded, "DEADLINE_EXCEEDED")
	stream, err := b.process.WatchSession(noDeadline, &pb.WatchSessionRequest{Name: "chains/ebb/clients/c/sessions/s"})
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = stream.Recv()
	}
	wantError(t, err, codes.DeadlineExceeded, "DEADLINE_EXCEEDED")
}

// TestCallsWithTooLittleTimeAreRefused: with less than the least time left the
// service is not even asked.
func TestCallsWithTooLittleTimeAreRefused(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) { c.Limits.MinTime, c.Limits.CallTime = time.Hour, 2*time.Hour })
	_, err := b.directory.GetSalon(as(t, "manager"), &pb.GetSalonRequest{Name: "chains/ebb/salons/north"})
	wantError(t, err, codes.DeadlineExceeded, "DEADLINE_EXCEEDED")
	select {
	case <-b.odd.entered:
		t.Error("the service was asked")
	default:
	}
}

// TestLogHoldsNothingPersonal sends personal data in every way that a request
// can be wrong, and one way that it is right.
func TestLogHoldsNothingPersonal(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	calls := 0
	try := func(err error) {
		calls++
		if strings.Contains(status.Convert(err).Message(), "555-0117") {
			t.Errorf("the caller is sent back what it sent: %v", err)
		}
	}
	chain := &pb.Chain{DisplayName: canary}
	_, err := b.directory.CreateChain(as(t, "operator"), &pb.CreateChainRequest{ChainId: "ebb", Chain: chain, RequestId: someID})
	try(err) // served
	_, err = b.directory.CreateChain(as(t, "operator"), &pb.CreateChainRequest{ChainId: canary, Chain: chain, RequestId: canary})
	try(err) // malformed
	_, err = b.directory.CreateChain(as(t, "manager"), &pb.CreateChainRequest{ChainId: "ebb", Chain: chain, RequestId: someID})
	try(err) // not allowed
	_, err = b.directory.GetChain(as(t, "manager"), &pb.GetChainRequest{Name: "chains/" + canary})
	try(err) // no name
	_, err = b.directory.GetChain(as(t, "operator"), &pb.GetChainRequest{Name: "chains/boom"})
	try(err) // panics with it
	who := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Development role=manager name="+canary)
	_, err = b.directory.GetChain(who, &pb.GetChainRequest{Name: "chains/ebb"})
	try(err) // says so of itself
	who = metadata.AppendToOutgoingContext(as(t, "manager"), "alkalog-till", "+"+canary, "traceparent", canary)
	_, err = b.directory.GetChain(who, &pb.GetChainRequest{Name: "chains/ebb"})
	try(err) // in its headers
	until(t, "all calls are on the log", func() bool { return len(b.log.lines(t, "call")) == calls })
	if text := b.log.String(); strings.Contains(text, "Canary") || strings.Contains(text, "555-0117") {
		t.Errorf("the log holds personal data:\n%s", text)
	}
}

func TestCancelledCallIsCancelled(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	ctx, cancel := context.WithCancel(as(t, "manager"))
	ended := make(chan error)
	go func() {
		_, err := b.directory.GetSalon(ctx, &pb.GetSalonRequest{Name: "chains/ebb/salons/north"})
		ended <- err
	}()
	<-b.odd.entered
	cancel()
	wantError(t, <-ended, codes.Canceled, "")
	until(t, "the call is on the log", func() bool { return len(b.log.lines(t, "call")) == 1 })
	if line := b.log.lines(t, "call")[0]; line["code"] != "Canceled" {
		t.Errorf("the log says %v", line)
	}
}
