package storage_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// erase erases a client of the chain.
func erase(ctx context.Context, db *storage.DB, client string) error {
	name := chainName + "/clients/" + client
	req := &pb.EraseClientRequest{Name: name, RequestId: storage.NewID()}
	_, err := storage.Write(ctx, db, chain, req, func(s *storage.Snapshot) (*pb.EraseClientResponse, storage.Changes, error) {
		if _, err := storage.Clients.GetUnchecked(s, name); err != nil {
			return nil, storage.Changes{}, err
		}
		open, err := storage.CountOpen(s, name)
		return &pb.EraseClientResponse{}, storage.Changes{Erase: []storage.Erasure{{Client: name, Open: open}}}, err
	})
	return err
}

// TestErasedRecordsAreNotThere: lists leave them out and stay whole pages, single
// records are not found, and nothing was touched but the keys.
func TestErasedRecordsAreNotThere(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	for i := range 9 {
		client := fmt.Sprintf("c%d", i)
		name := chainName + "/clients/" + client
		put(t, db, storage.Consultations.Insert(of(client, "n1", "x")),
			storage.Decisions.Insert(&pb.Decision{Name: name + "/decisions/d" + client}),
			storage.Sessions.Insert(&pb.Session{Name: name + "/sessions/s" + client, Product: "p", Outcome: "o", UpdateTime: timestamppb.Now()}),
			storage.InsertEvent(name+"/sessions/s"+client, &pb.StoredEvent{Event: &pb.Event{EventId: "e"}}),
			storage.Outcomes.Insert(&pb.Outcome{Name: name + "/outcomes/o1", Session: "s" + client}))
	}
	rows := func() (n int) {
		return rowsWhere(t, pool, "(select 1 from clients union all select 1 from decisions union all select 1 from sessions union all select 1 from session_events) x")
	}
	before := rows()
	for i := 0; i < 9; i += 2 {
		if err := erase(t.Context(), db, fmt.Sprintf("c%d", i)); err != nil {
			t.Fatal(err)
		}
	}
	if rows() != before {
		t.Error("rows of records were touched")
	}
	read(t, db, func(s *storage.Snapshot) error {
		for size := range int32(5) {
			got, pages := names(t, size, func(p storage.Page) ([]*pb.Client, string, error) { return storage.Clients.List(s, chainName, p) })
			if len(got) != 4 || size > 0 && pages != (4+int(size)-1)/int(size) {
				t.Errorf("size %d: %v in %d pages", size, got, pages)
			}
		}
		sessions, _, err := storage.ListSessions(s, storage.SessionFilter{Product: "p"}, storage.Page{})
		count, err2 := storage.CountSessions(s, storage.SessionFilter{Product: "p"})
		latest, err3 := storage.LatestDecisions(s, 100)
		visited := 0
		err4 := storage.EachDecision(s, func(_ *pb.Decision, err error) error { visited++; return err })
		if len(sessions) != 4 || count != 4 || len(latest) != 4 || visited != 4 {
			t.Errorf("%d sessions, counted %d, %d decisions, visited %d", len(sessions), count, len(latest), visited)
		}
		for client, want := range map[string]error{"c0": storage.ErrNotFound, "c1": nil} {
			name := chainName + "/clients/" + client
			_, get := storage.Clients.GetUnchecked(s, name)
			_, consultation := storage.Consultations.GetUnchecked(s, name+"/consultations/n1")
			_, decision := storage.Decisions.GetUnchecked(s, name+"/decisions/d"+client)
			_, session := storage.Sessions.GetUnchecked(s, name+"/sessions/s"+client)
			_, outcome := storage.Outcomes.GetUnchecked(s, name+"/outcomes/o1")
			events, listed := storage.Events(s, name+"/sessions/s"+client, -1)
			for _, err := range []error{get, consultation, decision, session, outcome} {
				if !errors.Is(err, want) {
					t.Errorf("%s: got %v", client, err)
				}
			}
			if listed != nil || (len(events) == 0) != (want != nil) {
				t.Errorf("%s: events %v, %v", client, events, listed)
			}
		}
		return errors.Join(err, err2, err3, err4)
	})
	if err := erase(t.Context(), db, "c0"); !errors.Is(err, storage.ErrNotFound) {
		t.Errorf("erased twice: %v", err)
	}
}

