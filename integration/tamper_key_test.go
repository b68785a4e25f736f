package integration

import (
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage/storagetest"
)

// Attack: somebody who has the log's key too makes up another history and signs it, or
// keeps two.

// TestRewritingWithTheKey is shows the limit: somebody with all rights in the database
// and the log's key can make another history that verifies by itself. An earlier
// checkpoint shows it.
func TestRewritingWithTheKey(t *testing.T) {
	t.Parallel()
	a := newTamperedChain(t)
	a.rewrite(t, a.chainKeys(t, "ebb-and-flow"))
	if got := a.verifyCopy(t, ""); got != "" {
		t.Errorf("without a checkpoint of before it is found to be false, which nobody can know: %s", got)
	}
	if got := a.verifyCopy(t, a.kept); !strings.Contains(got, "the history was rewritten, or there are two") {
		t.Errorf("with a checkpoint of before: %q", got)
	}
}

// TestTwoHistories: two servers with the same key and different databases serve two
// histories. Each verifies by itself; a checkpoint of one shows the other.
func TestTwoHistories(t *testing.T) {
	t.Parallel()
	one, two := newTamperedChain(t), tamperedChain{}
	s := &testServer{clock: one.clock, database: storagetest.NewDatabase(t), keys: one.keys}
	s.sql = s.database.SQL(t, "")
	s.start(t)
	two.chain = s.newChain(t, "ebb-and-flow")
	for range 10 {
		two.decision(t, brokenSkin)
	}
	s.waitLogged(t)
	two.kept = must(t, two.odile, two.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: two.name}).Checkpoint
	for _, a := range []tamperedChain{one, two} {
		if got := a.verifyCopy(t, "") + a.verifyCopy(t, a.kept); got != "" {
			t.Errorf("by itself: %s", got)
		}
	}
	for _, got := range []string{one.verifyCopy(t, two.kept), two.verifyCopy(t, one.kept)} {
		if !strings.Contains(got, "the history was rewritten, or there are two") {
			t.Errorf("against a checkpoint of the other: %q", got)
		}
	}
}
