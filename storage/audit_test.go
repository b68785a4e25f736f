package storage_test

import (
	"errors"
	"fmt"
	"math"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// TestEntryFilter asks for entries in every way, also for those that lack what
// is asked about: a condition and its NOT share all entries between them.
func TestEntryFilter(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	day := func(n int) *timestamppb.Timestamp {
		return timestamppb.New(time.Date(2026, 11, n, 0, 0, 0, 0, time.UTC))
	}
	rules := func(ids ...string) (refs []*pb.RuleRef) {
		for _, id := range ids {
			refs = append(refs, &pb.RuleRef{RuleId: id})
		}
		return refs
	}
	log(t, db,
		&pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_DEVIATION, Salon: "a", Actor: "amara", Rules: rules("skin", "age"), OccurTime: day(1), RecordTime: day(1)},
		&pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, Practitioner: "ines", LotCode: "L-7", Subjects: []string{"zone:ends", "section:nape"}, OverrideReason: "SOUND",
			Salon: "b", Actor: "teo", OnBehalfOf: "amara", Till: "desk", Rules: rules("age"), ReasonCode: "looked", RecordTime: day(2)},
		&pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_DEVIATION, RecordTime: day(3)})
	is := func(field, op string, value any) storage.EntryFilter {
		return storage.EntryFilter{Field: field, Op: op, Value: value}
	}
	join := func(op string, of ...storage.EntryFilter) storage.EntryFilter {
		return storage.EntryFilter{Op: op, Of: of}
	}
	departure, second := is("kind", "=", "ENTRY_KIND_DEVIATION"), day(2).AsTime()
	for _, c := range []struct {
		filter storage.EntryFilter
		want   string
	}{
		{storage.EntryFilter{}, "123"},
		{departure, "13"},
		{is("salon", "=", "a"), "1"},
		{is("salon", "!=", "a"), "23"},
		{is("salon", "=", ""), "3"},
		{is("reason", "!=", ""), "2"},
		{is("rule", "=", "age"), "12"},
		{is("rule", "!=", "skin"), "23"},
		{is("rule", "=", ""), "3"},
		{is("practitioner", "=", "amara"), "12"},
		{is("practitioner", "!=", "amara"), "3"},
		{is("practitioner", "=", ""), "3"},
		{is("service_practitioner", "=", "ines"), "2"},
		{is("service_practitioner", "=", "amara"), ""},
		{is("lot", "=", "L-7"), "2"},
		{is("lot", "!=", "L-7"), "13"},
		{is("subject", "=", "section:nape"), "2"},
		{is("subject", "=", ""), "13"},
		{is("override_reason", "=", "SOUND"), "2"},
		{is("till", "=", "desk"), "2"},
		{is("till", "!=", "desk"), "13"},
		{is("record_time", ">=", second), "23"},
		{is("record_time", "<", second), "1"},
		{is("record_time", "=", second), "2"},
		{is("occur_time", "<=", second), "1"},
		{is("occur_time", "!=", second), "123"},
		{join("AND", departure, is("rule", "=", "age")), "1"},
		{join("OR", is("salon", "=", "a"), is("salon", "=", "b")), "12"},
		{join("AND", departure, join("OR", is("salon", "=", "b"), join("NOT", is("salon", "=", "a")))), "3"},
	} {
		read(t, db, func(s *storage.Snapshot) error {
			got, err := positions(s, c.filter)
			not, notErr := positions(s, join("NOT", c.filter))
			if got != c.want || len(not)+len(got) != 3 {
				t.Errorf("%+v: got %q, and not %q", c.filter, got, not)
			}
			if matched, err := matching(s, c.filter); matched != c.want || err != nil {
				t.Errorf("%+v: the entries themselves that match are %q, %v", c.filter, matched, err)
			}
			return errors.Join(err, notErr)
		})
	}
	for _, bad := range []storage.EntryFilter{
		is("body", "=", "x"), is("salon; drop table chains", "=", "x"), is("salon", "<", "x"), is("salon", "= 'x' or", "x"), is("salon", "=", 1),
		is("rule", "<", "x"), is("record_time", "=", "x"), is("record_time", "~", second), join("NOT"), join("AND"),
		join("NOT", departure, departure), join("XOR", departure), join("AND", is("x", "=", "x")),
	} {
		read(t, db, func(s *storage.Snapshot) error {
			if _, _, err := storage.ListEntries(s, bad, storage.Page{}, math.MaxInt64); err == nil {
				t.Errorf("%+v was understood", bad)
			}
			return nil
		})
	}
}

