package storage

import "context"

// Context returns the context of the reading call.
func (s *Snapshot) Context() context.Context { return s.ctx }
