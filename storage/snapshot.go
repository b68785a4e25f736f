package storage

import "context"

// Context returns the context of the call that reads. It carries the caller (package
// actor) and the deadline.
func (s *Snapshot) Context() context.Context { return s.ctx }
