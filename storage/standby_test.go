package storage_test

import (
	"context"
	"database/sql"
	"errors"
	"testing"
	"time"

	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestStandbyGone commits on a primary whose synchronous standby does not
// answer: COMMIT waits, the caller's time runs out, and it must not be told
// that the write was done, as it would be lost with the primary.
func TestStandbyGone(t *testing.T) {
	t.Parallel()
	for _, end := range []string{"deadline", "pg_cancel_backend", "pg_terminate_backend"} {
		t.Run(end, func(t *testing.T) {
			t.Parallel()
			d := storagetest.NewDurable(t)
			db := d.Open(t, storage.Config{ReadTimeout: 30 * time.Second})
			admin := d.SQL(t, "postgres")
			standby(t, admin, "nobody")
			ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
			defer cancel()
			req := salonRequest("harbour")
			result := make(chan error)
			go func() {
				_, err := openSalon(ctx, db, req)
				result <- err
			}()
			var backend int
			eventually(t, "COMMIT to wait for the standby", func() bool {
				backend = waitingForStandby(t, admin)
				return backend != 0
			})
			if end != "deadline" {
				rowsWhere(t, admin, end+"($1)", backend)
			}
			if err := <-result; !errors.Is(err, storage.ErrUnknown) {
				t.Errorf("got %v, want outcome unknown", err)
			}
			for range 200 { // a cancel request would be here by then
				if end == "deadline" && waitingForStandby(t, admin) != backend {
					t.Fatal("the end of the caller's time cut COMMIT short")
				}
			}
			// A retry may find the answer here by now. It is not on the standby.
			again, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
			defer cancel()
			if answer, err := openSalon(again, db, req); !errors.Is(err, storage.ErrUnknown) && !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("the retry got %v, %v", answer, err)
			}
			standby(t, admin, "")
			answer, err := openSalon(t.Context(), db, req)
			if err != nil {
				t.Fatal(err)
			}
			wantOnce(t, db, d.SQL(t, localpg.Superuser), answer)
		})
	}
}

// standby names the synchronous standby of a running server, and waits until
// commits wait for it, or do not. The server's processes take a setting in one
// after the other, and a commit waits only when the checkpointer has.
func standby(t testing.TB, admin *sql.DB, name string) {
	t.Helper()
	for _, statement := range []string{"alter system set synchronous_standby_names = '" + name + "'", "select pg_reload_conf()"} {
		if _, err := admin.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, "the server to take its settings in", func() bool {
		done := make(chan error, 1)
		go func() {
			_, err := admin.Exec("select pg_logical_emit_message(true, 'probe', '')")
			done <- err
		}()
		waits := false
		for len(done) == 0 {
			if pid := waitingForStandby(t, admin); pid != 0 {
				waits = true
				rowsWhere(t, admin, "pg_cancel_backend($1)", pid)
			}
		}
		if err := <-done; err != nil {
			t.Error(err)
		}
		return waits == (name != "")
	})
}

// waitingForStandby finds a backend whose COMMIT waits for the standby.
func waitingForStandby(t testing.TB, admin *sql.DB) int {
	t.Helper()
	var pid int
	err := admin.QueryRowContext(t.Context(), "select coalesce(max(pid), 0) from pg_stat_activity where wait_event = 'SyncRep'").Scan(&pid)
	if err != nil {
		t.Error(err)
	}
	return pid
}
