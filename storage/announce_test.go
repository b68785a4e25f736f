package storage_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/lib/pq"

	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestAnnounce tells another server of changes, and tells it to look at
// everything again when its connection was cut.
func TestAnnounce(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	one, other, admin := d.Open(t, storage.Config{}), d.Open(t, storage.Config{}), d.SQL(t, "postgres")
	heard := make(chan string, 10)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- storage.Listen(ctx, other, func(name string) { heard <- name }) }()
	want := func(names ...string) {
		t.Helper()
		for _, name := range names {
			if got := <-heard; got != name {
				t.Fatalf("heard %q, want %q", got, name)
			}
		}
	}
	want("")
	if err := storage.Announce(t.Context(), one, []string{"a", "b"}); err != nil {
		t.Fatal(err)
	}
	want(storage.Topic("a"), storage.Topic("b"))
	// Anybody may speak there; an empty word wakes nobody.
	do(t, d.SQL(t, storage.RoleAuditor), "notify alkalog; notify alkalog, 'made up'")
	want("made up")
	cut := rowsWhere(t, admin, "(select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and query ilike 'listen%') as cut")
	if cut != 1 {
		t.Fatalf("cut %d connections, want the listener's", cut)
	}
	want("")
	cancel()
	if err := <-ended; err == nil {
		t.Error("ended without an error")
	}
}

// TestListenEnds gives up listening to a server that is not there.
func TestListenEnds(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDurable(t)
	db := d.Open(t, storage.Config{})
	if err := d.Cluster.Stop(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- storage.Listen(ctx, db, func(string) { t.Error("heard something") }) }()
	cancel()
	<-ended
}

// TestAuditorStopsNobody: somebody who logs in to look at the logs can take no
// lock that a write waits for, and hears no names of clients and sessions.
func TestAuditorStopsNobody(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, auditor := d.Open(t, storage.Config{}), d.SQL(t, storage.RoleAuditor)
	for _, lock := range []string{"pg_advisory_lock(1)", "pg_advisory_lock_shared(1)", "pg_advisory_xact_lock(1, 1)", "pg_try_advisory_lock(1)",
		"pg_try_advisory_xact_lock_shared(1)", "pg_advisory_unlock_all()"} {
		wantRefused(t, auditor, "select "+lock, "permission denied")
	}
	heard := pq.NewListener(d.DSN(storage.RoleAuditor), time.Second, time.Second, nil)
	defer heard.Close()
	if err := heard.Listen("alkalog"); err != nil {
		t.Fatal(err)
	}
	name := clientName + "/sessions/s1"
	if err := storage.Announce(t.Context(), db, []string{name}); err != nil {
		t.Fatal(err)
	}
	if said := (<-heard.Notify).Extra; said != storage.Topic(name) || strings.Contains(said, "s1") || strings.Contains(said, chain) {
		t.Errorf("an auditor hears %q", said)
	}
	if _, err := openSalon(t.Context(), db, salonRequest("harbour")); err != nil {
		t.Errorf("a write by the server: %v", err)
	}
	do(t, d.SQL(t, localpg.Superuser), "grant execute on function pg_advisory_lock(bigint) to public")
	if _, err := storage.Open(t.Context(), storage.Config{DSN: d.DSN(storage.RoleServer)}); err == nil || !strings.Contains(err.Error(), "advisory locks") {
		t.Errorf("where everybody may take locks again: %v", err)
	}
}
