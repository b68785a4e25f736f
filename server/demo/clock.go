package demo

import (
	"sync"
	"time"
)

// clock is the salon's clock. It stands still until the story moves it, so that a
// service of an hour and a visit nine weeks later take seconds, and every run
// prints the same times. The server reads it from many goroutines.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

// Now returns the time in the salon. It is the clock of the server as well: two
// clocks would show as a deviation.
func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// advance moves the clock forward. The server reads the new time with its next
// call.
func (c *clock) advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// moveTo moves the clock forward to a time; one that has passed changes nothing.
func (c *clock) moveTo(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if t.After(c.now) {
		c.now = t
	}
}
