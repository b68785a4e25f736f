package storage_test

import (
	"math"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// TestNote puts entries on the log that no record goes with; what is not of the
// chain, or has no record time, stays off.
func TestNote(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	read := func(id string) *pb.AuditEntry {
		return &pb.AuditEntry{Name: chainName + "/entries/" + id, Kind: pb.EntryKind_ENTRY_KIND_AUDITOR_READ, RecordTime: timestamppb.Now()}
	}
	if err := storage.AppendEntries(t.Context(), db, chain, read("a"), read("b")); err != nil {
		t.Fatal(err)
	}
	foreign := read("c")
	foreign.Name = "chains/another/entries/c"
	if err := storage.AppendEntries(t.Context(), db, chain, read("d"), foreign); err == nil {
		t.Error("an entry of another chain was taken")
	}
	if err := storage.AppendEntries(t.Context(), db, chain, &pb.AuditEntry{Name: chainName + "/entries/e"}); err == nil {
		t.Error("an entry without a record time was taken")
	}
	err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
		entries, _, err := storage.ListEntries(s, storage.EntryFilter{}, storage.Page{}, math.MaxInt64)
		if len(entries) != 2 || entries[0].GetName() != chainName+"/entries/a" {
			t.Errorf("on the log: %v", entries)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}
