package sequencer

import (
	"fmt"
	"testing"

	"alkalog/service/ledger"
)

// TestRewrittenTreeIsDamageToItsLog: a tree that was made again without the key
// concerns its log alone, also for a server that has not seen how far the log had
// come: a database that was put back has heads that are signed.
func TestRewrittenTreeIsDamageToItsLog(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	seen := b.fill(t, 5)
	q := b.open(t, seen)
	b.fill(t, 5)
	leaves := make([]ledger.Hash, 10)
	for i := range leaves {
		leaves[i] = ledger.LeafHash([]byte{byte(i)})
	}
	head, tiles, err := ledger.Empty().Append(nil, leaves)
	if err != nil {
		t.Fatal(err)
	}
	statements := []string{"alter table log_heads disable trigger all", "alter table log_tiles disable trigger all"}
	for _, tile := range tiles {
		statements = append(statements, fmt.Sprintf(`update log_tiles set hashes = '\x%x' where level = %d and index = %d`, tile.Hashes, tile.Level, tile.Index))
	}
	statements = append(statements, fmt.Sprintf(`update log_heads set root = '\x%x' where chain = 'ebb'`, head.Root[:]))
	for _, statement := range statements {
		if _, err := b.sql.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
	if err := q.checkHeads(t.Context()); err != nil {
		t.Fatal(err)
	}
	if q.cfg.DB.Writable() != nil || q.RolledBackFrom("ebb") != nil || q.checkpoints.damaged["ebb"] == nil {
		t.Errorf("writable: %v; rolled back: %v; damaged: %v; want damage to the one log and the others written on",
			q.cfg.DB.Writable(), q.checkpoints.rollbacks, q.checkpoints.damaged)
	}
}
