package sequencer

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/storage"
)

// fill makes a log of n entries and returns the file of what was seen of it.
func (b *bench) fill(t *testing.T, n int) string {
	t.Helper()
	seen := filepath.Join(t.TempDir(), "kept", "checkpoints")
	stop := run(t, b.open(t, seen))
	b.write(t, "ebb", n)
	b.integrated(t)
	stop()
	return seen
}

// A server that comes back to the database it has left finds nothing amiss,
// no matter who has extended the log meanwhile and which keys it has now.
func TestComingBack(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	seen := b.fill(t, 5)
	if q := b.open(t, seen); q.RolledBackFrom("ebb") != nil || len(q.checkpoints.byChain) != 1 || q.checkpoints.byChain["ebb"].Size != 5 {
		t.Errorf("seen: %+v", q.checkpoints)
	}
	stop := run(t, b.open(t, ""))
	b.write(t, "ebb", 300)
	b.integrated(t)
	for _, seeds := range [][]byte{{2, 1}, {2}} {
		writeKeys(t, b.keyFile, seeds...)
		eventually(t, "the keys to be handed over", func() bool {
			heads, err := storage.ChangedHeads(t.Context(), b.db, 0, 1)
			return err == nil && len(strings.Split(heads[0].Keys, "\n")) == len(seeds)
		})
	}
	stop()
	if q := b.open(t, seen); q.RolledBackFrom("ebb") != nil || q.checkpoints.byChain["ebb"].Size != 305 {
		t.Errorf("rolled back: %v", q.checkpoints.rollbacks)
	}
}

// A database that is not what was seen of it is recognised before anything is
// written to it, and is read only until somebody accepts that very difference.
func TestAnotherDatabase(t *testing.T) {
	for name, c := range map[string]struct {
		change func(t *testing.T, b *bench)
		why    string
	}{
		"an empty one":        {func(*testing.T, *bench) {}, "is gone"},
		"one with less":       {func(t *testing.T, b *bench) { b.fill(t, 3) }, "had 5 entries and has 3"},
		"another of its size": {func(t *testing.T, b *bench) { b.fill(t, 5) }, "have changed"},
		"another with more":   {func(t *testing.T, b *bench) { b.fill(t, 300) }, "have changed"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			seen := newBench(t).fill(t, 5)
			other := newBench(t)
			c.change(t, other)
			q := other.open(t, seen)
			checkpoint := q.RolledBackFrom("ebb")
			if checkpoint == nil || !strings.Contains(q.checkpoints.rollbacks["ebb"].Error(), c.why) {
				t.Fatalf("rolled back: %v, want %q", q.checkpoints.rollbacks, c.why)
			}
			other.wantReadOnly(t, q)
			if q.mayLead() {
				t.Error("it would keep the log")
			}
			before := readFile(t, seen)
			if err := q.checkHeads(t.Context()); err != nil || readFile(t, seen) != before {
				t.Errorf("what was seen is forgotten: %v", err)
			}
			accepts(t, q, "some other checkpoint")
			if err := q.CheckAccepted(t.Context()); err != nil || q.RolledBackFrom("ebb") == nil {
				t.Errorf("the acceptance of another difference counts: %v", err)
			}
			accepts(t, q, string(checkpoint))
			second := other.open(t, copyOf(t, seen)) // the same old file, and the entry is there
			if err := q.CheckAccepted(t.Context()); err != nil || q.RolledBackFrom("ebb") != nil || second.RolledBackFrom("ebb") != nil {
				t.Errorf("accepted, and yet: %v, %v, %v", err, q.checkpoints.rollbacks, second.checkpoints.rollbacks)
			}
			if err := q.cfg.DB.Writable(); err != nil || !q.mayLead() {
				t.Errorf("accepted, and yet: %v", err)
			}
			if again := other.open(t, seen); again.RolledBackFrom("ebb") != nil {
				t.Errorf("accepted, and later: %v", again.checkpoints.rollbacks)
			}
		})
	}
}

