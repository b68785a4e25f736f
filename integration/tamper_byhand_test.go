package integration

import (
	"fmt"
	"testing"

	"google.golang.org/protobuf/proto"
)

// Attack: somebody writes an untrue entry by hand.

// TestEntryByHand is a limit too: an entry that somebody writes into the database by
// hand is put on the log like any other. The log shows what was written, when, and that
// it was not changed since; it cannot show that it is true.
func TestEntryByHand(t *testing.T) {
	t.Parallel()
	a := newTamperedChain(t)
	forged := a.entries(t, "")[0]
	forged.Name = a.name + "/entries/made-up"
	body, err := proto.Marshal(forged)
	if err != nil {
		t.Fatal(err)
	}
	damage(t, a.testServer, "audit_entries", fmt.Sprintf(`insert into audit_entries (chain, parent, id, etag, body, kind, record_time)
		values ('ebb-and-flow', '', 'made-up', '', '\x%x', 'ENTRY_KIND_DEVIATION', now())`, body))
	a.waitLogged(t)
	if got := a.verifyCopy(t, "") + a.verifyCopy(t, a.kept); got != "" {
		t.Errorf("what was slipped in at the end is found, which nobody can know: %s", got)
	}
}
