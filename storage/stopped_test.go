package storage_test

import (
	"errors"
	"fmt"
	"syscall"
	"testing"
	"time"

	"github.com/lib/pq"
	"github.com/lib/pq/pqerror"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestAStoppedWriteHoldsUpNobodyElse stops the backend of a write right before its
// COMMIT. Other writes of the chain go on; one that needs a lock of the stopped one
// gives up when its time for locks is over, before its statement's, and can be
// retried. When the backend goes on, the stopped write is there once.
func TestAStoppedWriteHoldsUpNobodyElse(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	pool, admin := d.SQL(t, localpg.Superuser), d.SQL(t, "postgres")
	w := &wire{}
	stopping := w.open(t, d, storage.Config{ReadTimeout: 40 * time.Second, StatementTimeout: 30 * time.Second, MaxConns: 2})
	others := d.Open(t, storage.Config{ReadTimeout: 8 * time.Second, StatementTimeout: 2 * time.Second, MaxConns: 4})
	stopped := make(chan int, 1)
	w.onCommit(func() bool {
		pid := committing(t, admin)
		signal(t, pid, syscall.SIGSTOP)
		stopped <- pid
		return true
	})
	req := salonRequest("harbour")
	type outcome struct {
		answer *pb.CreateSalonResponse
		err    error
	}
	done := make(chan outcome, 1)
	go func() {
		answer, err := openSalon(t.Context(), stopping, req)
		done <- outcome{answer, err}
	}()
	pid := <-stopped
	for i := range 5 {
		if _, err := openSalon(t.Context(), others, salonRequest(fmt.Sprintf("quay-%d", i))); err != nil {
			t.Errorf("another write: %v", err)
		}
	}
	_, err := openSalon(t.Context(), others, req)
	var refused *pq.Error
	if !errors.Is(err, storage.ErrUnavailable) || !errors.As(err, &refused) || refused.Code != pqerror.LockNotAvailable {
		t.Errorf("a write that needs its lock: %v, want %v", err, pqerror.LockNotAvailable)
	}
	if rows := count(t, pool); rows != (counted{5, 5, 5}) {
		t.Errorf("rows are %+v, want 5 of each", rows)
	}
	signal(t, pid, syscall.SIGCONT)
	first := <-done
	again, err := openSalon(t.Context(), others, req)
	if first.err != nil || err != nil || first.answer.GetSalon().GetDisplayName() != again.GetSalon().GetDisplayName() {
		t.Errorf("the stopped write: %v, %v; again: %v, %v", first.answer, first.err, again, err)
	}
	if rows := count(t, pool); rows != (counted{6, 6, 6}) {
		t.Errorf("rows are %+v, want 6 of each", rows)
	}
}