// positions lists what a filter finds by position.
func positions(s *storage.Snapshot, f storage.EntryFilter) (found string, err error) {
	entries, _, err := storage.ListEntries(s, f, storage.Page{}, math.MaxInt64)
	for _, e := range entries {
		found += fmt.Sprint(e.Position)
	}
	return found, err
}

// matching lists by position the entries that fit a filter by what they say.
func matching(s *storage.Snapshot, f storage.EntryFilter) (found string, err error) {
	entries, _, err := storage.ListEntries(s, storage.EntryFilter{}, storage.Page{}, math.MaxInt64)
	for _, e := range entries {
		if f.Matches(e.AuditEntry) {
			found += fmt.Sprint(e.Position)
		}
	}
	return found, err
}

// TestEntryIsKeptAsItWasWritten compares the bytes.
func TestEntryIsKeptAsItWasWritten(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	entry := &pb.AuditEntry{Summary: "refused", RecordTime: timestamppb.Now()}
	log(t, db, entry)
	read(t, db, func(s *storage.Snapshot) error {
		got, _, err := storage.ListEntries(s, storage.EntryFilter{}, storage.Page{}, math.MaxInt64)
		if err != nil || len(got) != 1 {
			t.Fatalf("got %v, %v", got, err)
		}
		stored := &pb.AuditEntry{}
		if err := proto.Unmarshal(got[0].Stored, stored); err != nil || !proto.Equal(stored, entry) || !proto.Equal(got[0].AuditEntry, entry) {
			t.Errorf("stored %v, %v, want %v", stored, err, entry)
		}
		return nil
	})
}

// TestSettled holds a write open between its claim and its end: entries behind
// it are not settled until it is over.
func TestSettled(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	w := &wire{}
	held := w.open(t, d, storage.Config{})
	db := d.Open(t, storage.Config{})
	entry := func() *pb.AuditEntry { return &pb.AuditEntry{RecordTime: timestamppb.Now()} }
	wantSettled(t, db, 1)
	log(t, db, entry())
	wantSettled(t, db, 2)
	reached, release := make(chan struct{}), make(chan struct{})
	w.onCommit(func() bool {
		close(reached)
		<-release
		return true
	})
	var wg sync.WaitGroup
	wg.Go(func() { log(t, held, entry()) }) // has position 2, and waits
	<-reached
	log(t, db, entry(), entry()) // positions 3 and 4
	wantSettled(t, db, 2)
	read(t, db, func(s *storage.Snapshot) error {
		got, err := positions(s, storage.EntryFilter{})
		if got != "134" {
			t.Errorf("got %q", got)
		}
		return err
	})
	close(release)
	wg.Wait()
	wantSettled(t, db, 5)
}

// wantSettled fails unless exactly what is before a position is settled.
func wantSettled(t *testing.T, db *storage.DB, want int64) {
	t.Helper()
	got, err := storage.SettledBefore(t.Context(), db)
	if err != nil || got != want {
		t.Errorf("settled before %d, %v, want %d", got, err, want)
	}
}

// TestSettledUnderLoad lets many writers and one reader run: what the reader
// has taken for settled never gains an entry.
func TestSettledUnderLoad(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	const writers, each = 4, 25
	var wg sync.WaitGroup
	for range writers {
		wg.Go(func() {
			for range each {
				log(t, db, &pb.AuditEntry{RecordTime: timestamppb.Now()}, &pb.AuditEntry{RecordTime: timestamppb.Now()})
			}
		})
	}
	seen := map[int64]bool{}
	var end int64
	for len(seen) < writers*each*2 && !t.Failed() {
		settled, err := storage.SettledBefore(t.Context(), db)
		if err != nil {
			t.Fatal(err)
		}
		read(t, db, func(s *storage.Snapshot) error {
			entries, _, err := storage.ListEntries(s, storage.EntryFilter{}, storage.Page{Size: 500}, math.MaxInt64)
			for _, e := range entries {
				if e.Position < end && !seen[e.Position] {
					t.Errorf("entry %d appeared after all before %d were settled", e.Position, end)
				}
				if e.Position < settled {
					seen[e.Position] = true
				}
			}
			return err
		})
		end = max(end, settled)
	}
	wg.Wait()
}
