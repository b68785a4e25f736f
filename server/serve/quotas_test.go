package serve

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
)

// from is the context of a call by a practitioner of a chain.
func from(t *testing.T, chain, who string) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	t.Cleanup(cancel)
	return metadata.AppendToOutgoingContext(ctx, "authorization",
		fmt.Sprintf("Development role=manager name=chains/%s/practitioners/%s", chain, who))
}

// retryAfter is when an error says to try again; zero when it does not.
func retryAfter(err error) time.Duration {
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.RetryInfo); ok {
			return info.RetryDelay.AsDuration()
		}
	}
	return 0
}

// TestQuotas: a caller above its rate receives a retry delay,
// and takes nothing from others.
func TestQuotas(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) {
		c.Limits.Quotas = Quotas{CallerRate: 1e-3, CallerBurst: 3, ChainRate: 1e-3, ChainBurst: 5}
	})
	call := func(chain, who string) error {
		_, err := b.directory.GetChain(from(t, chain, who), &pb.GetChainRequest{Name: "chains/" + chain})
		return err
	}
	for i, c := range []struct {
		chain, who string
		refused    string
	}{
		{"ebb", "x", ""}, {"ebb", "x", ""}, {"ebb", "x", ""}, {"ebb", "x", "the caller"},
		{"ebb", "y", ""}, {"ebb", "y", ""}, {"ebb", "y", "the chain"}, {"ebb", "z", "the chain"},
		{"low", "x", ""}, {"low", "x", ""},
	} {
		err := call(c.chain, c.who)
		if c.refused == "" {
			if err != nil {
				t.Errorf("call %d, by %s of %s: %v", i, c.who, c.chain, err)
			}
			continue
		}
		wantError(t, err, codes.ResourceExhausted, "RATE_EXCEEDED", c.refused)
		if retryAfter(err) <= 0 {
			t.Errorf("call %d: when to try again is not said: %v", i, err)
		}
	}
}

// TestCallsUnderWay: a caller has so many calls under way and no more, and can
// go on when one has ended.
func TestCallsUnderWay(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) { c.Limits.Quotas = Quotas{CallerCalls: 2, CallerStreams: 1} })
	done := make(chan error)
	for range 2 {
		go func() {
			_, err := b.directory.GetSalon(from(t, "ebb", "x"), &pb.GetSalonRequest{Name: "chains/ebb/salons/a"})
			done <- err
		}()
		<-b.odd.entered
	}
	_, err := b.directory.GetChain(from(t, "ebb", "x"), &pb.GetChainRequest{Name: "chains/ebb"})
	wantError(t, err, codes.ResourceExhausted, "TOO_MANY_CALLS", "2 calls under way")
	if _, err := b.directory.GetChain(from(t, "ebb", "y"), &pb.GetChainRequest{Name: "chains/ebb"}); err != nil {
		t.Errorf("somebody else of the chain: %v", err)
	}
	watch := func() error {
		stream, err := b.process.WatchSession(from(t, "ebb", "x"), &pb.WatchSessionRequest{Name: "chains/ebb/clients/c/sessions/s"})
		if err == nil {
			_, err = stream.Recv()
		}
		return err
	}
	if err := watch(); err != nil {
		t.Fatal(err)
	}
	wantError(t, watch(), codes.ResourceExhausted, "TOO_MANY_CALLS", "1 open streams")
	close(b.odd.finish)
	for range 2 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	if _, err = b.directory.GetChain(from(t, "ebb", "x"), &pb.GetChainRequest{Name: "chains/ebb"}); err != nil {
		t.Errorf("when two have ended: %v", err)
	}
}

// TestAChainWaitsForItsOwn: calls of a chain beyond its share of the work wait
// for one another, and for their deadlines, while another chain is served.
func TestAChainWaitsForItsOwn(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) { c.Limits.Quotas = Quotas{ChainWorkers: 1} })
	done := make(chan error)
	go func() {
		_, err := b.directory.GetSalon(from(t, "ebb", "x"), &pb.GetSalonRequest{Name: "chains/ebb/salons/a"})
		done <- err
	}()
	<-b.odd.entered
	hasty, cancel := context.WithTimeout(from(t, "ebb", "y"), 200*time.Millisecond)
	defer cancel()
	_, err := b.directory.GetChain(hasty, &pb.GetChainRequest{Name: "chains/ebb"})
	wantError(t, err, codes.DeadlineExceeded, "")
	if _, err := b.directory.GetChain(from(t, "low", "x"), &pb.GetChainRequest{Name: "chains/low"}); err != nil {
		t.Errorf("another chain: %v", err)
	}
	close(b.odd.finish)
	if err := <-done; err != nil {
		t.Error(err)
	}
	if _, err := b.directory.GetChain(from(t, "ebb", "y"), &pb.GetChainRequest{Name: "chains/ebb"}); err != nil {
		t.Errorf("after it: %v", err)
	}
}

