package storage_test

import (
	"context"
	"database/sql"
	"errors"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/lib/pq"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// The five promises of the write door, each against a real PostgreSQL.

// TestLostReply loses the reply to COMMIT: it was done, once, and the caller
// is answered.
func TestLostReply(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	w := &wire{}
	db, pool := w.open(t, d, storage.Config{}), d.SQL(t, localpg.Superuser)
	w.loseReplies = 1
	answer, err := openSalon(t.Context(), db, salonRequest("harbour"))
	if err != nil || w.loseReplies != 0 {
		t.Fatalf("%v, %d replies still to lose", err, w.loseReplies)
	}
	wantOnce(t, db, pool, answer)
	if w.commits != 1 {
		t.Errorf("committed %d times, want once", w.commits)
	}
}

// TestLostCommit loses COMMIT itself, three times: the write is done by the
// fourth.
func TestLostCommit(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	w := &wire{}
	db, pool := w.open(t, d, storage.Config{}), d.SQL(t, localpg.Superuser)
	lost := 0
	w.onCommit(func() bool { lost++; return lost > 3 })
	answer, err := openSalon(t.Context(), db, salonRequest("harbour"))
	if err != nil || lost != 4 {
		t.Fatalf("%v after %d commits", err, lost)
	}
	wantOnce(t, db, pool, answer)
}

// TestLostCommitAndServer loses COMMIT and every connection after it: all that
// can be said is that nothing is known, and a retry says the rest.
func TestLostCommitAndServer(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	w := &wire{}
	db, pool := w.open(t, d, storage.Config{}), d.SQL(t, localpg.Superuser)
	req := salonRequest("harbour")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	lost := 0
	w.onCommit(func() bool {
		if lost++; lost == 3 { // the caller gives up
			cancel()
		}
		return false
	})
	if _, err := openSalon(ctx, db, req); !errors.Is(err, storage.ErrUnknown) {
		t.Fatalf("got %v", err)
	}
	w.onCommit(nil)
	answer, err := openSalon(t.Context(), db, req)
	if err != nil {
		t.Fatal(err)
	}
	wantOnce(t, db, pool, answer)
}

// TestRefusalAfterLostCommit: the COMMIT was lost, and meanwhile the handler
// comes to refuse. It is asked of the database whether the commit may still
// happen; it may not, so the refusal stands.
func TestRefusalAfterLostCommit(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	w := &wire{}
	db, pool := w.open(t, d, storage.Config{}), d.SQL(t, localpg.Superuser)
	w.onCommit(func() bool { return false })
	req := salonRequest("harbour")
	refused, runs := errors.New("the licence has expired"), 0
	_, err := storage.Write(t.Context(), db, chain, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		if runs++; runs > 1 {
			return nil, storage.Changes{}, refused
		}
		return newSalon(s, req)
	})
	if err != refused || runs != 2 {
		t.Fatalf("got %v after %d runs", err, runs)
	}
	if got := count(t, pool); got != (counted{}) {
		t.Errorf("rows are %+v, want none", got)
	}
}

// TestRefusalWhileCommitting: the COMMIT is under way in a backend that is
// frozen, and meanwhile the handler comes to refuse. The commit counts, since
// it happens.
func TestRefusalWhileCommitting(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	w := &wire{}
	db := w.open(t, d, storage.Config{ReadTimeout: 2 * time.Second, StatementTimeout: 1900 * time.Millisecond, IdleTimeout: time.Minute})
	pool, admin := d.SQL(t, localpg.Superuser), d.SQL(t, "postgres")
	var frozen int
	w.onCommit(func() bool {
		if frozen == 0 {
			frozen = committing(t, admin)
			signal(t, frozen, syscall.SIGSTOP)
		}
		return true
	})
	req := salonRequest("harbour")
	runs := 0
	thaw := make(chan struct{})
	go func() {
		defer close(thaw)
		eventually(t, "the retry to wait for the frozen backend", func() bool {
			return rowsWhere(t, admin, "pg_stat_activity where wait_event_type = 'Lock' and datname = current_database()") == 1
		})
		signal(t, frozen, syscall.SIGCONT)
	}()
	answer, err := storage.Write(t.Context(), db, chain, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		if runs++; runs > 1 {
			return nil, storage.Changes{}, errors.New("the licence has expired")
		}
		return newSalon(s, req)
	})
	<-thaw
	if err != nil || runs < 2 {
		t.Fatalf("got %v after %d runs", err, runs)
	}
	wantOnce(t, db, pool, answer)
}

// committing finds the backend of the one write that is open.
func committing(t testing.TB, admin *sql.DB) int {
	t.Helper()
	var pid int
	err := admin.QueryRowContext(t.Context(),
		"select pid from pg_stat_activity where datname = current_database() and backend_xid is not null").Scan(&pid)
	if err != nil {
		t.Error(err)
	}
	return pid
}

