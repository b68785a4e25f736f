package serve

import (
	"context"
	"errors"
	"testing"
)

// TestWorkers: a call has both places or none, however often it leaves and returns.
func TestWorkers(t *testing.T) {
	t.Parallel()
	own, all := &usage{workers: make(chan struct{}, 2)}, &usage{workers: make(chan struct{}, 1)}
	held := func(want int) {
		t.Helper()
		if len(own.workers) != want || len(all.workers) != want {
			t.Errorf("%d and %d places are held, want %d", len(own.workers), len(all.workers), want)
		}
	}
	one, other := &workers{of: []*usage{own, all}}, &workers{of: []*usage{own, all}}
	for range 2 {
		if err := one.Return(t.Context()); err != nil {
			t.Fatal(err)
		}
		held(1)
		ended, cancel := context.WithCancel(t.Context())
		cancel()
		if err := other.Return(ended); !errors.Is(err, context.Canceled) {
			t.Errorf("got %v while the place is held", err)
		}
		held(1)
		one.Leave()
		one.Leave()
		held(0)
	}
}
