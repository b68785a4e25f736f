package storage_test

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/lib/pq"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// lease is long: nothing here waits for one to end.
const lease = time.Hour

// at is a minute of an invented day.
func at(minute int) *timestamppb.Timestamp {
	return timestamppb.New(time.Date(2026, 11, 25, 9, minute, 0, 0, time.UTC))
}

// TestOneLeads: one server leads until it yields or is not heard of; then
// another does, in a later epoch, and the first can do nothing more.
func TestOneLeads(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	one, two := d.Open(t, storage.Config{MaxConns: 2}), d.Open(t, storage.Config{MaxConns: 2})
	first, err := storage.AcquireLease(t.Context(), one, lease, "test")
	if err != nil || first == 0 {
		t.Fatalf("epoch %d, %v", first, err)
	}
	if epoch, err := storage.AcquireLease(t.Context(), two, lease, "test"); err != nil || epoch != 0 {
		t.Errorf("a second leader in epoch %d, %v", epoch, err)
	}
	if err := storage.ReleaseLease(t.Context(), one, first); err != nil {
		t.Fatal(err)
	}
	second, err := storage.AcquireLease(t.Context(), two, -time.Second, "test") // not heard of from now on
	if err != nil || second <= first {
		t.Fatalf("epoch %d after %d, %v", second, first, err)
	}
	if _, err := storage.Sequence(t.Context(), one, storage.Lease{Epoch: first, Duration: lease}, 1, 10, nothing); !errors.Is(err, storage.ErrNotLeading) {
		t.Errorf("the first goes on: %v", err)
	}
	if err := storage.ReleaseLease(t.Context(), one, first); err != nil {
		t.Fatal(err)
	}
	if _, err := storage.Sequence(t.Context(), two, storage.Lease{Epoch: second, Duration: lease}, 1, 10, nothing); err != nil {
		t.Errorf("the second cannot go on, though nobody else leads: %v", err)
	}
	if epoch, err := storage.AcquireLease(t.Context(), one, lease, "test"); err != nil || epoch != 0 {
		t.Errorf("the second was heard of, and yet epoch %d, %v", epoch, err)
	}
}

func nothing(*storage.Batch) (storage.LogChanges, error) { return storage.LogChanges{}, nil }

// TestClockPutBack: a lease that was given by a clock which has been put back
// since, as when another machine has taken over the database, is not waited for.
func TestClockPutBack(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	first, err := storage.AcquireLease(t.Context(), db, 3*time.Second, "test")
	if err != nil || first == 0 {
		t.Fatalf("epoch %d, %v", first, err)
	}
	if epoch, err := storage.AcquireLease(t.Context(), db, 3*time.Second, "test"); err != nil || epoch != 0 {
		t.Errorf("a lease that runs is passed over: epoch %d, %v", epoch, err)
	}
	if _, err := d.SQL(t, "").ExecContext(t.Context(), "update log_leader set lease_end = lease_end + interval '1 hour'"); err != nil {
		t.Fatal(err)
	}
	if epoch, err := storage.AcquireLease(t.Context(), db, 3*time.Second, "test"); err != nil || epoch != first+1 {
		t.Errorf("an hour is waited: epoch %d, %v", epoch, err)
	}
}

// TestLeaderName: the leader is shown by its name. A server of a version that does not
// write one takes the lead without; then no name is shown, and not that of the one before.
func TestLeaderName(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	want := func(name string) {
		t.Helper()
		if in, err := storage.ReadInstallation(t.Context(), db); err != nil || in.Leader != name {
			t.Errorf("the leader is %q, want %q, %v", in.Leader, name, err)
		}
	}
	want("")
	if _, err := storage.AcquireLease(t.Context(), db, time.Minute, "one, 127.0.0.1:7420, process 7"); err != nil {
		t.Fatal(err)
	}
	want("one, 127.0.0.1:7420, process 7")
	if _, err := d.SQL(t, "").ExecContext(t.Context(), "update log_leader set epoch = epoch + 1"); err != nil {
		t.Fatal(err)
	}
	want("")
}

