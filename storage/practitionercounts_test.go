package storage_test

import (
	"context"
	"testing"
	"time"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// whatIfs reads how many what-ifs of a chain are in the figures.
func whatIfs(t *testing.T, db *storage.DB, chain string) (n int64) {
	t.Helper()
	err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
		figures, err := storage.ReadFigures(s, storage.Span{})
		for _, f := range figures {
			n += f.WhatIfs
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// TestWhatIfsWait: what cannot be written is kept and written later, once, and in the
// figures of its own chain.
func TestWhatIfsWait(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	const here, there = "ebb-and-flow", "salt-and-tide"
	for range 3 {
		storage.CountWhatIf(db, "chains/"+here+"/practitioners/amara", time.Now())
	}
	storage.CountWhatIf(db, "chains/"+there+"/practitioners/amara", time.Now())
	db.Forbid("the log was changed")
	if err := storage.WritePractitionerCounts(t.Context(), db); err != nil || whatIfs(t, db, here) != 0 {
		t.Errorf("while nothing may be written: %d written, %v", whatIfs(t, db, here), err)
	}
	db.Permit()
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if err := storage.WritePractitionerCounts(gone, db); err == nil {
		t.Error("written by a caller who has gone")
	}
	for range 2 {
		if err := storage.WritePractitionerCounts(t.Context(), db); err != nil {
			t.Fatal(err)
		}
		if h, e := whatIfs(t, db, here), whatIfs(t, db, there); h != 3 || e != 1 {
			t.Errorf("%d and %d in the figures, want 3 and 1", h, e)
		}
	}
	storage.CountWhatIf(db, "chains/"+here+"/practitioners/amara", time.Now())
	if err := storage.WritePractitionerCounts(t.Context(), db); err != nil || whatIfs(t, db, here) != 4 {
		t.Errorf("one more: %d, %v", whatIfs(t, db, here), err)
	}
}
