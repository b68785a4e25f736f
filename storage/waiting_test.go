package storage_test

import (
	"context"
	"fmt"
	"testing"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// seat is a place among few.
type seat struct {
	all  chan struct{}
	held bool
}

// Leave implements storage.Place.
func (s *seat) Leave() { <-s.all; s.held = false }

// Return implements storage.Place.
func (s *seat) Return(ctx context.Context) error {
	select {
	case s.all <- struct{}{}:
		s.held = true
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// TestWaitingWritesLeaveTheirPlace: two calls may be handled at a time, and yet twenty are
// committed by one COMMIT, also those that have to decide again. In the end nobody holds a
// place twice.
func TestWaitingWritesLeaveTheirPlace(t *testing.T) {
	t.Parallel()
	b := newBatch(t, storagetest.NewDatabase(t))
	places := make(chan struct{}, 2)
	var calls []func() error
	for i := range 20 {
		calls = append(calls, func() error {
			s := &seat{all: places}
			if err := s.Return(t.Context()); err != nil {
				return err
			}
			_, err := openSalon(storage.WithPlace(t.Context(), s), b.db, salonRequest(fmt.Sprint("quay-", i%19))) // one of them twice
			if s.held {
				s.Leave()
			}
			return err
		})
	}
	errs := b.together(t, 20, nil, calls...)
	failed := 0
	for _, err := range errs {
		if err != nil {
			failed++
		}
	}
	if failed != 1 {
		t.Errorf("got %v, want one salon refused", errs)
	}
	b.wantRows(t, 20)
	if n := b.commits(); n != 2 {
		t.Errorf("%d COMMITs for 1 and 19 writes, want 2", n)
	}
	if len(places) != 0 {
		t.Errorf("%d places are held by nobody", len(places))
	}
}