// TestStoppedLeaderIsPassed: a leader whose batch is open when its lease ends is
// not waited for, and its batch is not committed.
func TestStoppedLeaderIsPassed(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	first, err := storage.AcquireLease(t.Context(), db, -time.Second, "test")
	if err != nil {
		t.Fatal(err)
	}
	_, err = storage.Sequence(t.Context(), db, storage.Lease{Epoch: first, Duration: -time.Second}, 1, 10, func(*storage.Batch) (storage.LogChanges, error) {
		if epoch, err := storage.AcquireLease(t.Context(), db, lease, "test"); err != nil || epoch != 0 {
			t.Errorf("the row is taken from under a batch: epoch %d, %v", epoch, err)
		}
		return storage.LogChanges{}, errors.New("and then nothing")
	})
	if err == nil {
		t.Error("the batch is committed")
	}
	if epoch, err := storage.AcquireLease(t.Context(), db, lease, "test"); err != nil || epoch != first+1 {
		t.Errorf("epoch %d, %v", epoch, err)
	}
}

// TestSequence puts entries on the logs of two chains in order, in batches, and
// reads them back by place.
func TestSequence(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	var want []string
	for i := range 5 {
		name := fmt.Sprintf("chains/%s/entries/e%d", chain, 9-i) // the order of ids is not that of positions
		want = append(want, name)
		log(t, db, &pb.AuditEntry{Name: name, Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: at(i)})
	}
	settled, err := storage.SettledBefore(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	epoch, err := storage.AcquireLease(t.Context(), db, lease, "test")
	if err != nil {
		t.Fatal(err)
	}
	var sizes []int
	for position := int64(-1); position < settled-1; {
		position, err = storage.Sequence(t.Context(), db, storage.Lease{Epoch: epoch, Duration: lease}, settled, 2, func(b *storage.Batch) (storage.LogChanges, error) {
			sizes = append(sizes, len(b.Pending))
			return appended(t, b), nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if !slices.Equal(sizes, []int{2, 2, 1}) {
		t.Errorf("batches of %v", sizes)
	}
	read(t, db, func(s *storage.Snapshot) error {
		logged, err := storage.ReadLogged(s, 0, 3)
		if err != nil {
			return err
		}
		more, err := storage.ReadLogged(s, 3, 5)
		for i, l := range append(logged, more...) {
			name := l.Entry.GetName()
			if name != want[i] || l.Place != int64(i) || len(l.Mismatched) > 0 {
				t.Errorf("place %d: %+v; want %s", i, l, want[i])
			}
			if e, err := storage.ReadLoggedEntry(s, strings.TrimPrefix(name, "chains/"+chain+"/entries/")); err != nil || !e.Place.Valid || e.Place.Int64 != int64(i) || e.Stored == nil {
				t.Errorf("place of %s: %v, %v", name, e.Place, err)
			}
		}
		head, herr := storage.ReadLogHead(s)
		if head.Size != 5 || string(head.Checkpoint) != "of 5" {
			t.Errorf("head %+v", head)
		}
		return errors.Join(err, herr)
	})
	heads, err := storage.ChangedHeads(t.Context(), db, 0, 10)
	if err != nil || len(heads) != 1 || heads[0].Revision != 3 {
		t.Errorf("changed: %v, %v", heads, err)
	}
	if heads, err = storage.ChangedHeads(t.Context(), db, 3, 10); err != nil || len(heads) != 0 {
		t.Errorf("changed since: %v, %v", heads, err)
	}
}

// appended puts what is pending on the log, with made-up hashes.
func appended(t testing.TB, b *storage.Batch) storage.LogChanges {
	t.Helper()
	head := b.Heads[chain]
	tiles, err := b.Tiles([]storage.LogTile{{Chain: chain}})
	if err != nil {
		t.Fatal(err)
	}
	tile := storage.LogTile{Chain: chain}
	if len(tiles) > 0 {
		tile = tiles[0]
	}
	c := storage.LogChanges{}
	for _, p := range b.Pending {
		sum := sha256.Sum256(p.Body)
		tile.Hashes = append(tile.Hashes, sum[:]...)
		c.Places = append(c.Places, storage.LogPlace{Chain: p.Chain, Place: head.Size, ID: p.ID})
		head.Size, head.Position, head.Root = head.Size+1, p.Position, sum[:]
	}
	if len(b.Pending) > 0 {
		head.Chain, head.Checkpoint = chain, fmt.Appendf(nil, "of %d", head.Size)
		c.Heads, c.Tiles = []storage.LogHead{head}, []storage.LogTile{tile}
	}
	return c
}

// TestTiles: tiles are read by level and index, and what is not there
// is left out.
func TestTiles(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	for i := range 3 {
		log(t, db, &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: at(i)})
	}
	for want := int64(0); want <= 3; want += 3 {
		if at, err := storage.LogProgress(t.Context(), db); err != nil || at != want {
			t.Errorf("progress %d, %v, want %d", at, err, want)
		}
		if want == 0 {
			sequence(t, db, func(b *storage.Batch) storage.LogChanges { return appended(t, b) })
		}
	}
	read(t, db, func(s *storage.Snapshot) error {
		tiles, err := storage.ReadLogTiles(s, []storage.LogTile{{Level: 1}, {Level: 0, Index: 1}, {Level: 0}})
		if len(tiles) != 1 || tiles[0].Level != 0 || tiles[0].Index != 0 || len(tiles[0].Hashes) != 3*sha256.Size {
			t.Errorf("tiles %v", tiles)
		}
		return err
	})
}

// sequence puts what is pending on the logs, by a leader of one batch.
func sequence(t *testing.T, db *storage.DB, fn func(*storage.Batch) storage.LogChanges) {
	t.Helper()
	settled, err := storage.SettledBefore(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	epoch, err := storage.AcquireLease(t.Context(), db, -time.Second, "test")
	if err != nil {
		t.Fatal(err)
	}
	_, err = storage.Sequence(t.Context(), db, storage.Lease{Epoch: epoch, Duration: -time.Second}, settled, 1000,
		func(b *storage.Batch) (storage.LogChanges, error) { return fn(b), nil })
	if err != nil {
		t.Fatal(err)
	}
}

// TestHandovers: the last checkpoint under each set of keys is kept when they are
// replaced, in order.
func TestHandovers(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	for i, keys := range []string{"a", "a", "b a", "b", "b"} {
		log(t, db, &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: at(i)})
		sequence(t, db, func(b *storage.Batch) storage.LogChanges {
			c := appended(t, b)
			c.Heads[0].Keys = keys
			return c
		})
	}
	read(t, db, func(s *storage.Snapshot) error {
		handovers, err := storage.ReadHandovers(s)
		var got []string
		for _, h := range handovers {
			got = append(got, h.Keys+": "+string(h.Checkpoint))
		}
		if !slices.Equal(got, []string{"a: of 2", "b a: of 3"}) {
			t.Errorf("handovers %q", got)
		}
		return err
	})
}

// TestRevise goes through the heads of all logs, and only the leader can.
func TestRevise(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	log(t, db, &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: at(0)})
	sequence(t, db, func(b *storage.Batch) storage.LogChanges { return appended(t, b) })
	epoch, err := storage.AcquireLease(t.Context(), db, lease, "test")
	if err != nil {
		t.Fatal(err)
	}
	anew := func(b *storage.Batch) (storage.LogChanges, error) {
		var c storage.LogChanges
		for _, h := range b.Heads {
			h.Keys, h.Checkpoint = "new", []byte("anew")
			c.Heads = append(c.Heads, h)
		}
		return c, nil
	}
	if _, err := storage.Revise(t.Context(), db, storage.Lease{Epoch: epoch - 1, Duration: lease}, "", 10, anew); !errors.Is(err, storage.ErrNotLeading) {
		t.Errorf("one that does not lead: %v", err)
	}
	last, err := storage.Revise(t.Context(), db, storage.Lease{Epoch: epoch, Duration: lease}, "", 10, anew)
	if err != nil || last != chain {
		t.Errorf("got to %q, %v", last, err)
	}
	if last, err = storage.Revise(t.Context(), db, storage.Lease{Epoch: epoch, Duration: lease}, last, 10, anew); err != nil || last != "" {
		t.Errorf("got to %q, %v", last, err)
	}
	read(t, db, func(s *storage.Snapshot) error {
		h, err := storage.ReadLogHead(s)
		if h.Size != 1 || string(h.Checkpoint) != "anew" || h.Keys != "new" {
			t.Errorf("head %+v", h)
		}
		return err
	})
}

// TestInspections: what does not fit together is found, on either side.
func TestInspections(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	entry := func(i int) string { return fmt.Sprintf("chains/%s/entries/e%d", chain, i) }
	for i := range 5 {
		log(t, db, &pb.AuditEntry{Name: entry(i), Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: at(i)})
	}
	sequence(t, db, func(b *storage.Batch) storage.LogChanges { return appended(t, b) })
	wantInspection(t, db, storage.Inspection{})
	log(t, db, &pb.AuditEntry{Name: entry(5), Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: at(5)})
	wantInspection(t, db, storage.Inspection{}) // it waits
	tamper := d.SQL(t, "")
	for _, statement := range []string{
		"alter table audit_entries disable trigger all",
		"delete from audit_entries where id = 'e1'",
		fmt.Sprintf(`insert into audit_entries (chain, parent, id, etag, body, kind, decision, record_time, cause_digest, position) overriding system value
			select '%s', '', 'made-up', '', '', 'ENTRY_KIND_REFUSAL', 'chains/c/clients/k/decisions/d', now(), sha256('x'), position from audit_entries where id = 'e2'`, chain),
	} {
		if _, err := tamper.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
	wantInspection(t, db, storage.Inspection{Unlogged: []string{"made-up"}, Causeless: []string{"made-up"}}, "e1")
}

// wantInspection inspects a chain, two at a time.
func wantInspection(t *testing.T, db *storage.DB, want storage.Inspection, lost ...string) {
	t.Helper()
	var got storage.Inspection
	read(t, db, func(s *storage.Snapshot) error {
		head, err := storage.ReadLogHead(s)
		for after := int64(0); err == nil; {
			var part storage.Inspection
			if part, after, err = storage.InspectRecord(s, head, after, 2); after == 0 {
				break
			}
			got.Unlogged, got.Causeless = append(got.Unlogged, part.Unlogged...), append(got.Causeless, part.Causeless...)
		}
		var gone []string
		for from := int64(0); err == nil; {
			var part []storage.Logged
			if part, err = storage.ReadLogged(s, from, min(head.Size, from+2)); len(part) == 0 {
				break
			}
			for _, l := range part {
				if l.Body == nil {
					gone = append(gone, l.ID)
				}
				if from++; l.Place != from-1 {
					t.Errorf("place %d follows place %d", l.Place, from-2)
				}
			}
		}
		if !slices.Equal(gone, lost) {
			t.Errorf("lost %v, want %v", gone, lost)
		}
		return err
	})
	if !reflect.DeepEqual(got, want) {
		t.Errorf("found %+v, want %+v", got, want)
	}
}

// TestLogOnlyGrows tries, as the owner of the tables, to take from the logs.
func TestLogOnlyGrows(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	log(t, db, &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: at(1)})
	epoch, err := storage.AcquireLease(t.Context(), db, lease, "test")
	if err != nil {
		t.Fatal(err)
	}
	_, err = storage.Sequence(t.Context(), db, storage.Lease{Epoch: epoch, Duration: lease}, 2, 10,
		func(b *storage.Batch) (storage.LogChanges, error) { return appended(t, b), nil })
	if err != nil {
		t.Fatal(err)
	}
	owner, server := d.SQLIn(t, storage.RoleOwner, chain), d.SQL(t, storage.RoleServer)
	for statement, why := range map[string]string{
		"update log_tiles set hashes = sha256('')":     "a tile only grows",
		"update log_tiles set hashes = ''":             "a tile only grows",
		"update log_heads set size = size - 1":         "a log only grows",
		"update log_heads set root = sha256('')":       "a log only grows",
		"update log_heads set position = position - 1": "a log only grows",
		"update log_entries set id = 'other'":          "never changed",
		"delete from log_entries":                      "never changed",
		"delete from log_tiles":                        "never changed",
		"delete from log_heads":                        "never changed",
		"delete from log_leader":                       "never changed",
		"truncate log_entries, log_tiles, log_heads":   "never changed",
		"set session_replication_role = replica":       "permission denied",
	} {
		wantRefused(t, owner, statement, why)
	}
	for _, statement := range []string{"update log_entries set id = 'other'", "delete from log_tiles", "delete from log_heads", "truncate log_entries"} {
		wantRefused(t, server, statement, "permission denied")
	}
}

// TestCauseAndEntryGoTogether tries, in plain SQL, to commit one without the
// other, and more than one for one.
func TestCauseAndEntryGoTogether(t *testing.T) {
	t.Parallel()
	const decision = `insert into decisions (chain, parent, id, etag, body, verdict) values ('c', 'k', 'd', '', 'because', 'VERDICT_REFUSE');`
	const override = `insert into overrides (chain, parent, id, etag, body) values ('c', 'd', 'o', '', 'because');`
	entry := func(id, kind, cause string) string {
		return fmt.Sprintf(`insert into audit_entries (chain, parent, id, etag, body, kind, decision, record_time, cause_digest)
			values ('c', '', '%s', '', '', 'ENTRY_KIND_%s', 'chains/c/clients/k/decisions/d', now(), sha256('%s'));`, id, kind, cause)
	}
	for name, c := range map[string]struct{ statements, code string }{
		"a refusal without entry":         {decision, "23000"},
		"a refusal with another's entry":  {decision + entry("e", "REFUSAL", "other"), "23000"},
		"an entry without refusal":        {entry("e", "REFUSAL", "because"), "23000"},
		"a referral's entry without":      {entry("e", "REFERRAL", "because"), "23000"},
		"a refusal with the wrong kind":   {decision + entry("e", "DEVIATION", "because"), "23000"},
		"a refusal with two entries":      {decision + entry("e", "REFUSAL", "because") + entry("f", "REFUSAL", "because"), "23505"},
		"an override without entry":       {override, "23000"},
		"an entry without override":       {entry("e", "OVERRIDE", "because"), "23000"},
		"a denial's entry without":        {entry("e", "OVERRIDE_DENIED", "because"), "23000"},
		"a refusal in place of override":  {decision + entry("e", "OVERRIDE", "because"), "23000"},
		"a refusal with a passing entry":  {"create temp table audit_entries (like alkalog.audit_entries including identity);" + decision + entry("e", "REFUSAL", "because"), "23000"},
		"an entry of a passing refusal":   {"create temp table decisions (like alkalog.decisions);" + decision + entry("e", "REFUSAL", "because"), "23000"},
		"a refusal with its entry":        {decision + entry("e", "REFUSAL", "because"), ""},
		"an entry before its override":    {entry("e", "OVERRIDE", "because") + override, ""},
		"what needs no entry":             {strings.Replace(decision, "REFUSE", "PROCEED", 1), ""},
		"an entry that cannot be on logs": {strings.Replace(entry("e", "ALARM", ""), "'', 'e', '', ''", "'', 'e', '', repeat('x', 65536)::bytea", 1), "23514"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			pool := storagetest.NewDatabase(t).SQLIn(t, storage.RoleServer, "c")
			_, err := pool.ExecContext(t.Context(), "begin;"+c.statements+"commit")
			var refused *pq.Error
			switch {
			case c.code == "" && err != nil, c.code != "" && (!errors.As(err, &refused) || string(refused.Code) != c.code):
				t.Errorf("got %v, want %s", err, c.code)
			}
		})
	}
}