// TestRetriesOfAnErasedClient: what was asked about a client is sealed as well,
// and with the client it is gone; the erasure itself is answered again.
func TestRetriesOfAnErasedClient(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	take := func(req *pb.CreateClientRequest) (*pb.CreateClientResponse, error) {
		return storage.Write(t.Context(), db, chain, req, func(*storage.Snapshot) (*pb.CreateClientResponse, storage.Changes, error) {
			client := proto.CloneOf(req.Client)
			client.Name = chainName + "/clients/" + storage.NewID()
			return &pb.CreateClientResponse{Client: client}, storage.Changes{Records: []storage.Record{storage.Clients.Insert(client)}}, nil
		})
	}
	// The name that a caller puts into a new client is not whose key is taken.
	req := &pb.CreateClientRequest{Parent: chainName, RequestId: storage.NewID(), Client: &pb.Client{Name: clientName, DisplayName: "Canary Wren"}}
	first, err := take(req)
	if err != nil {
		t.Fatal(err)
	}
	if again, err := take(req); err != nil || !proto.Equal(again, first) {
		t.Errorf("asked again: %v, %v", again, err)
	}
	var request, answer []byte
	if err := pool.QueryRow("select request, answer from requests where id = $1", req.RequestId).Scan(&request, &answer); err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(append(request, answer...), []byte("Wren")) {
		t.Error("the request is stored in clear")
	}
	other := proto.CloneOf(req)
	other.Client.DisplayName = "Another"
	if _, err := take(other); !errors.Is(err, storage.ErrReused) {
		t.Errorf("the id for something else: %v", err)
	}
	if err := erase(t.Context(), db, first.Client.Name[len(chainName+"/clients/"):]); err != nil {
		t.Fatal(err)
	}
	if again, err := take(req); !errors.Is(err, storage.ErrNotFound) {
		t.Errorf("after the erasure: %v, %v", again, err)
	}
}

// TestErasureAndWritesDoNotInterleave lets writers and an erasure race for each
// client: a write is done before the erasure, or not at all.
func TestErasureAndWritesDoNotInterleave(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	for round := range 12 {
		client := fmt.Sprintf("r%d", round)
		put(t, db, storage.Clients.Insert(&pb.Client{Name: chainName + "/clients/" + client}))
		var all sync.WaitGroup
		began := make([]error, 4)
		for i := range began {
			all.Go(func() { began[i] = beginSession(t.Context(), db, client, fmt.Sprintf("s%d-%d", round, i)) })
		}
		var gone error
		all.Go(func() { gone = eraseClosed(t.Context(), db, client) })
		all.Wait()
		open := 0
		for _, err := range began {
			switch {
			case err == nil:
				open++
			case !errors.Is(err, storage.ErrNotFound):
				t.Errorf("round %d: a write fails with %v", round, err)
			}
		}
		left := rowsWhere(t, pool, "client_keys where client = $1", client)
		if (gone == nil) != (left == 0) || gone == nil && open > 0 || gone != nil && (!errors.Is(gone, errOpen) || open == 0) {
			t.Errorf("round %d: erasure %v, %d sessions begun, %d keys left", round, gone, open, left)
		}
	}
}

// TestErasedAgainLeavesNoMarks: what a client is found by goes too, when a write that
// the erasure has waited for has just made it.
func TestErasedAgainLeavesNoMarks(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	put(t, db, storage.Clients.Insert(&pb.Client{Name: chainName + "/clients/back", DisplayName: "Nia"}))
	// As a write does that changes the client's number.
	tx, err := pool.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	for _, statement := range []string{"select from client_keys where client = 'back' for key share",
		"insert into client_index select chain, 'phone', 'digest', client from client_keys where client = 'back'"} {
		if _, err := tx.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
	erased := make(chan error, 1)
	go func() {
		n, err := storage.EraseAgain(t.Context(), db, chain, []string{"back"}, func(string) *pb.AuditEntry {
			return &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ERASURE, RecordTime: timestamppb.Now()}
		})
		if err == nil && n != 1 {
			err = fmt.Errorf("%d were erased", n)
		}
		erased <- err
	}()
	eventually(t, "the erasure to wait", func() bool {
		return rowsWhere(t, pool, "pg_stat_activity where wait_event_type = 'Lock' and datname = current_database()") == 1
	})
	if err := errors.Join(tx.Commit(), <-erased); err != nil {
		t.Fatal(err)
	}
	if n := rowsWhere(t, pool, "client_index where client = 'back'"); n != 0 {
		t.Errorf("the client is still found by %d marks", n)
	}
}

