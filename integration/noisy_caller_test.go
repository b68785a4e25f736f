package integration

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage"
)

// The promise: a chain that calls fifty times as often as permitted does not slow
// others: their slowest calls take at most half as long again.

const (
	callsAllowed = 5   // calls a second that a chain may make on average
	noisePerCall = 50  // times that
	mostWorse    = 1.5 // times as long, for one call in a hundred of another chain
	swings       = 12  // of the noise, on and off, in one comparison,
	callsInTurn  = 25  // of the quiet chain
	comparisons  = 5
	series       = 3 // of comparisons; this machine has others on it, and one good series is enough
)

// noiseMaker is a chain that calls too often.
type noiseMaker struct {
	*chain
	made, refused atomic.Int64
}

// make makes the noise until ctx is done, at a rate that waits for no answer.
func (n *noiseMaker) make(ctx context.Context, t *testing.T, perSecond float64) {
	pace := rate.NewLimiter(rate.Limit(perSecond), 1)
	var callers sync.WaitGroup
	for range 32 {
		callers.Go(func() {
			for pace.Wait(ctx) == nil {
				_, err := n.consultation.CreateClient(n.amara.calling(t), &pb.CreateClientRequest{
					Parent: n.name, Client: &pb.Client{DisplayName: "Invented"}, RequestId: newID()})
				n.made.Add(1)
				if status.Code(err) == codes.ResourceExhausted {
					n.refused.Add(1)
				}
			}
		})
	}
	callers.Wait()
}

// exhaust uses up the burst of the chain's quota.
func (n *noiseMaker) exhaust(t *testing.T) {
	t.Helper()
	for range 100_000 {
		_, err := n.directory.GetChain(n.odile.calling(t), &pb.GetChainRequest{Name: n.name})
		if status.Code(err) == codes.ResourceExhausted {
			return
		}
	}
	t.Fatal("the chain's quota has no end")
}

// turn is how long some calls of the quiet chain take: takes somebody in, and
// reads the record back.
func (c *chain) turn(t *testing.T) (took []time.Duration) {
	t.Helper()
	for range callsInTurn {
		began := time.Now()
		made := must(t, c.amara, c.consultation.CreateClient, &pb.CreateClientRequest{
			Parent: c.name, Client: &pb.Client{DisplayName: "Invented"}, RequestId: newID()})
		must(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: made.Client.Name})
		took = append(took, time.Since(began))
	}
	return took
}

// slowest is how long one call in a hundred takes at least.
func slowest(took []time.Duration) float64 {
	slices.Sort(took)
	return took[len(took)*99/100].Seconds()
}

// compare is how much longer the slowest calls take with the noise, and how many
// calls a second it makes. The noise goes on and off in short turns, so that what
// else goes on here falls on both alike.
func compare(t *testing.T, quiet *chain, loud *noiseMaker) (worse, pace float64) {
	t.Helper()
	var still, noisy []time.Duration
	var lasted time.Duration
	before := loud.made.Load()
	for range swings {
		still = append(still, quiet.turn(t)...)
		ctx, cancel := context.WithCancel(t.Context())
		var noise sync.WaitGroup
		noise.Go(func() { loud.make(ctx, t, noisePerCall*callsAllowed) })
		began := time.Now()
		noisy = append(noisy, quiet.turn(t)...)
		cancel()
		noise.Wait()
		lasted += time.Since(began)
	}
	return slowest(noisy) / slowest(still), float64(loud.made.Load()-before) / lasted.Seconds()
}

// TestBusyChainDoesNotSlowOthers compares a quiet chain's slowest calls with and without a
// loud one. What is judged is the middle one of several comparisons, because the
// machine has its own noise.
func TestBusyChainDoesNotSlowOthers(t *testing.T) {
	s := newTestServer(t)
	// One quota for both: the quiet chain calls within what it may at once.
	server, err := serve.Start(t.Context(), serve.Config{
		Address: "127.0.0.1:0", Database: s.database.DSN(storage.RoleServer), KeysDir: s.keys, Development: true,
		Limits: serve.Limits{Quotas: serve.Quotas{CallerRate: callsAllowed, CallerBurst: 20_000, ChainRate: callsAllowed, ChainBurst: 20_000}},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Stop(context.Background()) })
	shared := &testServer{stubs: dial(t, server.Addr()), clock: s.clock}
	quiet := s.newChain(t, "ebb-and-flow")
	loud := &noiseMaker{chain: s.newChain(t, "low-tide")}
	quiet.testServer, loud.testServer = shared, &testServer{stubs: dial(t, server.Addr()), clock: s.clock}
	loud.exhaust(t)
	quiet.turn(t) // warm
	for n := range series {
		var ratios, paces []float64
		for range comparisons {
			worse, pace := compare(t, quiet, loud)
			ratios, paces = append(ratios, worse), append(paces, pace)
		}
		t.Logf("series %d: with the noise %.2f times as long (middle of %.2f), at %.0f calls a second", n, median(ratios), ratios, median(paces))
		if median(ratios) <= mostWorse && median(paces) >= noisePerCall*callsAllowed/2 {
			if loud.refused.Load() < loud.made.Load()/2 {
				t.Errorf("of %d calls that made the noise, %d were refused", loud.made.Load(), loud.refused.Load())
			}
			return
		}
	}
	t.Errorf("one call in a hundred of a quiet chain takes more than %.1f times as long, in each of %d series", mostWorse, series)
}
