package serve

import (
	"context"
	"errors"
	"log/slog"
	"testing"
	"time"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

// twoClocks are a server's clock and the reference, moved by the test.
type twoClocks struct {
	local, reference time.Time
	err              error
	told             []ClockState
}

func (c *twoClocks) advance(d time.Duration) {
	c.local, c.reference = c.local.Add(d), c.reference.Add(d)
}

func newTwoClocks(ahead time.Duration) (*twoClocks, *referenceClock) {
	now := time.Date(2027, time.March, 2, 9, 0, 0, 0, time.UTC)
	c := &twoClocks{local: now.Add(ahead), reference: now}
	r := &referenceClock{local: func() time.Time { return c.local }, log: slog.New(slog.DiscardHandler),
		ask: func(context.Context) (time.Time, error) { return c.reference, c.err }}
	r.notify(func(s ClockState) { c.told = append(c.told, s) })
	return c, r
}

func TestTheReferenceIsTheTime(t *testing.T) {
	for _, ahead := range []time.Duration{0, -time.Hour, time.Hour, 2 * time.Second, -2001 * time.Millisecond} {
		c, r := newTwoClocks(ahead)
		if !r.Now().Equal(c.local) || r.State().Known {
			t.Errorf("%v: before any comparison it is %v, state %+v", ahead, r.Now(), r.State())
		}
		r.compare(t.Context())
		for range 3 {
			c.advance(20 * time.Second)
			if !r.Now().Equal(c.reference) {
				t.Errorf("%v ahead: it is %v, by the reference %v", ahead, r.Now(), c.reference)
			}
		}
		if s := r.State(); s.Offset != ahead || !s.Known || s.Right() != (ahead.Abs() <= 2*time.Second) {
			t.Errorf("%v ahead: the state is %+v", ahead, s)
		}
	}
}

// TestAComparisonGrowsOld: without the reference the time goes on, and the offset
// is not known any more.
func TestAComparisonGrowsOld(t *testing.T) {
	c, r := newTwoClocks(time.Hour)
	r.compare(t.Context())
	c.err = errors.New("gone")
	c.advance(61 * time.Second)
	r.compare(t.Context())
	if s := r.State(); s.Known || s.Right() || !r.Now().Equal(c.reference) {
		t.Errorf("without a reference the state is %+v, the time %v, by the reference %v", s, r.Now(), c.reference)
	}
	c.err, c.local = nil, c.reference
	r.compare(t.Context())
	if s := r.State(); !s.Right() || !r.Now().Equal(c.reference) {
		t.Errorf("once the clock is set right the state is %+v", s)
	}
	var right []bool
	for _, s := range c.told {
		right = append(right, s.Right())
	}
	if len(right) != 3 || right[0] || right[1] || !right[2] {
		t.Errorf("health was told %v", right)
	}
}

// TestASlowComparisonIsNone: what took too long may be off by as much.
func TestASlowComparisonIsNone(t *testing.T) {
	c, r := newTwoClocks(0)
	r.ask = func(context.Context) (time.Time, error) {
		c.advance(3 * time.Second)
		return c.reference, nil
	}
	r.compare(t.Context())
	if s := r.State(); s.Known {
		t.Errorf("after a comparison of 3 s the state is %+v", s)
	}
}

func TestHealthSaysThatTheClockIsWrong(t *testing.T) {
	t.Parallel()
	for want, ahead := range map[healthpb.HealthCheckResponse_ServingStatus]time.Duration{
		healthpb.HealthCheckResponse_SERVING: time.Second, healthpb.HealthCheckResponse_NOT_SERVING: -time.Hour,
	} {
		_, r := newTwoClocks(ahead)
		r.compare(t.Context())
		cfg, err := Config{Address: "127.0.0.1:0", DataDir: t.TempDir(), Development: true}.complete()
		if err != nil {
			t.Fatal(err)
		}
		cfg.reference = r
		s, err := listen(cfg, database{}, registerUnimplemented)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { s.Stop(context.Background()) })
		health := healthpb.NewHealthClient(dial(t, s.Addr()))
		clock, err := health.Check(t.Context(), &healthpb.HealthCheckRequest{Service: ClockHealth})
		if err != nil || clock.Status != want || s.Clock().Offset != ahead {
			t.Errorf("%v ahead: health says %v, %v, the server %+v", ahead, clock, err, s.Clock())
		}
		if whole, err := health.Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil || whole.Status != healthpb.HealthCheckResponse_SERVING {
			t.Errorf("the server as a whole: %v, %v", whole, err)
		}
	}
}