// TestDamagedLogConcernsItselfAlone: a log whose tiles or whose head are not what
// was signed is named and not built upon, also by a server that starts, and the
// other logs go on.
func TestDamagedLogConcernsItselfAlone(t *testing.T) {
	for name, c := range map[string]struct{ damage, why string }{
		"a tile is changed":    {"update log_tiles set hashes = set_byte(hashes, 5, 255 - get_byte(hashes, 5)) where chain = 'ebb'", "do not add up"},
		"the head is changed":  {"update log_heads set root = sha256('made up') where chain = 'ebb'", "is not the one that was signed"},
		"the head is enlarged": {"update log_heads set size = size + 1 where chain = 'ebb'", "is not the one that was signed"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t)
			b.write(t, "flow", 3)
			seen := b.fill(t, 5)
			if _, err := b.sql.ExecContext(t.Context(), "alter table log_tiles disable trigger all; alter table log_heads disable trigger all; "+c.damage); err != nil {
				t.Fatal(err)
			}
			q := b.open(t, seen)
			if err := q.cfg.DB.Writable(); err != nil || !q.mayLead() || q.RolledBackFrom("ebb") != nil {
				t.Fatalf("the whole installation is closed: %v, %v", err, q.checkpoints.rollbacks)
			}
			run(t, q)
			b.write(t, "flow", 2)
			b.write(t, "ebb", 1)
			eventually(t, "the other log to go on and this one to be halted", func() bool {
				states := map[string]Status{}
				for _, s := range q.Status() {
					states[s.Chain] = s
				}
				ebb, flow := states["ebb"], states["flow"]
				return flow.Size == 5 && flow.Healthy() && ebb.Halted != "" && ebb.Pending == 1 && ebb.Lag > 0 && strings.Contains(ebb.Damaged, c.why)
			})
			if again := b.open(t, seen); again.cfg.DB.Writable() != nil || !again.mayLead() {
				t.Error("a server that starts with a halted log closes the whole installation")
			}
		})
	}
}

// An acceptance that somebody has made unreadable accepts nothing, and does not
// stand in the way of one that does.
func TestUnreadableAcceptance(t *testing.T) {
	t.Parallel()
	seen := newBench(t).fill(t, 5)
	b := newBench(t)
	b.write(t, "ebb", 1)
	spoil := "alter table audit_entries disable trigger all; update audit_entries set kind = 'ENTRY_KIND_RESTORED', body = '\\xff'"
	if _, err := b.sql.ExecContext(t.Context(), spoil); err != nil {
		t.Fatal(err)
	}
	q := b.open(t, seen)
	b.wantReadOnly(t, q)
	accepts(t, q, string(q.RolledBackFrom("ebb")))
	if err := q.CheckAccepted(t.Context()); err != nil || q.cfg.DB.Writable() != nil {
		t.Errorf("accepted, and yet: %v, %v", err, q.cfg.DB.Writable())
	}
}

// With the logs of two chains rolled back, both must be accepted.
func TestTwoLogsRolledBack(t *testing.T) {
	t.Parallel()
	was := newBench(t)
	seen := filepath.Join(t.TempDir(), "checkpoints")
	stop := run(t, was.open(t, seen))
	was.write(t, "ebb", 3)
	was.write(t, "flow", 3)
	was.integrated(t)
	stop()
	b := newBench(t)
	q := b.open(t, seen)
	for _, chain := range []string{"ebb", "flow"} {
		if err := q.cfg.DB.Writable(); err == nil {
			t.Errorf("it can be written to before %s is accepted", chain)
		}
		e := &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_RESTORED, RecordTime: timestamppb.Now(), EarlierCheckpoint: string(q.RolledBackFrom(chain))}
		if err := storage.AppendEntries(t.Context(), b.db, chain, e); err != nil {
			t.Fatal(err)
		}
		if err := q.CheckAccepted(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if err := q.cfg.DB.Writable(); err != nil {
		t.Error(err)
	}
}

// A key file without the key of the log is a mistake that nobody can accept.
func TestComingBackWithoutTheKey(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	seen := b.fill(t, 5)
	writeKeys(t, b.keyFile, 7)
	if _, err := Open(t.Context(), b.config(t, seen)); !errors.Is(err, errUnknownSigner) {
		t.Errorf("the server starts: %v", err)
	}
	if _, err := Open(t.Context(), b.config(t, "")); err != nil {
		t.Error(err)
	}
}

// wantReadOnly checks that a sequencer's database takes no changes.
func (b *bench) wantReadOnly(t *testing.T, q *Sequencer) {
	t.Helper()
	if err := q.cfg.DB.Writable(); !errors.Is(err, storage.ErrReadOnly) {
		t.Errorf("it can be written to: %v", err)
	}
	if !strings.Contains(b.log.String(), "writes are blocked until an operator accepts it") {
		t.Errorf("nobody was told: %s", b.log)
	}
}

// accepts puts on the record that the database is accepted as it is.
func accepts(t *testing.T, q *Sequencer, earlier string) {
	t.Helper()
	e := &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_RESTORED, RecordTime: timestamppb.Now(), EarlierCheckpoint: earlier}
	if err := storage.AppendEntries(t.Context(), q.cfg.DB, "ebb", e); err != nil {
		t.Fatal(err)
	}
}

