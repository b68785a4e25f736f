package integration

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/verify"
	"alkalog/service/ledger"
	"alkalog/storage/storagetest"
)

// The promise: whatever somebody does who may do anything in the database, an
// auditor with a checkpoint from before finds out; and where one without it
// cannot, these tests say so.

// scene of an attack: a log of ten entries of how the chain began and eight
// refusals, whose checkpoint the auditor has
// kept, and four more since.
type attacked struct {
	*chain
	kept string
}

func newAttacked(t *testing.T) attacked {
	t.Helper()
	s := newSite(t)
	a := attacked{chain: s.newChain(t, "ebb-and-flow")}
	for range 8 {
		a.decision(t, brokenSkin)
	}
	s.integrated(t)
	a.kept = must(t, a.odile, a.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: a.name}).Checkpoint
	for range 4 {
		a.decision(t, brokenSkin)
	}
	s.integrated(t)
	return a
}

// verdict is what an auditor finds: what stopped the copy, or what verify says
// of it, or nothing.
func (a attacked) verdict(t *testing.T, against string) string {
	t.Helper()
	report, err := a.audited(t, against)
	if err != nil {
		return "no copy: " + err.Error()
	}
	return said(report)
}

// said is what a report says, in a line.
func said(r verify.Report) string {
	var lines []string
	for _, f := range r.Faults {
		lines = append(lines, f.String())
	}
	return strings.Join(lines, "; ")
}

// inserted copies an entry under another id, to a place on the log.
const inserted = `insert into audit_entries (chain, parent, id, etag, body, kind, record_time, position) overriding system value
	select chain, parent, 'made-up', etag, body, 'ENTRY_KIND_DEVIATION', record_time, position from audit_entries order by position limit 1`

// TestTamperingShowsByItself: what changes the entries under the checkpoint that
// the server still has is found without any other.
func TestTamperingShowsByItself(t *testing.T) {
	t.Parallel()
	for name, attack := range map[string]struct {
		do   func(t *testing.T, a attacked)
		want string
	}{
		"an entry is changed": {func(t *testing.T, a attacked) {
			damage(t, a.site, "audit_entries", "update audit_entries set body = body || '\\x7a0178' where id = (select id from log_entries where place = 3)")
		}, "it is not the entry that was signed for this place"},
		"an entry is made unreadable": {func(t *testing.T, a attacked) {
			damage(t, a.site, "audit_entries", "update audit_entries set body = '\\xff' where id = (select id from log_entries where place = 3)")
			wantError(t, "a list of it", fails(t, a.vesna, a.audit.ListEntries, &pb.ListEntriesRequest{Parent: a.name}), codes.DataLoss, "RECORD_UNREADABLE")
		}, "entry 3, tile/entries/000.p/22: it is not the entry that was signed for this place"},
		"an entry is deleted": {func(t *testing.T, a attacked) {
			gone := a.entries(t, "")[3]
			damage(t, a.site, "audit_entries", "delete from audit_entries where id = (select id from log_entries where place = 3)")
			wantError(t, "a proof of it", fails(t, a.vesna, a.audit.GetInclusionProof, &pb.GetInclusionProofRequest{Name: gone.Name}), codes.DataLoss, "LOG_DAMAGED")
		}, "entry 3, tile/entries/000.p/22: it is missing"},
		"an entry is deleted, and the others move up": {func(t *testing.T, a attacked) {
			damage(t, a.site, "audit_entries", "delete from audit_entries where id = (select id from log_entries where place = 3)")
			damage(t, a.site, "log_entries", "delete from log_entries where place = 3",
				"update log_entries set place = place + 1000 where place > 3", "update log_entries set place = place - 1001 where place > 1000")
		}, "entry 3, tile/entries/000.p/"},
		"an entry is slipped in": {func(t *testing.T, a attacked) {
			damage(t, a.site, "audit_entries", inserted)
			damage(t, a.site, "log_entries", "update log_entries set place = place + 1000 where place > 3", "update log_entries set place = place - 999 where place > 1000",
				"insert into log_entries (chain, place, id) values ('ebb-and-flow', 4, 'made-up')")
		}, "it was signed for place 4"},
		"two entries change places": {func(t *testing.T, a attacked) {
			damage(t, a.site, "log_entries", "update log_entries set place = place + 1000 where place in (2, 5)", "update log_entries set place = 1007 - place where place > 1000")
		}, "it was signed for place 5"},
		"an entry is changed and the whole tree made anew, without the key": {func(t *testing.T, a attacked) {
			a.rewrite(t, nil)
		}, "entries were changed and the tiles made anew"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := newAttacked(t)
			if was := a.verdict(t, "") + a.verdict(t, a.kept); was != "" {
				t.Fatalf("before the attack: %s", was)
			}
			attack.do(t, a)
			for _, against := range []string{"", a.kept} {
				if got := a.verdict(t, against); !strings.Contains(got, attack.want) {
					t.Errorf("with a checkpoint of before: %v: found %q, want %q", against != "", got, attack.want)
				}
			}
		})
	}
}

