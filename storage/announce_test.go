package storage_test

import (
	"context"
	"testing"

	"alkalog/storage"
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
	want("a", "b")
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