func readFile(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func copyOf(t *testing.T, path string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "copy")
	if err := os.WriteFile(to, []byte(readFile(t, path)), 0o600); err != nil {
		t.Fatal(err)
	}
	return to
}

// A log that is made smaller while the server runs is noticed too.
func TestRollbackWhileRunning(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	q := b.open(t, filepath.Join(t.TempDir(), "checkpoints"))
	run(t, q)
	b.write(t, "ebb", 5)
	b.integrated(t)
	eventually(t, "it to be seen", func() bool {
		q.mu.Lock()
		defer q.mu.Unlock()
		return q.checkpoints.byChain["ebb"].Size == 5
	})
	back := `alter table log_heads disable trigger all; update log_heads set size = 4, revision = nextval('log_revisions')`
	if _, err := b.sql.ExecContext(t.Context(), back); err != nil {
		t.Fatal(err)
	}
	eventually(t, "nothing to be written any more", func() bool { return q.cfg.DB.Writable() != nil })
}

// A backup that is put back under a running server brings older revisions too,
// and is noticed all the same.
func TestPutBackWhileRunning(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	q := b.open(t, filepath.Join(t.TempDir(), "checkpoints"))
	stop := run(t, q)
	b.write(t, "ebb", 3)
	b.integrated(t)
	b.write(t, "ebb", 2)
	b.integrated(t)
	stop()
	if was := q.checkpoints.byChain["ebb"].Size; was != 5 {
		t.Fatalf("%d entries were seen", was)
	}
	for _, statement := range []string{
		"alter table log_heads disable trigger all",
		"update log_heads set size = 3, revision = revision - 1",
		"select setval('log_revisions', (select revision from log_heads))",
	} {
		if _, err := b.sql.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
	if err := q.checkHeads(t.Context()); err != nil || q.cfg.DB.Writable() == nil {
		t.Errorf("it is not noticed: %v", err)
	}
}

// A backup that is put back under a running server, and has more entries than
// were seen by the time that this server looks, is noticed too.
func TestPutBackAndOutgrown(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	seen := b.fill(t, 5)
	q := b.open(t, seen)
	other := newBench(t)
	other.keyFile = b.keyFile
	other.fill(t, 300)
	same := fmt.Sprintf("alter table log_heads disable trigger all; update log_heads set revision = %d", q.checkpoints.revision)
	if _, err := other.sql.ExecContext(t.Context(), same); err != nil {
		t.Fatal(err)
	}
	q.cfg.DB = other.db // as a server goes on whose database was put back
	if err := q.checkHeads(t.Context()); err != nil || q.cfg.DB.Writable() == nil || q.RolledBackFrom("ebb") == nil {
		t.Errorf("it is not noticed: %v, %v", err, q.checkpoints.rollbacks)
	}
	if kept := readFile(t, seen); !strings.Contains(kept, `"size": 5`) {
		t.Errorf("what was seen is forgotten: %s", kept)
	}
}

// A file of checkpoints that is gone is told of, and one that was never there is
// not.
func TestLostFileOfCheckpoints(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	const told = "the checkpoint file does not exist"
	seen := b.fill(t, 2)
	if b.open(t, seen); strings.Contains(b.log.String(), told) {
		t.Errorf("it is missed from the first, or though it is there: %s", b.log)
	}
	if err := os.Remove(seen); err != nil {
		t.Fatal(err)
	}
	if b.open(t, seen); !strings.Contains(b.log.String(), told) {
		t.Errorf("nobody is told: %s", b.log)
	}
}

// A file of checkpoints that cannot be read is not taken for none.
func TestDamagedFileOfCheckpoints(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	seen := filepath.Join(t.TempDir(), "checkpoints")
	if err := os.WriteFile(seen, []byte(`{"logs": {"ebb": `), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), b.config(t, seen)); err == nil {
		t.Error("the server starts")
	}
}

