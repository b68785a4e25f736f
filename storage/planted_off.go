//go:build !planted

package storage

import (
	"context"

	"google.golang.org/protobuf/proto"
)

// The functions and constants of this file are the places at which package
// integration/faults plants defects, to show that its checker finds them. They do
// nothing here. Only a build with the tag "planted" has defects (planted_on.go); a
// test shows that other builds do not contain them.

const (
	// unguarded opens a database without looking at its guards.
	unguarded = false
	// unfenced lets every server lead the logs, without a lease and without a lock.
	unfenced = false
	// tokenError is added to the place in a resume token.
	tokenError = 0
)

// answer runs a write.
func (w *write) answer(ctx context.Context) (proto.Message, error) { return w.run(ctx) }

// sendCommit sends COMMIT, which cannot be cancelled.
func (t *transaction) sendCommit() error { return t.Commit() }

// beforeHeads comes before the heads of a batch are written, and seenHead after one was
// read.
func beforeHeads([]LogHead)      {}
func seenHead(h LogHead) LogHead { return h }