var errOpen = errors.New("a session is open")

// eraseClosed erases a client who has no open session.
func eraseClosed(ctx context.Context, db *storage.DB, client string) error {
	name := chainName + "/clients/" + client
	_, err := storage.Write(ctx, db, chain, &pb.EraseClientRequest{Name: name, RequestId: storage.NewID()},
		func(s *storage.Snapshot) (*pb.EraseClientResponse, storage.Changes, error) {
			if open, err := storage.CountOpen(s, name); err != nil || open > 0 {
				return nil, storage.Changes{}, errors.Join(errOpen, err)
			}
			return &pb.EraseClientResponse{}, storage.Changes{Erase: []storage.Erasure{{Client: name}}}, nil
		})
	return err
}

// beginSession begins a session of a client who is there.
func beginSession(ctx context.Context, db *storage.DB, client, id string) error {
	name := chainName + "/clients/" + client
	_, err := storage.Write(ctx, db, chain, &pb.StartSessionRequest{Parent: name, RequestId: storage.NewID()},
		func(s *storage.Snapshot) (*pb.StartSessionResponse, storage.Changes, error) {
			if _, err := storage.Clients.GetUnchecked(s, name); err != nil {
				return nil, storage.Changes{}, err
			}
			session := &pb.Session{Name: name + "/sessions/" + id, OtherSession: name + "/sessions/another"} // several may be open
			return &pb.StartSessionResponse{Session: session}, storage.Changes{Records: []storage.Record{storage.Sessions.Insert(session)}}, nil
		})
	return err
}

// age makes the answered requests of the chain older, as a superuser can who
// takes the trigger away first.
func age(t testing.TB, pool *sql.DB, by time.Duration) {
	t.Helper()
	for _, statement := range []string{"alter table requests disable trigger refuse_change",
		fmt.Sprintf("update requests set claim_time = claim_time - interval '%d seconds'", int(by.Seconds())),
		"alter table requests enable always trigger refuse_change"} {
		if _, err := pool.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
}

// TestPurge forgets answered requests that are old enough, with an entry that
// counts them, and none that is younger than a day whatever it is told.
func TestPurge(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	for range 3 {
		log(t, db)
	}
	age(t, pool, 36*24*time.Hour)
	log(t, db)
	purge := func(in string, days int32) (n int64, err error) {
		n, _, err = storage.PurgeRequests(t.Context(), db, in, days, func(n int64) *pb.AuditEntry {
			return &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_PURGE, Count: n, RecordTime: timestamppb.Now()}
		})
		return n, err
	}
	if n, err := purge(chain, 35); err != nil || n != 0 {
		t.Errorf("before an entry covers what they have stored: %d, %v", n, err)
	}
	cover(t, db)
	for _, c := range []struct {
		in   string
		days int32
		want int64
	}{{"other", 35, 0}, {chain, 37, 0}, {chain, 35, 3}, {chain, 35, 0}} {
		if n, err := purge(c.in, c.days); err != nil || n != c.want {
			t.Errorf("%s, %d days: %d, %v; want %d", c.in, c.days, n, err, c.want)
		}
	}
	if n := rowsWhere(t, pool, "audit_entries where kind = 'ENTRY_KIND_PURGE'"); n != 1 {
		t.Errorf("%d entries of purges, want 1", n)
	}
	if n, err := purge(chain, 0); err == nil || n != 0 || rowsWhere(t, pool, "requests") != 1 {
		t.Errorf("a request of today: %d, %v", n, err)
	}
	db.Forbid("as a test")
	if _, err := purge(chain, 35); !errors.Is(err, storage.ErrReadOnly) {
		t.Errorf("while nothing is written: %v", err)
	}
}