// Keys are made where they may be, and asked for where not; the fresh one of a
// rotation has the name of the old.
func TestKeyFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "keys", "log")
	if _, err := openKeys(path, false); err == nil || !strings.Contains(err.Error(), "alkalog keys") {
		t.Errorf("without a file: %v", err)
	}
	made, err := openKeys(path, true)
	if err != nil || len(made.keys) != 1 {
		t.Fatalf("made %v, %v", made, err)
	}
	found, err := openKeys(path, false)
	if err != nil || found.keys[0].Secret() != made.keys[0].Secret() {
		t.Errorf("found another key, %v", err)
	}
	line, err := keys.NewLogKey([]string{made.keys[0].Secret()})
	if err != nil || line == made.keys[0].Secret() || !strings.HasPrefix(line, "PRIVATE+KEY+"+made.keys[0].Name()+"+") {
		t.Errorf("a fresh key of another name, %v", err)
	}
	if err := os.WriteFile(path, []byte(line+"\n"+line+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := keys.ReadLogKeys(path); err == nil {
		t.Error("a key that stands there twice is taken")
	}
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := keys.ReadLogKeys(path); err == nil {
		t.Error("a file that others can read is taken")
	}
}

// TestOverdue: when nobody puts entries on the log, for whatever reason, every
// server tells of it.
func TestOverdue(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	if _, err := storage.AcquireLease(t.Context(), b.db, time.Hour, "test"); err != nil {
		t.Fatal(err)
	}
	cfg := b.config(t, "")
	cfg.OverdueAfter = time.Millisecond
	q, err := Open(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	var waiting waitingSince
	overdue := func() error {
		state, err := storage.ReadLogState(t.Context(), b.db)
		if err != nil {
			t.Fatal(err)
		}
		return q.checkOverdue(state, &waiting)
	}
	if err := overdue(); err != nil {
		t.Errorf("an empty log: %v", err)
	}
	b.write(t, "ebb", 1)
	eventually(t, "it to be told", func() bool { return overdue() != nil })
	if _, err := b.sql.ExecContext(t.Context(), "update log_leader set lease_end = '-infinity'"); err != nil {
		t.Fatal(err)
	}
	run(t, q)
	b.integrated(t)
	if err := overdue(); err != nil {
		t.Errorf("all is on the log: %v", err)
	}
	if _, err := b.sql.ExecContext(t.Context(), "alter table log_leader disable trigger all; delete from log_leader"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "it to be told", func() bool { return strings.Contains(b.log.String(), "holds the lead is missing") })
}

// A log that is gone is noticed while the server runs, whether the database was put
// back to before its first entry or its head was deleted, and forbids writes at once.
func TestVanishedLogWhileRunning(t *testing.T) {
	for name, also := range map[string]string{
		"deleted":  "select 1",
		"put back": "select setval('log_revisions', 1)",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t)
			b.write(t, "flow", 2)
			seen := b.fill(t, 5)
			q := b.open(t, seen)
			for _, statement := range []string{"alter table log_heads disable trigger all", "delete from log_heads where chain = 'ebb'", also} {
				if _, err := b.sql.ExecContext(t.Context(), statement); err != nil {
					t.Fatal(err)
				}
			}
			if err := q.checkHeads(t.Context()); err != nil || q.RolledBackFrom("ebb") == nil || q.RolledBackFrom("flow") != nil {
				t.Fatalf("rolled back: %v, %v", q.checkpoints.rollbacks, err)
			}
			b.wantReadOnly(t, q)
			if !strings.Contains(q.checkpoints.rollbacks["ebb"].Error(), "is gone") || q.mayLead() {
				t.Errorf("rolled back: %v, may lead: %t", q.checkpoints.rollbacks, q.mayLead())
			}
			accepts(t, q, string(q.RolledBackFrom("ebb")))
			if err := q.checkHeads(t.Context()); err != nil || q.cfg.DB.Writable() != nil {
				t.Errorf("accepted, and yet: %v, %v", err, q.cfg.DB.Writable())
			}
		})
	}
}
