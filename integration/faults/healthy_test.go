package faults

import (
	"testing"

	"alkalog/storage/storagetest"
)

// TestHealthy runs the load while nothing is broken: nothing may be found, nor when the
// stored history is judged again.
func TestHealthy(t *testing.T) {
	t.Parallel()
	c := newCluster(t, storagetest.NewDatabase(t), serverBinary(t, ""), 2)
	l := newLoad(t, newSeed(t), c.targets())
	l.start()
	l.until(600)
	h := l.finish()
	r := check(t, h, c.place(t))
	r.require(t)
	if r.Acknowledged < 600 || r.Attempts < r.Acknowledged {
		t.Errorf("600 changes were waited for, and the report has %v", r)
	}
	again := judgeStored(t, h.Dir)
	if again.Acknowledged != r.Acknowledged || len(again.Violations) != len(r.Violations) {
		t.Errorf("judged again, the history gives %v", again)
	}
}
