package storage_test

import (
	"errors"
	"sync"
	"testing"
	"time"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// TestNewConnectionsSayThatTheAuditLogIsLocked: to prepare a statement takes a lock too,
// so a connection that has prepared nothing yet must wait for it no longer than for any
// other lock. Otherwise its statement times out, and the caller is told that the database
// is gone.
func TestNewConnectionsSayThatTheAuditLogIsLocked(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{MaxConns: 8, StatementTimeout: time.Second})
	tx, err := d.SQL(t, "").Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	if _, err := tx.Exec("lock table alkalog.audit_entries in exclusive mode"); err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	for range 6 { // some of them in one batch
		all.Go(func() {
			if _, err := openSalon(t.Context(), db, salonRequest(storage.NewID())); !errors.Is(err, storage.ErrAuditUnavailable) {
				t.Errorf("a write while the table of entries is locked: %v", err)
			}
		})
	}
	all.Wait()
}
