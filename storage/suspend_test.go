package storage_test

import (
	"context"
	"testing"
	"time"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// TestWritesWaitAfterARestart: when the database was restarted, as it is when a
// backup is put back, no write is committed until somebody has compared it with what
// was seen; then the write that waits is done.
func TestWritesWaitAfterARestart(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDurable(t)
	db := d.Open(t, storage.Config{})
	wake := db.SuspendOnChange()
	if _, err := openSalon(t.Context(), db, salonRequest("harbour")); err != nil || db.Suspended() {
		t.Fatalf("nothing has changed: %v, %t", err, db.Suspended())
	}
	if err := d.Cluster.Stop(); err != nil {
		t.Fatal(err)
	}
	again := storagetest.StartDurable(t, d.Dir)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	done := make(chan error, 1)
	go func() {
		_, err := openSalon(ctx, db, salonRequest("quay"))
		done <- err
	}()
	select {
	case <-wake:
	case err := <-done:
		t.Fatalf("the write did not wait: %v", err)
	}
	before := db.Changes()
	db.Resume(before - 1)
	if n := rowsWhere(t, again.SQL(t, "postgres"), "salons"); n != 1 || !db.Suspended() {
		t.Errorf("%d salons, suspended: %t", n, db.Suspended())
	}
	db.Resume(before)
	if err := <-done; err != nil {
		t.Errorf("the write that has waited: %v", err)
	}
	if n := rowsWhere(t, again.SQL(t, "postgres"), "salons"); n != 2 {
		t.Errorf("%d salons, want 2", n)
	}
}
