package storage_test

import (
	"database/sql"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// cover covers all writes so far, as the leader of the logs does, and returns the
// entries that it has made.
func cover(t testing.TB, db *storage.DB) (entries []*pb.AuditEntry) {
	t.Helper()
	epoch, err := storage.AcquireLease(t.Context(), db, time.Second, "test")
	if err != nil || epoch == 0 {
		t.Fatalf("epoch %d, %v", epoch, err)
	}
	lead := storage.Lease{Epoch: epoch, Duration: time.Second}
	mark, err := storage.MarkWrites(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	if settled, err := storage.SettledBefore(t.Context(), db); err != nil || settled <= mark.Entries {
		t.Fatalf("settled before %d, %v, and the mark is %+v", settled, err, mark)
	}
	note := func(kind pb.EntryKind) storage.EntryOf {
		return func(chain string, c storage.Covered) *pb.AuditEntry {
			e := &pb.AuditEntry{Kind: kind, RecordTime: timestamppb.Now(), CoveredDigest: c.Digest, CoveredWrites: c.Writes, CoveredRecords: c.Records}
			entries = append(entries, e)
			return e
		}
	}
	if err := storage.CoverBaselines(t.Context(), db, lead, note(pb.EntryKind_ENTRY_KIND_BASELINE)); err != nil {
		t.Fatal(err)
	}
	for more := true; more; {
		if more, err = storage.Cover(t.Context(), db, lead, mark.Writes, 3, note(pb.EntryKind_ENTRY_KIND_COVERAGE)); err != nil {
			t.Fatal(err)
		}
	}
	if err := storage.ReleaseLease(t.Context(), db, epoch); err != nil {
		t.Fatal(err)
	}
	return entries
}

// mismatches is what an inspection of a chain finds, a line each.
func mismatches(t testing.TB, db *storage.DB, entries []*pb.AuditEntry) string {
	t.Helper()
	_, covered, err := storage.NewestWrite(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	read(t, db, func(s *storage.Snapshot) error {
		add := func(found []storage.Mismatch, err error) {
			if err != nil {
				t.Error(err)
			}
			for _, m := range found {
				lines = append(lines, m.String())
			}
		}
		for _, e := range entries {
			add(storage.InspectCovering(s, e))
		}
		for at, more := int64(0), true; more; more = at != 0 {
			var found []storage.Mismatch
			found, at, err = storage.InspectWrites(s, at, 2)
			add(found, err)
		}
		for at, more := int64(0), true; more; more = at != 0 {
			var found []storage.Mismatch
			found, at, err = storage.InspectSkipped(s, covered, at, 2)
			add(found, err)
		}
		for _, table := range storage.CoveredTables() {
			for at, more := [2]string{}, true; more; more = at != [2]string{} {
				var found []storage.Mismatch
				found, at, err = storage.InspectRecords(s, table, at, 2)
				add(found, err)
			}
			for at, more := [2]string{}, true; more; more = at != [2]string{} {
				var found []storage.Mismatch
				found, at, err = storage.InspectBaseline(s, table, at, 2)
				add(found, err)
			}
		}
		erased, err := storage.Erasures(s)
		for at, more := "", true; more; more = at != "" {
			var found []storage.Mismatch
			found, at, err = storage.InspectErasures(s, erased, at, 2)
			add(found, err)
		}
		return err
	})
	return strings.Join(lines, "\n")
}

// visit writes some records of a visit, one of them twice, and returns the ids of
// the two requests. Between them it keeps the session as the first has stored it,
// in the table public.before.
func visit(t *testing.T, db *storage.DB, super *sql.DB) (first, second string) {
	t.Helper()
	session := &pb.Session{Name: clientName + "/sessions/s1", UpdateTime: at(1)}
	write := func(records ...storage.Record) string {
		req := salonRequest("any")
		_, err := storage.Write(t.Context(), db, chain, req, func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
			return &pb.CreateSalonResponse{}, storage.Changes{Records: records}, nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return req.RequestId
	}
	write(storage.Clients.Insert(&pb.Client{Name: clientName, DisplayName: "Invented"}))
	first = write(storage.Sessions.Insert(session), storage.InsertEvent(session.Name, &pb.StoredEvent{Event: &pb.Event{EventId: "e1"}, Sequence: 1}))
	do(t, super, "create table public.before as select * from sessions")
	later := &pb.Session{Name: session.Name, UpdateTime: at(2), Sequence: 1}
	second = write(storage.Sessions.Replace(session, later), storage.InsertEvent(session.Name, &pb.StoredEvent{Event: &pb.Event{EventId: "e2"}, Sequence: 2}))
	write(storage.Products.Insert(&pb.Product{Name: chainName + "/products/p1"}))
	return first, second
}

// TestCoverage damages what was stored, as somebody does who may do anything, and
// each time it is found and named. Between the damages nothing is found.
func TestCoverage(t *testing.T) {
	t.Parallel()
	for what, c := range map[string]struct {
		damage string
		want   []string
	}{
		"nothing":                      {"", nil},
		"a record is changed":          {"update products set body = body || '\\x7a0178'", []string{"products p1: the record was changed"}},
		"its etag is changed":          {"update products set etag = 'x'", []string{"products p1: the record was changed"}},
		"a sealed record is changed":   {"update session_events set body = set_byte(body, 20, 255 - get_byte(body, 20)) where id = 'e1'", []string{"session_events s1/e1: the record was changed"}},
		"a record is deleted":          {"delete from session_events where id = 'e2'", []string{"session_events s1/e2: the record was deleted; request $2"}},
		"a replaced record is deleted": {"delete from sessions", []string{"sessions c1/s1: the record was deleted; request $1", "sessions c1/s1: the record was deleted; request $2"}},
		"a record is slipped in": {"insert into products (chain, parent, id, etag, body, write_id) select chain, parent, 'p2', etag, body, write_id from products",
			[]string{"products p2: the record was slipped in"}},
		"one of no write is slipped in": {"insert into products (chain, parent, id, etag, body) select chain, parent, 'p2', etag, body from products",
			[]string{"products p2: the record was slipped in"}},
		"a record is put back":                        {"update sessions s set body = b.body, etag = b.etag, write_id = b.write_id from public.before b", []string{"sessions c1/s1: the record was put back to what it was before request $2"}},
		"a record is put back under its newest write": {"update sessions s set body = b.body, etag = b.etag from public.before b", []string{"sessions c1/s1: the record was changed: it is not what was stored by request $2"}},
		"a record loses its write":                    {"update products set write_id = null", []string{"products p1: the record was slipped in"}},
		"an answer is changed":                        {"update requests set answer = 'x' where id = '$1'", []string{"requests $1: the request or its answer was changed"}},
		"a refusal is made an answer":                 {"update requests set refused = not refused where id = '$1'", []string{"requests $1: the request or its answer was changed"}},
		"a request is deleted":                        {"delete from requests where id = '$1'", []string{"requests $1: the request and its answer were deleted within a day"}},
		"a whole write is deleted": {"delete from session_events where write_id = '$2'; delete from requests where id = '$2'; delete from log_writes where id = '$2'; update sessions s set body = b.body, etag = b.etag, write_id = b.write_id from public.before b",
			[]string{"what it covers was changed"}},
		"a manifest is changed": {"update log_writes set manifest = set_byte(manifest, 40, 255 - get_byte(manifest, 40)) where id = '$1'", []string{"what it covers was changed", "requests $1: the request or its answer was changed"}},
		"a record with its manifest": {"update products set body = 'x'; update log_writes set manifest = overlay(manifest placing (select sha256(convert_to(etag, 'UTF8') || '\\x00' || body) from products) from octet_length(manifest) - 31) where position = 4",
			[]string{"what it covers was changed"}},
		"a write is slipped in": {"insert into log_writes select chain, entry, 77, 'made-up', claim_time, manifest from log_writes where id = '$1'", []string{"what it covers was changed"}},
		"a write of no entry":   {"insert into log_writes select chain, 'none', 77, 'made-up', claim_time, manifest from log_writes where id = '$1'", []string{"the entry that covers its write is not there"}},
		"a key is deleted":      {"delete from client_keys", []string{"client_keys c1: the key of the client was deleted, and no entry"}},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			d := storagetest.NewDatabase(t)
			db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
			first, second := visit(t, db, super)
			entries := cover(t, db)
			if got := mismatches(t, db, entries); got != "" {
				t.Fatalf("before: %s", got)
			}
			fill := strings.NewReplacer("$1", first, "$2", second).Replace
			withoutTriggers(t, super, fill(c.damage))
			got := mismatches(t, db, entries)
			for _, want := range c.want {
				if !strings.Contains(got, fill(want)) {
					t.Errorf("got\n%s\nwant %s", got, fill(want))
				}
			}
			if len(c.want) == 0 && got != "" {
				t.Errorf("got\n%s", got)
			}
		})
	}
}

// withoutTriggers runs statements where no trigger stops them.
func withoutTriggers(t testing.TB, super *sql.DB, statements string) {
	t.Helper()
	tx, err := super.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	rows, err := tx.Query("select c.relname from pg_class c join pg_namespace n on n.oid = c.relnamespace where n.nspname = 'alkalog' and c.relkind = 'r' and c.relhastriggers")
	if err != nil {
		t.Fatal(err)
	}
	var disable strings.Builder
	for rows.Next() {
		var table string
		if err := rows.Scan(&table); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&disable, "alter table %s disable trigger user; ", table)
	}
	if _, err := tx.Exec(disable.String() + statements); err != nil {
		t.Fatal(err)
	}
	if err := tx.Commit(); err != nil {
		t.Fatal(err)
	}
}

// TestCoverageWaits: a write that is under way is not passed by, and what is not
// covered yet is no mismatch.
func TestCoverageWaits(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	held, err := d.SQLIn(t, storage.RoleServer, chain).BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer held.Rollback()
	if _, err := held.Exec("select pg_advisory_xact_lock_shared(last_value + is_called::int) from audit_entries_position_seq"); err != nil {
		t.Fatal(err)
	}
	first, _ := visit(t, db, super)
	if got := mismatches(t, db, nil); got != "" {
		t.Errorf("before anything is covered: %s", got)
	}
	mark, err := storage.MarkWrites(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	if settled, err := storage.SettledBefore(t.Context(), db); err != nil || settled > mark.Entries {
		t.Errorf("a write is under way, and the mark %+v counts as settled before %d, %v", mark, settled, err)
	}
	if err := held.Rollback(); err != nil {
		t.Fatal(err)
	}
	entries := cover(t, db)
	if len(entries) != 2 || entries[0].CoveredWrites != 3 || entries[1].CoveredRecords != 1 {
		t.Errorf("4 writes in batches of 3 have made %v", entries)
	}
	if again := cover(t, db); len(again) != 0 {
		t.Errorf("nothing new has made %v", again)
	}
	// The pointer is put back: what is covered is passed by.
	withoutTriggers(t, super, "update log_leader set covered = 0")
	if again := cover(t, db); len(again) != 0 || rowsWhere(t, super, "log_writes where id = $1", first) != 1 {
		t.Errorf("what was covered has made %v", again)
	}
}

// TestCoverageOutlives a purge of requests and the erasure of a client.
func TestCoverageOutlives(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	visit(t, db, super)
	entries := cover(t, db)
	withoutTriggers(t, super, "update requests set claim_time = claim_time - interval '40 days'; update log_writes set claim_time = claim_time - interval '40 days'")
	if n, _, err := storage.PurgeRequests(t.Context(), db, chain, 35, func(n int64) *pb.AuditEntry {
		return &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_PURGE, Count: n, RecordTime: timestamppb.Now()}
	}); err != nil || n != 4 {
		t.Fatalf("%d purged, %v", n, err)
	}
	erase := salonRequest("any")
	_, err := storage.Write(t.Context(), db, chain, erase, func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		return &pb.CreateSalonResponse{}, storage.Changes{Erase: []storage.Erasure{{Client: clientName, Open: 1}},
			Entries: []*pb.AuditEntry{{Kind: pb.EntryKind_ENTRY_KIND_ERASURE, Client: clientName, RecordTime: timestamppb.Now()}}}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if got := mismatches(t, db, entries); got != "" {
		t.Errorf("after a purge and an erasure: %s", got)
	}
	withoutTriggers(t, super, "insert into client_keys values ('"+chain+"', 'c1', 'v', 'x')")
	if got := mismatches(t, db, entries); !strings.Contains(got, "client_keys c1: the client was erased and has a key again") {
		t.Errorf("an erasure is undone: %s", got)
	}
	withoutTriggers(t, super, "delete from session_events where id = 'e1'")
	if got := mismatches(t, db, entries); !strings.Contains(got, "session_events s1/e1: the record was deleted") {
		t.Errorf("a record of an erased client is deleted: %s", got)
	}
}

// TestBaseline: what was there before is covered by an entry of its own, and a
// migration that rewrites it makes another.
func TestBaseline(t *testing.T) {
	t.Parallel()
	for damage, want := range map[string]string{
		"select 1":                                             "",
		"update products set body = 'changed'":                 "products p1: the record was changed",
		"delete from session_events where id = 'e2'":           "session_events s1/e2: the record was deleted; it was there when coverage began",
		"delete from log_baseline where id = 'e2'":             "what it covers was changed",
		"delete from log_baselines where round = 1":            "what it covers was changed",
		"update log_baseline set digest = 'x' where id = 's1'": "what it covers was changed",
		"insert into log_baseline select chain, kind, parent, 'made-up', round, digest from log_baseline limit 1": "what it covers was changed",
	} {
		db, super, entries := baselines(t)
		withoutTriggers(t, super, damage)
		if got := mismatches(t, db, entries); !strings.Contains(got, want) || want == "" && got != "" {
			t.Errorf("%s: %s", damage, got)
		}
	}
}

// baselines are a database of before coverage with two rounds of it, and their
// entries.
func baselines(t *testing.T) (*storage.DB, *sql.DB, []*pb.AuditEntry) {
	d := storagetest.NewDatabase(t)
	db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	visit(t, db, super)
	withoutTriggers(t, super, "update requests set manifest = null, position = null; update products set write_id = null; update clients set write_id = null; "+
		"update sessions set write_id = null; update session_events set write_id = null; "+
		"call cover_anew('products', 1); call cover_anew('clients', 1); call cover_anew('sessions', 1); call cover_anew('session_events', 1)")
	entries := cover(t, db)
	if len(entries) != 1 || entries[0].Kind != pb.EntryKind_ENTRY_KIND_BASELINE || entries[0].CoveredRecords != 5 {
		t.Fatalf("5 records of before have made %v", entries)
	}
	if got := mismatches(t, db, entries); got != "" {
		t.Errorf("%s", got)
	}
	withoutTriggers(t, super, "update products set body = 'a new encoding'; call cover_anew('products', 2)")
	entries = append(entries, cover(t, db)...)
	if len(entries) != 2 {
		t.Fatalf("after a migration: %d entries", len(entries))
	}
	return db, super, entries
}

// TestSkippedWrites: somebody moves the position up to which writes are covered
// forward, so the leader passes over writes for ever. They are named; their records
// are not, but those whose requests were deleted too are.
func TestSkippedWrites(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	first, second := visit(t, db, super)
	withoutTriggers(t, super, "update log_leader set covered = (select position from requests where id = '"+second+"')")
	entries := cover(t, db)
	got := mismatches(t, db, entries)
	for _, id := range []string{first, second} {
		if !strings.Contains(got, "requests "+id+": its write at position") {
			t.Errorf("request %s was skipped, and found is\n%s", id, got)
		}
	}
	if n := strings.Count(got+"\n", "\n"); n != 3 {
		t.Errorf("three writes were skipped, and found is\n%s", got)
	}
	withoutTriggers(t, super, "delete from requests where id = '"+second+"'")
	if got := mismatches(t, db, entries); !strings.Contains(got, "session_events s1/e2: the record was slipped in") {
		t.Errorf("the request of a skipped write was deleted, and found is\n%s", got)
	}
}
