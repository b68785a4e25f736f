package integration

import (
	"strings"
	"testing"
)

// Attack: somebody makes the whole tree again after an edit, without the key.

// TestRewrittenTreeWithoutTheKey: verification finds it by itself, the server says
// so, and halts that log instead of signing on.
func TestRewrittenTreeWithoutTheKey(t *testing.T) {
	t.Parallel()
	a := newTamperedChain(t)
	a.rewrite(t, nil)
	if got := a.verifyCopy(t, ""); !strings.Contains(got, "entries were changed and the tiles recomputed") {
		t.Errorf("found %q", got)
	}
	a.decision(t, brokenSkin)
	eventually(t, "the log to be halted", func() bool {
		return len(bodies(t, a.sql, "select root from log_heads where halted like '%is not the one that was signed%'")) == 1
	})
	said := a.restarted(t)
	eventually(t, "a server that starts to say so", func() bool { return strings.Contains(said.String(), "is not the one that was signed") })
}
