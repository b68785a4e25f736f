package sequencer

import (
	"strings"
	"testing"
)

// TestInspection: what was slipped in, taken away or changed under its entry is
// told of by whoever keeps the log, by ids alone.
func TestInspection(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	q := b.open(t, "")
	b.write(t, "ebb", 1200) // more than is looked at at a time
	run(t, q)
	b.integrated(t)
	if err := q.inspect(t.Context()); err != nil || strings.Contains(b.log.String(), "do not fit") {
		t.Fatalf("an honest log: %v, %s", err, b.log)
	}
	for _, statement := range []string{
		"alter table audit_entries disable trigger all",
		"delete from audit_entries where position = 2",
		"update audit_entries set body = body || '\\x7a0178' where position in (5, 1150)",
		"insert into audit_entries (chain, parent, id, etag, body, kind, record_time, position) overriding system value values ('ebb', '', 'made-up', '', '', 'ENTRY_KIND_ALARM', now(), 3)",
		"insert into audit_entries (chain, parent, id, etag, body, kind, decision, record_time, cause_digest, position) overriding system value values ('ebb', '', 'causeless', '', '', 'ENTRY_KIND_REFUSAL', 'chains/ebb/clients/k/decisions/d', now(), '', 4)",
	} {
		if _, err := b.sql.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
	if err := q.inspect(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"slipped in", "made-up", "taken away: they are", "is not what its entry says", "causeless", "they are not what was signed"} {
		if !strings.Contains(b.log.String(), want) {
			t.Errorf("nothing is told of %q: %s", want, b.log)
		}
	}
}

// TestInspectionLooksBehindTheEnd: what was slipped in behind the last entry of a
// log, where the leader has been already, is told of too.
func TestInspectionLooksBehindTheEnd(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	q := b.open(t, "")
	b.write(t, "ebb", 2)
	b.write(t, "flow", 3)
	run(t, q)
	b.integrated(t)
	if err := q.inspect(t.Context()); err != nil || strings.Contains(b.log.String(), "do not fit") {
		t.Fatalf("an honest log: %v, %s", err, b.log)
	}
	slip := `insert into audit_entries (chain, parent, id, etag, body, kind, record_time, position) overriding system value
		values ('ebb', '', 'made-up', '', '', 'ENTRY_KIND_ALARM', now(), 4)`
	if _, err := b.sql.ExecContext(t.Context(), slip); err != nil {
		t.Fatal(err)
	}
	if err := q.inspect(t.Context()); err != nil || !strings.Contains(b.log.String(), "made-up") {
		t.Errorf("nothing is told of it: %v, %s", err, b.log)
	}
}

// TestInspectionFindsDamagedTiles: also tiles that nothing is built on any more.
func TestInspectionFindsDamagedTiles(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	q := b.open(t, "")
	b.write(t, "ebb", 600)
	run(t, q)
	b.integrated(t)
	damage := "alter table log_tiles disable trigger all; update log_tiles set hashes = set_byte(hashes, 5, 255 - get_byte(hashes, 5)) where level = 0 and index = 1"
	if _, err := b.sql.ExecContext(t.Context(), damage); err != nil {
		t.Fatal(err)
	}
	if err := q.inspect(t.Context()); err != nil || !strings.Contains(b.log.String(), "do not add up") {
		t.Errorf("%v, %s", err, b.log)
	}
	if _, err := b.sql.ExecContext(t.Context(), "alter table log_heads disable trigger all; update log_heads set root = sha256('made up')"); err != nil {
		t.Fatal(err)
	}
	if err := q.inspect(t.Context()); err != nil || !strings.Contains(b.log.String(), "is not the one that was signed") {
		t.Errorf("%v, %s", err, b.log)
	}
}
