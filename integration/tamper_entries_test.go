package integration

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"

	pb "alkalog/proto/alkalogv1"
)

// Attack: somebody with all rights in the database changes, deletes, inserts or
// reorders entries.

// inserted copies an entry under another id, to a place on the log.
const inserted = `insert into audit_entries (chain, parent, id, etag, body, kind, record_time, position) overriding system value
	select chain, parent, 'made-up', etag, body, 'ENTRY_KIND_DEVIATION', record_time, position from audit_entries order by position limit 1`

// TestTamperingShowsByItself: what changes the entries under the checkpoint that
// the server still has is found without any other.
func TestTamperingShowsByItself(t *testing.T) {
	t.Parallel()
	for name, attack := range map[string]struct {
		do   func(t *testing.T, a tamperedChain)
		want string
	}{
		"an entry is changed": {func(t *testing.T, a tamperedChain) {
			damage(t, a.testServer, "audit_entries", "update audit_entries set body = body || '\\x7a0178' where id = (select id from log_entries where place = 3)")
		}, "it is not the entry that was signed for this index"},
		"an entry is made unreadable": {func(t *testing.T, a tamperedChain) {
			damage(t, a.testServer, "audit_entries", "update audit_entries set body = '\\xff' where id = (select id from log_entries where place = 3)")
			wantError(t, "a list of it", mustFail(t, a.vesna, a.audit.ListEntries, &pb.ListEntriesRequest{Parent: a.name}), codes.DataLoss, "RECORD_UNREADABLE")
		}, "entry 3, tile/entries/000.p/22: it is not the entry that was signed for this index"},
		"an entry is deleted": {func(t *testing.T, a tamperedChain) {
			gone := a.entries(t, "")[3]
			damage(t, a.testServer, "audit_entries", "delete from audit_entries where id = (select id from log_entries where place = 3)")
			wantError(t, "a proof of it", mustFail(t, a.vesna, a.audit.GetInclusionProof, &pb.GetInclusionProofRequest{Name: gone.Name}), codes.DataLoss, "LOG_DAMAGED")
		}, "entry 3, tile/entries/000.p/22: it is missing"},
		"an entry is deleted, and the others move up": {func(t *testing.T, a tamperedChain) {
			damage(t, a.testServer, "audit_entries", "delete from audit_entries where id = (select id from log_entries where place = 3)")
			damage(t, a.testServer, "log_entries", "delete from log_entries where place = 3",
				"update log_entries set place = place + 1000 where place > 3", "update log_entries set place = place - 1001 where place > 1000")
		}, "entry 3, tile/entries/000.p/"},
		"an entry is slipped in": {func(t *testing.T, a tamperedChain) {
			damage(t, a.testServer, "audit_entries", inserted)
			damage(t, a.testServer, "log_entries", "update log_entries set place = place + 1000 where place > 3", "update log_entries set place = place - 999 where place > 1000",
				"insert into log_entries (chain, place, id) values ('ebb-and-flow', 4, 'made-up')")
		}, "it was signed for index 4"},
		"two entries change places": {func(t *testing.T, a tamperedChain) {
			damage(t, a.testServer, "log_entries", "update log_entries set place = place + 1000 where place in (2, 5)", "update log_entries set place = 1007 - place where place > 1000")
		}, "it was signed for index 5"},
		"an entry is changed and the whole tree made anew, without the key": {func(t *testing.T, a tamperedChain) {
			a.rewrite(t, nil)
		}, "entries were changed and the tiles recomputed"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := newTamperedChain(t)
			if was := a.verifyCopy(t, "") + a.verifyCopy(t, a.kept); was != "" {
				t.Fatalf("before the attack: %s", was)
			}
			attack.do(t, a)
			for _, against := range []string{"", a.kept} {
				if got := a.verifyCopy(t, against); !strings.Contains(got, attack.want) {
					t.Errorf("with a checkpoint of before: %v: found %q, want %q", against != "", got, attack.want)
				}
			}
		})
	}
}

// TestServerFindsChangedEntries: the server that keeps the log holds the entries
// against it too, soon after it has started and every hour, and tells which were
// changed; it needs no auditor for that, and does not replace one.
func TestServerFindsChangedEntries(t *testing.T) {
	t.Parallel()
	a := newTamperedChain(t)
	changed := a.entries(t, `kind = "REFUSAL"`)[3]
	damage(t, a.testServer, "audit_entries", fmt.Sprintf("update audit_entries set body = body || '\\x7a0178' where id = '%s'", last(changed.Name)))
	reported := a.restarted(t)
	eventually(t, "it to be told", func() bool {
		return strings.Contains(reported.String(), "they are not what was signed") && strings.Contains(reported.String(), last(changed.Name))
	})
}
