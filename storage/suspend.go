package storage

import (
	"context"
	"fmt"
	"sync"
	"time"
)

// suspension holds writes back while the database behind new connections has not been
// compared with the last checkpoints. A server that was restarted or promoted, or a
// database that was created again under the same name, may be a restored backup, and a
// write to it could be lost or hide the loss.
//
// States: without a watcher nothing is ever held back. With one, suspend opens a
// suspension and wakes the watcher, which compares and calls Resume with the change
// count that it has compared. A change during the comparison raises the count, so that
// this Resume has no effect.
type suspension struct {
	mu sync.Mutex
	// watched means that somebody compares; otherwise nothing is held back.
	watched bool
	// changes counts how often another server was found.
	changes int64
	// done is closed when writes continue; nil: they are not held back.
	done chan struct{}
	// wake tells the watcher to compare.
	wake chan struct{}
}

// SuspendOnChange makes every write wait from the moment when a connection leads to
// another server than the one before, until Resume. The channel receives a value when
// it is time to compare. All callers get the same channel.
func (db *DB) SuspendOnChange() <-chan struct{} {
	s := &db.fence.suspension
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.wake == nil {
		s.watched, s.wake = true, make(chan struct{}, 1)
	}
	return s.wake
}

// Changes returns the number of server changes so far, for Resume. Read it before the
// comparison.
func (db *DB) Changes() int64 {
	s := &db.fence.suspension
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.changes
}

// Resume lets writes continue, unless the server has changed again since Changes
// returned that number.
func (db *DB) Resume(changes int64) {
	s := &db.fence.suspension
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.done != nil && s.changes == changes {
		close(s.done)
		s.done = nil
	}
}

// Suspended reports whether writes are held back.
func (db *DB) Suspended() bool {
	s := &db.fence.suspension
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.done != nil
}

// suspend counts a change of server and, if somebody watches, holds writes back.
func (s *suspension) suspend() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.changes++
	if !s.watched {
		return
	}
	if s.done == nil {
		s.done = make(chan struct{})
	}
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// longestSuspension bounds how long a write waits. Afterwards it fails with
// ErrUnavailable and can be retried. Our own choice.
const longestSuspension = 5 * time.Second

// unsuspended waits until writes continue.
func (db *DB) unsuspended(ctx context.Context) error {
	s := &db.fence.suspension
	s.mu.Lock()
	done := s.done
	s.mu.Unlock()
	if done == nil {
		return nil
	}
	timer := time.NewTimer(longestSuspension)
	defer timer.Stop()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return fmt.Errorf("%w: it was restarted or replaced, and is still being compared with what was last seen of it", ErrUnavailable)
	}
}