// rewrite changes what the fourth entry says and makes tiles, root and, with the
// key, the checkpoint anew, so that nothing in the database contradicts another.
func (a attacked) rewrite(t *testing.T, keys []ledger.PrivateKey) {
	t.Helper()
	stored := bodies(t, a.sql, "select body from log_entries join audit_entries using (chain, id) order by place")
	forged := &pb.AuditEntry{}
	if err := proto.Unmarshal(stored[3], forged); err != nil {
		t.Fatal(err)
	}
	forged.Summary = "All was well."
	body, err := proto.Marshal(forged)
	if err != nil {
		t.Fatal(err)
	}
	stored[3] = body
	leaves := make([]ledger.Hash, len(stored))
	for i, s := range stored {
		leaves[i] = ledger.LeafHash(s)
	}
	head, tiles, err := ledger.Empty().Append(nil, leaves)
	if err != nil {
		t.Fatal(err)
	}
	damage(t, a.site, "audit_entries", fmt.Sprintf(`update audit_entries set body = '\x%x' where id = (select id from log_entries where place = 3)`, body))
	for _, tile := range tiles {
		damage(t, a.site, "log_tiles", fmt.Sprintf(`update log_tiles set hashes = '\x%x' where level = %d and index = %d`, tile.Hashes, tile.Level, tile.Index))
	}
	damage(t, a.site, "log_heads", fmt.Sprintf(`update log_heads set root = '\x%x'`, head.Root[:]))
	if keys == nil {
		return
	}
	signed, err := ledger.Checkpoint{Origin: keys[0].Name(), Head: head}.Sign(keys)
	if err != nil {
		t.Fatal(err)
	}
	damage(t, a.site, "log_heads", fmt.Sprintf(`update log_heads set checkpoint = '\x%x'`, signed))
}

// chainKeys are the keys of the chain's log, as one has them who has stolen the
// key file.
func (s *site) chainKeys(t *testing.T, chain string) []ledger.PrivateKey {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(s.keys, "log"))
	if err != nil {
		t.Fatal(err)
	}
	key, err := ledger.ParsePrivateKey(strings.TrimSpace(string(text)))
	if err == nil {
		key, err = key.For(chain)
	}
	if err != nil {
		t.Fatal(err)
	}
	return []ledger.PrivateKey{key}
}

// TestRewritingWithTheKey is where the honest limit is: who may do anything in
// the database and has the key makes up another history, and by itself it holds.
// A checkpoint of before shows it.
func TestRewritingWithTheKey(t *testing.T) {
	t.Parallel()
	a := newAttacked(t)
	a.rewrite(t, a.chainKeys(t, "ebb-and-flow"))
	if got := a.verdict(t, ""); got != "" {
		t.Errorf("without a checkpoint of before it is found to be false, which nobody can know: %s", got)
	}
	if got := a.verdict(t, a.kept); !strings.Contains(got, "the history was rewritten, or there are two") {
		t.Errorf("with a checkpoint of before: %q", got)
	}
}

// TestTwoHistories: two servers with the same key and a database each give out
// two histories. Each holds by itself; a checkpoint of the one shows the other.
func TestTwoHistories(t *testing.T) {
	t.Parallel()
	one, two := newAttacked(t), attacked{}
	s := &site{clock: one.clock, database: storagetest.NewDatabase(t), keys: one.keys}
	s.sql = s.database.SQL(t, "")
	s.start(t)
	two.chain = s.newChain(t, "ebb-and-flow")
	for range 10 {
		two.decision(t, brokenSkin)
	}
	s.integrated(t)
	two.kept = must(t, two.odile, two.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: two.name}).Checkpoint
	for _, a := range []attacked{one, two} {
		if got := a.verdict(t, "") + a.verdict(t, a.kept); got != "" {
			t.Errorf("by itself: %s", got)
		}
	}
	for _, got := range []string{one.verdict(t, two.kept), two.verdict(t, one.kept)} {
		if !strings.Contains(got, "the history was rewritten, or there are two") {
			t.Errorf("against a checkpoint of the other: %q", got)
		}
	}
}

