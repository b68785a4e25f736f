package storage

import (
	"context"
	"fmt"
	"sync"
	"time"
)

// suspension holds writes back while the database that was just connected to has
// not been compared with what was seen of it: a server that was restarted or
// promoted, or a database made anew under the same name, may be a restored backup.
type suspension struct {
	mu      sync.Mutex
	watched bool          // somebody compares; else nothing is held back
	changes int64         // how often another server was found
	done    chan struct{} // closed when writes go on; nil: they do
	wake    chan struct{} // tells who compares
}

// SuspendOnChange makes every write wait from the moment that a connection leads to
// a server which is not the one before, until Resume. The channel tells that it is
// time to compare.
func (db *DB) SuspendOnChange() <-chan struct{} {
	s := &db.fence.suspension
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.wake == nil {
		s.watched, s.wake = true, make(chan struct{}, 1)
	}
	return s.wake
}

// Changes counts the changes of server so far; for Resume.
func (db *DB) Changes() int64 {
	s := &db.fence.suspension
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.changes
}

// Resume lets writes go on, unless there was another change since Changes was
// asked.
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

// suspend holds writes back.
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

// longestSuspension bounds how long a write waits. Our own choice.
const longestSuspension = 5 * time.Second

// unsuspended waits until writes go on.
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
