package storage_test

import (
	"testing"

	"github.com/google/uuid"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestOpenSessionsAreCountedAtTheCommit: a write that was decided while a client had no open
// session runs again when one was begun meanwhile, and then sees it. Two writes that each
// begin a session and count those of the other's client do not both commit.
func TestOpenSessionsAreCountedAtTheCommit(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	one, other := chainName+"/clients/c1", chainName+"/clients/c2"
	for _, name := range []string{one, other} {
		put(t, db, storage.Clients.Insert(&pb.Client{Name: name, DisplayName: "Nia"}))
	}
	begin := func(client string) storage.Record {
		return storage.Sessions.Insert(&pb.Session{Name: client + "/sessions/" + storage.NewID()})
	}
	runs, seen := 0, 0
	_, err := storage.Write(t.Context(), db, chain, &pb.LinkClientsRequest{Name: one, Client: other, RequestId: uuid.NewString()}, func(s *storage.Snapshot) (*pb.LinkClientsResponse, storage.Changes, error) {
		runs++
		var err error
		if seen, err = storage.CountOpen(s, other); err == nil && runs == 1 {
			put(t, db, begin(other))
		}
		return &pb.LinkClientsResponse{}, storage.Changes{Open: []storage.OpenSessions{{Client: one}, {Client: other, Count: seen}}}, err
	})
	if err != nil || runs != 2 || seen != 1 {
		t.Errorf("%v; it ran %d times, and saw %d open sessions at last, want 2 and 1", err, runs, seen)
	}

	// Both writes are held at the row of a client until both have been decided.
	three, four := chainName+"/clients/c3", chainName+"/clients/c4"
	for _, name := range []string{three, four} {
		put(t, db, storage.Clients.Insert(&pb.Client{Name: name, DisplayName: "Nia"}))
	}
	hold, err := pool.Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer hold.Rollback()
	if _, err := hold.Exec("select id from clients where id in ('c3', 'c4') for update"); err != nil {
		t.Fatal(err)
	}
	counts := make(chan int, 2)
	for own, others := range map[string]string{three: four, four: three} {
		go func() {
			last := 0
			_, err := storage.Write(t.Context(), db, chain, &pb.LinkClientsRequest{Name: own, Client: others, RequestId: uuid.NewString()}, func(s *storage.Snapshot) (*pb.LinkClientsResponse, storage.Changes, error) {
				open, err := storage.CountOpen(s, others)
				last = open
				changes := storage.Changes{Open: []storage.OpenSessions{{Client: own}, {Client: others, Count: open}}}
				if open == 0 {
					changes.Records = []storage.Record{begin(own)}
				} else {
					changes.Open = nil
				}
				return &pb.LinkClientsResponse{}, changes, err
			})
			if err != nil {
				t.Error(err)
			}
			counts <- last
		}()
	}
	eventually(t, "both wait for the clients", func() bool {
		return rowsWhere(t, pool, "pg_stat_activity where wait_event_type = 'Lock' and datname = current_database()") >= 2
	})
	if err := hold.Commit(); err != nil {
		t.Fatal(err)
	}
	if first, second := <-counts, <-counts; first+second != 1 {
		t.Errorf("the writes saw %d and %d open sessions of the other, want one of them to see one", first, second)
	}
}
