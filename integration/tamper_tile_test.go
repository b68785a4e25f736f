package integration

import (
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"

	pb "alkalog/proto/alkalogv1"
)

// Attack: somebody changes a tile. Only this log is halted, also when a server starts.

// TestChangedTile: a tile is changed and no entry. The copy of an auditor is made
// from the entries and holds; the server proves nothing from such a tile and
// builds on it no more.
func TestChangedTile(t *testing.T) {
	t.Parallel()
	a := newTamperedChain(t)
	damage(t, a.testServer, "log_tiles", "update log_tiles set hashes = set_byte(hashes, 40, 255 - get_byte(hashes, 40))")
	if got := a.verifyCopy(t, a.kept); got != "" {
		t.Errorf("the entries are those that were signed: %s", got)
	}
	a.decision(t, brokenSkin)
	eventually(t, "the log to be halted", func() bool {
		return len(bodies(t, a.sql, "select root from log_heads where halted like '%do not add up to the root that was signed%'")) == 1
	})
}

// TestChangedTileClosesOneLog: a server that starts with a file of checkpoints, and
// finds a tile changed, refuses proofs of that log and goes on with the other.
func TestChangedTileClosesOneLog(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	s.checkpoints = filepath.Join(t.TempDir(), "checkpoints")
	ebb, mill := s.newChain(t, "ebb-and-flow"), s.newChain(t, "mill-race")
	a := tamperedChain{chain: ebb}
	a.restarted(t)
	refused := ebb.decision(t, brokenSkin)
	mill.decision(t, brokenSkin)
	s.waitLogged(t)
	a.restarted(t) // what was seen is in the file
	damage(t, s, "log_tiles", "update log_tiles set hashes = set_byte(hashes, 40, 255 - get_byte(hashes, 40)) where chain = 'ebb-and-flow'")
	said := a.restarted(t)

	entry := ebb.entries(t, `decision = "`+refused.Name+`"`)[0]
	wantError(t, "a proof", mustFail(t, ebb.vesna, ebb.audit.GetInclusionProof, &pb.GetInclusionProofRequest{Name: entry.Name}), codes.DataLoss, "LOG_DAMAGED")
	if !strings.Contains(said.String(), "a log is damaged") || !strings.Contains(said.String(), "chain=ebb-and-flow") {
		t.Errorf("the server does not say so: %s", said)
	}
	ebb.decision(t, brokenSkin) // what happens is recorded all the same
	before := must(t, mill.odile, mill.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: mill.name})
	mill.decision(t, brokenSkin)
	if grown := mill.covered(t, before.TreeSize+1); grown.TreeSize <= before.TreeSize {
		t.Error("the other log does not go on")
	}
	eventually(t, "the damaged log to be halted and the lists to say so", func() bool {
		answer := must(t, ebb.odile, ebb.audit.ListEntries, &pb.ListEntriesRequest{Parent: ebb.name, PageSize: 1})
		return strings.Contains(answer.GetCheck().GetHalted(), "do not add up")
	})
	if sound := must(t, mill.odile, mill.audit.ListEntries, &pb.ListEntriesRequest{Parent: mill.name, PageSize: 1}).GetCheck(); sound.GetHalted() != "" {
		t.Errorf("the other log is said to be halted: %v", sound)
	}
}