// TestCutOff: the newest entries are cut off, as by a backup that was restored,
// with the checkpoint of then. By itself that holds; one of before shows it.
func TestCutOff(t *testing.T) {
	t.Parallel()
	a := newAttacked(t)
	newest := must(t, a.odile, a.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: a.name}).Checkpoint
	early := signed(t, a.kept, a.chainPublic(t))
	damage(t, a.site, "audit_entries", fmt.Sprintf("delete from audit_entries where id in (select id from log_entries where place >= %d)", early.Size))
	damage(t, a.site, "log_entries", fmt.Sprintf("delete from log_entries where place >= %d", early.Size))
	damage(t, a.site, "log_tiles", fmt.Sprintf("update log_tiles set hashes = substring(hashes from 1 for %d)", early.Size*32))
	damage(t, a.site, "log_heads", fmt.Sprintf(`update log_heads set size = %d, root = '\x%x', checkpoint = '\x%x'`, early.Size, early.Root[:], a.kept))
	if got := a.verdict(t, "") + a.verdict(t, a.kept); got != "" {
		t.Errorf("without a newer checkpoint it is found to be false, which nobody can know: %s", got)
	}
	if got := a.verdict(t, newest); !strings.Contains(got, fmt.Sprintf("the log had %d entries when the earlier checkpoint was signed and has %d now", signed(t, newest, a.chainPublic(t)).Size, early.Size)) {
		t.Errorf("with a newer checkpoint: %q", got)
	}
}

// chainPublic are the public keys of the chain's log.
func (a attacked) chainPublic(t *testing.T) []string {
	return []string{a.chainKeys(t, "ebb-and-flow")[0].Public().String()}
}

// TestChangedTile: a tile is changed and no entry. The copy of an auditor is made
// from the entries and holds; the server proves nothing from such a tile and
// builds on it no more.
func TestChangedTile(t *testing.T) {
	t.Parallel()
	a := newAttacked(t)
	damage(t, a.site, "log_tiles", "update log_tiles set hashes = set_byte(hashes, 40, 255 - get_byte(hashes, 40))")
	if got := a.verdict(t, a.kept); got != "" {
		t.Errorf("the entries are those that were signed: %s", got)
	}
	a.decision(t, brokenSkin)
	eventually(t, "the log to be halted", func() bool {
		return len(bodies(t, a.sql, "select root from log_heads where halted like '%do not add up to the root that was signed%'")) == 1
	})
}

// TestDecisionWithoutItsRecord: a decision is deleted, and its entry is not. The
// log holds, since nothing on it was changed; the entry still says what was
// refused, and whoever keeps the log tells that its cause is gone.
func TestDecisionWithoutItsRecord(t *testing.T) {
	t.Parallel()
	a := newAttacked(t)
	entry := a.entries(t, `kind = "REFUSAL"`)[2]
	damage(t, a.site, "decisions", fmt.Sprintf("delete from decisions where id = '%s'", last(entry.Decision)))
	if got := a.verdict(t, "") + a.verdict(t, a.kept); got != "" {
		t.Errorf("the log is what was signed: %s", got)
	}
	told := a.restarted(t)
	eventually(t, "it to be told", func() bool {
		return strings.Contains(told.String(), "is not what its entry says") && strings.Contains(told.String(), last(entry.Name))
	})
	if strings.Contains(told.String(), "Canary") {
		t.Error("personal data are on the server's log")
	}
}

// TestServerFindsChangedEntries: the server that keeps the log holds the entries
// against it too, soon after it has started and every hour, and tells which were
// changed; it needs no auditor for that, and does not replace one.
func TestServerFindsChangedEntries(t *testing.T) {
	t.Parallel()
	a := newAttacked(t)
	changed := a.entries(t, `kind = "REFUSAL"`)[3]
	damage(t, a.site, "audit_entries", fmt.Sprintf("update audit_entries set body = body || '\\x7a0178' where id = '%s'", last(changed.Name)))
	told := a.restarted(t)
	eventually(t, "it to be told", func() bool {
		return strings.Contains(told.String(), "they are not what was signed") && strings.Contains(told.String(), last(changed.Name))
	})
}

// TestEntryByHand is a limit too: an entry that somebody writes into the database
// by hand comes onto the log as any other does. The log shows what was written
// down, when, and that it was not changed since; not that it is true.
func TestEntryByHand(t *testing.T) {
	t.Parallel()
	a := newAttacked(t)
	forged := a.entries(t, "")[0]
	forged.Name = a.name + "/entries/made-up"
	body, err := proto.Marshal(forged)
	if err != nil {
		t.Fatal(err)
	}
	damage(t, a.site, "audit_entries", fmt.Sprintf(`insert into audit_entries (chain, parent, id, etag, body, kind, record_time)
		values ('ebb-and-flow', '', 'made-up', '', '\x%x', 'ENTRY_KIND_DEVIATION', now())`, body))
	a.integrated(t)
	if got := a.verdict(t, "") + a.verdict(t, a.kept); got != "" {
		t.Errorf("what was slipped in at the end is found, which nobody can know: %s", got)
	}
}

// restarted starts the server anew, and returns what it says from then on.
func (a attacked) restarted(t *testing.T) *told {
	t.Helper()
	a.stop()
	says := new(told)
	a.logger = slog.New(slog.NewTextHandler(says, nil))
	a.start(t)
	return says
}

// told is what a server says, which can be read while it does.
type told struct {
	mu   sync.Mutex
	text strings.Builder
}

func (w *told) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.Write(p)
}

func (w *told) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.String()
}
