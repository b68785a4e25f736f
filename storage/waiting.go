package storage

import "context"

// A server limits how many calls of a chain it handles at a time, so that one chain does not
// take every connection. A write that waits for its batch has no connection, and should not
// count: the more calls wait, the more are committed by one COMMIT.

// Place is what a call holds while it is handled.
type Place interface {
	// Leave gives the place up; Return waits for one again. Both are called from one goroutine
	// at a time, Return only after Leave.
	Leave()
	Return(ctx context.Context) error
}

// placeKey is the key of a Place in a context.
type placeKey struct{}

// WithPlace returns a context for a call that holds a place. A write leaves it while it
// waits for its COMMIT, and returns to it if it must decide again.
func WithPlace(ctx context.Context, p Place) context.Context {
	return context.WithValue(ctx, placeKey{}, p)
}

// leavePlace leaves the place of a call, and returns what waits for one again.
func leavePlace(ctx context.Context) (again func(context.Context) error) {
	p, ok := ctx.Value(placeKey{}).(Place)
	if !ok {
		return func(context.Context) error { return nil }
	}
	p.Leave()
	return p.Return
}