// signal sends a signal to a server process, and wakes what it froze after the
// test.
func signal(t testing.TB, pid int, sig syscall.Signal) {
	t.Helper()
	if err := syscall.Kill(pid, sig); err != nil {
		t.Error(err)
	}
	if sig == syscall.SIGSTOP {
		t.Cleanup(func() { syscall.Kill(pid, syscall.SIGCONT) })
	}
}

// freeze stops every process of a cluster, as a machine that has died does to
// its clients, and returns what wakes them.
func freeze(t testing.TB, d storagetest.Database, admin *sql.DB) (thaw func()) {
	t.Helper()
	pids := []int64{int64(d.Cluster.PID())}
	var backends pq.Int64Array
	err := admin.QueryRowContext(t.Context(), "select array_agg(pid) from pg_stat_activity where pid <> pg_backend_pid()").Scan(&backends)
	if err != nil {
		t.Error(err)
	}
	pids = append(pids, backends...)
	for _, pid := range pids {
		signal(t, int(pid), syscall.SIGSTOP)
	}
	return func() {
		for _, pid := range pids {
			signal(t, int(pid), syscall.SIGCONT)
		}
	}
}

// TestFrozenServer freezes the server at each stage of a write and never thaws
// it meanwhile: that the call returns at all is the promise. Afterwards a retry
// finds the write done once.
func TestFrozenServer(t *testing.T) {
	t.Parallel()
	const never = time.Hour // what must not be waited for
	for name, c := range map[string]struct {
		stage string
		// deadline is the caller's, and readTimeout the read timeout.
		deadline, readTimeout time.Duration
		want                  []error
	}{
		"before, readTimeout ends":     {"before", never, time.Second, []error{storage.ErrUnavailable}},
		"before, time is up":           {"before", 200 * time.Millisecond, never, []error{context.DeadlineExceeded, storage.ErrUnavailable}},
		"thinking, time is up":         {"thinking", 2 * time.Second, never, []error{context.DeadlineExceeded, storage.ErrUnavailable}},
		"committing, readTimeout ends": {"committing", 4 * time.Second, time.Second, []error{storage.ErrUnknown}},
		"committing, time is up":       {"committing", 2 * time.Second, never, []error{storage.ErrUnknown}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := storagetest.NewDurable(t)
			w := &wire{}
			db := w.open(t, d, storage.Config{ReadTimeout: c.readTimeout, MaxConns: 4})
			admin := d.SQL(t, "postgres")
			pool := d.SQL(t, localpg.Superuser)
			var once sync.Once
			frozen := make(chan func(), 1)
			stage := func(now string) {
				if now == c.stage {
					once.Do(func() { frozen <- freeze(t, d, admin) })
				}
			}
			w.onCommit(func() bool { stage("committing"); return true })
			ctx, cancel := context.WithTimeout(t.Context(), c.deadline)
			defer cancel()
			req := salonRequest("harbour")
			stage("before")
			_, err := storage.Write(ctx, db, chain, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
				answer, changes, err := newSalon(s, req)
				stage("thinking")
				return answer, changes, err
			})
			if !anyOf(err, c.want) {
				t.Errorf("got %v, want one of %v", err, c.want)
			}
			thaw := <-frozen
			thaw()
			answer, err := openSalon(t.Context(), db, req)
			if err != nil {
				t.Fatal(err)
			}
			wantOnce(t, db, pool, answer)
		})
	}
}

// anyOf reports whether an error is one of those wanted.
func anyOf(err error, want []error) bool {
	for _, w := range want {
		if errors.Is(err, w) {
			return true
		}
	}
	return false
}

// TestFrozenRead freezes the server under a read.
func TestFrozenRead(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDurable(t)
	db := d.Open(t, storage.Config{ReadTimeout: time.Hour})
	thaw := freeze(t, d, d.SQL(t, "postgres"))
	defer thaw()
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	err := storage.Read(ctx, db, chain, func(s *storage.Snapshot) error { return nil })
	if !anyOf(err, []error{context.DeadlineExceeded, storage.ErrUnavailable}) {
		t.Errorf("got %v", err)
	}
}