// TestACallerLeavesRoomForItsChain: however many calls somebody makes that take
// long, there is room for a colleague's.
func TestACallerLeavesRoomForItsChain(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) { c.Limits.Quotas = Quotas{ChainWorkers: 2} })
	done := make(chan error)
	go func() {
		_, err := b.directory.GetSalon(from(t, "ebb", "x"), &pb.GetSalonRequest{Name: "chains/ebb/salons/a"})
		done <- err
	}()
	<-b.odd.entered
	hasty, cancel := context.WithTimeout(from(t, "ebb", "x"), 200*time.Millisecond)
	defer cancel()
	_, err := b.directory.GetChain(hasty, &pb.GetChainRequest{Name: "chains/ebb"})
	wantError(t, err, codes.DeadlineExceeded, "")
	if _, err := b.directory.GetChain(from(t, "ebb", "y"), &pb.GetChainRequest{Name: "chains/ebb"}); err != nil {
		t.Errorf("a colleague: %v", err)
	}
	close(b.odd.finish)
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// TestSharesAreBounded: any number of callers costs no more than some memory,
// who is idle is forgotten, and who is not keeps its own share.
func TestSharesAreBounded(t *testing.T) {
	t.Parallel()
	q := newQuotas(Quotas{CallerRate: 1, CallerBurst: 1, ChainRate: 1e9, ChainBurst: 1e9, CallerCalls: 1e9, CallerStreams: 1, ChainWorkers: 1}, 1)
	now := start()
	for i := range 2 * maxTracked {
		if _, _, err := q.acquire(fmt.Sprint("caller ", i), "chains/ebb", false, now); err != nil && i < maxTracked-2 {
			t.Fatalf("caller %d: %v", i, err)
		}
	}
	if len(q.known) > maxTracked+1 {
		t.Errorf("%d shares are kept", len(q.known))
	}
	if _, _, err := q.acquire("caller 0", "chains/ebb", false, now); err == nil {
		t.Error("whose share was used up has a fresh one")
	}
	for _, s := range q.known {
		s.calls = 0 // all have ended
	}
	if _, _, err := q.acquire("the next day", "chains/ebb", false, now.Add(24*time.Hour)); err != nil || len(q.known) > 3 {
		t.Errorf("%d shares are kept of callers that are idle, %v", len(q.known), err)
	}
}

// TestStreamsOfSlowClientsEnd: a reader that takes nothing does not hold the server;
// its stream ends with a status that says how to go on.
func TestStreamsOfSlowClientsEnd(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) { c.Limits.SendTime = 100 * time.Millisecond })
	stream, err := b.process.WatchSession(from(t, "ebb", "x"), &pb.WatchSessionRequest{Name: "chains/ebb/clients/c/sessions/flood"})
	if err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-b.odd.flooded: // nothing was read so far
		if own := new(fault.Error); !errors.As(err, &own) || own.Reason() != pb.ErrorReason_ERROR_REASON_WATCHER_TOO_SLOW {
			t.Errorf("the service receives %v", err)
		}
	case <-time.After(patience):
		t.Fatal("a reader that takes nothing holds the server")
	}
	for err == nil {
		_, err = stream.Recv()
	}
	wantError(t, err, codes.Aborted, "WATCHER_TOO_SLOW", "resume")
	if _, err := b.directory.GetChain(from(t, "ebb", "x"), &pb.GetChainRequest{Name: "chains/ebb"}); err != nil {
		t.Errorf("the same connection is not served any more: %v", err)
	}
}

// TestLongHeadersAreRefused: they cost nobody but who sends them.
func TestLongHeadersAreRefused(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	long := metadata.AppendToOutgoingContext(from(t, "ebb", "x"), "alkalog-remark", strings.Repeat("x", 100_000))
	if _, err := b.directory.GetChain(long, &pb.GetChainRequest{Name: "chains/ebb"}); err == nil {
		t.Error("a header of 100,000 characters is taken")
	}
	if _, err := b.directory.GetChain(from(t, "ebb", "x"), &pb.GetChainRequest{Name: "chains/ebb"}); err != nil {
		t.Errorf("others are not served: %v", err)
	}
}

// TestLongCallsAreShortened: a call has no longer deadline
// than the longest.
func TestLongCallsAreShortened(t *testing.T) {
	t.Parallel()
	b := newTestServer(t, func(c *Config) { c.Limits.MaxCallTime = 200 * time.Millisecond })
	_, err := b.directory.GetSalon(from(t, "ebb", "x"), &pb.GetSalonRequest{Name: "chains/ebb/salons/a"})
	wantError(t, err, codes.DeadlineExceeded, "DEADLINE_EXCEEDED")
}
