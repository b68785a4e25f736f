package integration

import (
	"fmt"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// Attack: somebody restores yesterday's backup. What the server does about it is in
// restore_test.go.

// TestCutOff: the newest entries are cut off, as by a backup that was restored, with
// the checkpoint of then. Without another checkpoint it verifies; an earlier checkpoint
// shows the loss.
func TestCutOff(t *testing.T) {
	t.Parallel()
	a := newTamperedChain(t)
	newest := must(t, a.odile, a.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: a.name}).Checkpoint
	early := signed(t, a.kept, a.chainPublic(t))
	damage(t, a.testServer, "audit_entries", fmt.Sprintf("delete from audit_entries where id in (select id from log_entries where place >= %d)", early.Size))
	damage(t, a.testServer, "log_entries", fmt.Sprintf("delete from log_entries where place >= %d", early.Size))
	damage(t, a.testServer, "log_tiles", fmt.Sprintf("update log_tiles set hashes = substring(hashes from 1 for %d)", early.Size*32))
	damage(t, a.testServer, "log_heads", fmt.Sprintf(`update log_heads set size = %d, root = '\x%x', checkpoint = '\x%x'`, early.Size, early.Root[:], a.kept))
	if got := a.verifyCopy(t, "") + a.verifyCopy(t, a.kept); got != "" {
		t.Errorf("without a newer checkpoint it is found to be false, which nobody can know: %s", got)
	}
	if got := a.verifyCopy(t, newest); !strings.Contains(got, fmt.Sprintf("the log had %d entries when the earlier checkpoint was signed and has %d now", signed(t, newest, a.chainPublic(t)).Size, early.Size)) {
		t.Errorf("with a newer checkpoint: %q", got)
	}
}
