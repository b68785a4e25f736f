package storage

import "context"

// Context returns the context of whoever reads.
func (s *Snapshot) Context() context.Context { return s.ctx }
