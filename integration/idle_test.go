package integration

import (
	"testing"
	"time"
)

// idleTransactions is how many transactions a server may make in a minute in which
// nobody calls it: what its loops look at by themselves, each about once a second. Our own choice.
const idleTransactions = 1000

// TestIdleServerIsQuiet counts the transactions of a server that nobody calls. It
// bounds their number and no time: a slow machine makes fewer.
func TestIdleServerIsQuiet(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	c.decision(t, brokenSkin)
	s.waitLogged(t)
	transactions := func() (n int64) {
		t.Helper()
		err := s.sql.QueryRowContext(t.Context(), "select xact_commit + xact_rollback from pg_stat_database where datname = current_database()").Scan(&n)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	const window = 6 * time.Second // longer than everything that happens every five seconds
	before, end := transactions(), time.NewTimer(window)
	defer end.Stop()
	<-end.C
	n := transactions() - before
	t.Logf("%d transactions in %v", n, window)
	if limit := int64(idleTransactions * window / time.Minute); n > limit {
		t.Errorf("%d transactions in %v, want at most %d", n, window, limit)
	}
}