// TestCancelledCaller cancels the caller at each stage. What is acknowledged
// is there, what is not may be asked for again, and nothing is half there.
func TestCancelledCaller(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		stage string
		want  []error // nil for an answer that came all the same
		rows  counted
	}{
		"before":     {"before", []error{context.Canceled}, counted{}},
		"thinking":   {"thinking", []error{context.Canceled}, counted{}},
		"waiting":    {"waiting", []error{context.Canceled}, counted{}},
		"written":    {"written", []error{context.Canceled}, counted{}},
		"committing": {"committing", []error{storage.ErrUnknown, nil}, counted{1, 1, 1}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := storagetest.NewDatabase(t)
			w := &wire{}
			db, pool, admin := w.open(t, d, storage.Config{}), d.SQL(t, localpg.Superuser), d.SQL(t, "postgres")
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			stage := func(now string) {
				if now == c.stage {
					cancel()
				}
			}
			w.onCommit(func() bool { stage("committing"); return true })
			w.onWritten(func() { stage("written") })
			req := salonRequest("harbour")
			var release func()
			if c.stage == "waiting" {
				release = claimByHand(t, pool, req)
				go func() {
					eventually(t, "the claim to wait", func() bool {
						return rowsWhere(t, admin, "pg_stat_activity where wait_event_type = 'Lock' and datname = current_database()") == 1
					})
					cancel()
				}()
			}
			stage("before")
			_, err := storage.Write(ctx, db, chain, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
				answer, changes, err := newSalon(s, req)
				stage("thinking")
				return answer, changes, err
			})
			if !anyOf(err, c.want) {
				t.Errorf("got %v, want one of %v", err, c.want)
			}
			if release != nil {
				release()
			}
			if err := db.Close(); err != nil { // waits for a commit left behind
				t.Error(err)
			}
			if got := count(t, pool); got != c.rows {
				t.Errorf("rows are %+v, want %+v", got, c.rows)
			}
			again := d.Open(t, storage.Config{})
			answer, err := openSalon(t.Context(), again, req)
			if err != nil {
				t.Fatal(err)
			}
			wantOnce(t, again, pool, answer)
		})
	}
}

// claimByHand holds a claim to a request's id in a transaction of its own, and
// returns what gives it up.
func claimByHand(t testing.TB, pool *sql.DB, req *pb.CreateSalonRequest) (release func()) {
	t.Helper()
	tx, err := pool.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	_, err = tx.Exec("insert into requests (chain, id, kind, request, answer) values ($1, $2, '', '', '')", chain, req.GetRequestId())
	if err != nil {
		t.Fatal(err)
	}
	return func() {
		if err := tx.Rollback(); err != nil {
			t.Error(err)
		}
	}
}

// TestKilledServer kills the whole server as a COMMIT goes out. Whatever was
// acknowledged is there after the restart; what was not is done once by a retry.
func TestKilledServer(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDurable(t)
	w := &wire{}
	db := w.open(t, d, storage.Config{})
	before, err := openSalon(t.Context(), db, salonRequest("harbour"))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	w.onCommit(func() bool {
		signal(t, d.Cluster.PID(), syscall.SIGKILL)
		<-d.Cluster.Done()
		time.AfterFunc(500*time.Millisecond, cancel) // the caller gives up, and not before it was killed
		return true
	})
	req := salonRequest("quay")
	if _, err := openSalon(ctx, db, req); !errors.Is(err, storage.ErrUnknown) {
		t.Errorf("got %v", err)
	}
	w.onCommit(nil)
	d = d.Restart(t)
	again := d.Open(t, storage.Config{})
	answer, err := openSalon(t.Context(), again, req)
	if err != nil {
		t.Fatal(err)
	}
	if got := count(t, d.SQL(t, localpg.Superuser)); got != (counted{2, 2, 2}) {
		t.Errorf("rows are %+v, want two of each", got)
	}
	for _, want := range []*pb.CreateSalonResponse{before, answer} {
		err := storage.Read(t.Context(), again, chain, func(s *storage.Snapshot) error {
			got, err := storage.Salons.GetUnchecked(s, want.GetSalon().GetName())
			if !proto.Equal(got, want.GetSalon()) {
				t.Errorf("got %v, want %v", got, want.GetSalon())
			}
			return err
		})
		if err != nil {
			t.Error(err)
		}
	}
}

// TestStaleConnections cuts every connection of the pool while none is used, as
// a restart of the server does: the next callers do not notice.
func TestStaleConnections(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	const conns = 6
	db, admin, pool := d.Open(t, storage.Config{MaxConns: conns}), d.SQL(t, "postgres"), d.SQL(t, localpg.Superuser)
	var all, done sync.WaitGroup
	all.Add(conns)
	for range conns {
		done.Go(func() {
			read(t, db, func(*storage.Snapshot) error {
				all.Done()
				all.Wait() // so that each has a connection of its own
				return nil
			})
		})
	}
	done.Wait()
	ours := "pg_stat_activity where datname = current_database() and usename = 'alkalog_server'"
	if n := rowsWhere(t, admin, "(select pg_terminate_backend(pid) from "+ours+") as cut"); n != conns {
		t.Fatalf("cut %d connections, want %d", n, conns)
	}
	eventually(t, "the connections to go", func() bool { return rowsWhere(t, admin, ours) == 0 })
	answer, err := openSalon(t.Context(), db, salonRequest("harbour"))
	if err != nil {
		t.Fatal(err)
	}
	wantOnce(t, db, pool, answer)
}
