package faults

import (
	"testing"

	"alkalog/storage/storagetest"
)

// TestHealthy runs the load while nothing is broken: nothing may be found.
func TestHealthy(t *testing.T) {
	t.Parallel()
	c := newCluster(t, storagetest.NewDatabase(t), serverBinary(t, ""), 2)
	l := newLoad(t, newSeed(t), c.targets())
	l.start()
	l.until(600)
	check(t, l.finish(), c.place(t)).require(t)
}