// TestErasedKeysPutBackAreNotUsed: a superuser puts the wrapped key of an erased
// client back; every door answers as if the client had never been.
func TestErasedKeysPutBackAreNotUsed(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	for _, client := range []string{"gone", "kept"} {
		name := chainName + "/clients/" + client
		put(t, db, storage.Clients.Insert(&pb.Client{Name: name, DisplayName: "Canary Wren"}))
		put(t, db, storage.Decisions.Insert(&pb.Decision{Name: name + "/decisions/d-" + client}),
			storage.Sessions.Insert(&pb.Session{Name: name + "/sessions/s-" + client, UpdateTime: timestamppb.Now()}),
			storage.InsertEvent(name+"/sessions/s-"+client, &pb.StoredEvent{Event: &pb.Event{EventId: "e"}}))
	}
	gone := chainName + "/clients/gone"
	if _, err := pool.Exec("create table public.kept_keys as select * from alkalog.client_keys"); err != nil {
		t.Fatal(err)
	}
	if err := erase(t.Context(), db, "gone"); err != nil {
		t.Fatal(err)
	}
	if _, err := pool.Exec("insert into alkalog.client_keys select * from public.kept_keys where client = 'gone'"); err != nil {
		t.Fatal(err)
	}
	read(t, db, func(s *storage.Snapshot) error {
		if _, err := storage.Clients.GetUnchecked(s, gone); err != nil {
			t.Fatalf("the key that was put back does not open the client, so this test shows nothing: %v", err)
		}
		return nil
	})
	db.MarkErased(gone, "chains/"+chain, "nonsense")
	read(t, db, func(s *storage.Snapshot) error {
		for _, err := range []error{get(s, storage.Clients.GetUnchecked, gone), get(s, storage.Decisions.GetUnchecked, gone+"/decisions/d-gone"), get(s, storage.Sessions.GetUnchecked, gone+"/sessions/s-gone")} {
			if !errors.Is(err, storage.ErrNotFound) {
				t.Errorf("a record of the erased client: %v", err)
			}
		}
		clients, _, err := storage.Clients.List(s, chainName, storage.Page{})
		found, _, err2 := storage.FindClients(s, storage.ClientLookup{DisplayName: "canary wren"}, storage.Page{})
		sessions, _, err3 := storage.ListSessions(s, storage.SessionFilter{}, storage.Page{})
		events, err4 := storage.Events(s, gone+"/sessions/s-gone", -1)
		latest, err5 := storage.LatestDecisions(s, 10)
		visited := 0
		err6 := storage.EachDecision(s, func(*pb.Decision, error) error { visited++; return nil })
		if len(clients) != 1 || len(found) != 1 || len(sessions) != 1 || len(events) != 0 || len(latest) != 1 || visited != 1 {
			t.Errorf("%d clients, %d found, %d sessions, %d events, %d decisions, %d visited", len(clients), len(found), len(sessions), len(events), len(latest), visited)
		}
		return errors.Join(err, err2, err3, err4, err5, err6)
	})
	if err := beginSession(t.Context(), db, "gone", "s-late"); !errors.Is(err, storage.ErrNotFound) {
		t.Errorf("a write: %v", err)
	}
	if revived := db.RevivedClients(); len(revived) != 1 || revived[0] != gone {
		t.Errorf("reported as revived: %v", revived)
	}
	read(t, db, storage.FindRevived)
	if revived := db.RevivedClients(); len(revived) != 1 {
		t.Errorf("looked for: %v", revived)
	}
	if revived := db.RevivedClients(); len(revived) != 0 {
		t.Errorf("reported twice: %v", revived)
	}
}

// get is the error of reading a record.
func get[M proto.Message](s *storage.Snapshot, read func(*storage.Snapshot, string) (M, error), name string) error {
	_, err := read(s, name)
	return err
}

// TestErasuresAreReadFromTheLog of one chain and, as they come, of all.
func TestErasuresAreReadFromTheLog(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	before, err := storage.SettledBefore(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	put(t, db, storage.Clients.Insert(&pb.Client{Name: clientName}))
	_, err = storage.EraseAgain(t.Context(), db, chain, []string{clientName[len(chainName+"/clients/"):]}, func(string) *pb.AuditEntry {
		return &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ERASURE, Client: clientName, RecordTime: timestamppb.Now()}
	})
	if err != nil {
		t.Fatal(err)
	}
	log(t, db)
	after, err := storage.SettledBefore(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		from, before int64
		want         int
	}{{before, after, 1}, {0, after, 1}, {after, after + 10, 0}, {before, before, 0}} {
		if names, err := storage.ErasuresFrom(t.Context(), db, c.from, c.before); err != nil || len(names) != c.want || c.want == 1 && names[0] != clientName {
			t.Errorf("from %d before %d: %v, %v", c.from, c.before, names, err)
		}
	}
	read(t, db, func(s *storage.Snapshot) error {
		names, err := storage.Erasures(s)
		if len(names) != 1 || names[0] != clientName {
			t.Errorf("of the chain: %v", names)
		}
		return err
	})
}
