package storage_test

import (
	"errors"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// TestReadOnly: while nothing may be written, what was answered is answered, what
// is read is noted, and the only change is that somebody accepts the database.
func TestReadOnly(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	known := salonRequest("harbour")
	first, err := openSalon(t.Context(), db, known)
	if err != nil {
		t.Fatal(err)
	}
	db.Forbid("it has 3 entries and had 5")
	if again, err := openSalon(t.Context(), db, known); err != nil || !proto.Equal(again, first) {
		t.Errorf("a request of before is answered %v, %v", again, err)
	}
	if _, err := openSalon(t.Context(), db, salonRequest("other")); !errors.Is(err, storage.ErrReadOnly) {
		t.Errorf("a change: %v", err)
	}
	entry := func(kind pb.EntryKind) *pb.AuditEntry {
		return &pb.AuditEntry{Kind: kind, RecordTime: timestamppb.Now()}
	}
	restored := entry(pb.EntryKind_ENTRY_KIND_RESTORED)
	for name, c := range map[string]struct {
		changes storage.Changes
		allowed bool
	}{
		"nothing at all":              {storage.Changes{}, false},
		"another entry":               {storage.Changes{Entries: []*pb.AuditEntry{entry(pb.EntryKind_ENTRY_KIND_ALARM)}}, false},
		"an acceptance with a record": {storage.Changes{Records: []storage.Record{storage.Salons.Insert(&pb.Salon{Name: "chains/" + chain + "/salons/x"})}, Entries: []*pb.AuditEntry{restored}}, false},
		"an acceptance and more":      {storage.Changes{Entries: []*pb.AuditEntry{restored, entry(pb.EntryKind_ENTRY_KIND_ALARM)}}, false},
		"an acceptance":               {storage.Changes{Entries: []*pb.AuditEntry{restored}}, true},
	} {
		_, err := storage.Write(t.Context(), db, chain, salonRequest("any"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
			return &pb.CreateSalonResponse{}, c.changes, nil
		})
		if c.allowed && err != nil || !c.allowed && !errors.Is(err, storage.ErrReadOnly) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := storage.AppendEntries(t.Context(), db, chain, entry(pb.EntryKind_ENTRY_KIND_AUDITOR_READ)); err != nil {
		t.Errorf("a reading cannot be noted: %v", err)
	}
	db.Permit()
	if _, err := openSalon(t.Context(), db, salonRequest("other")); err != nil {
		t.Errorf("permitted again: %v", err)
	}
}
