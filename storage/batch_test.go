package storage_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// Group commit: each caller in a batch is promised what it is promised alone.

// batch is a database where one write is held at its COMMIT, so that those which come
// meanwhile are in one batch.
type batch struct {
	storagetest.Database
	db    *storage.DB
	wire  *wire
	pool  *sql.DB
	admin *sql.DB
	// gathered is set when the calls are in one batch.
	gathered atomic.Bool
}

// newBatch opens a database whose writes go one batch after the other.
func newBatch(t *testing.T, d storagetest.Database) *batch {
	t.Helper()
	b := &batch{Database: d, wire: &wire{}}
	b.pool, b.admin = b.SQL(t, localpg.Superuser), b.SQL(t, "postgres")
	b.db = b.wire.open(t, b.Database, storage.Config{MaxConns: 30, Writers: 1, ReadTimeout: 5 * time.Minute})
	storage.StalledAfter(b.db, time.Hour)
	return b
}

// together begins a write and holds it at its COMMIT until every one of n calls waits for its
// batch. Then it lets go, and the calls are in one batch. Before the COMMITs that follow,
// onCommit is called.
func (b *batch) together(t *testing.T, n int, onCommit func() bool, calls ...func() error) []error {
	t.Helper()
	gathered, holding := make(chan struct{}), make(chan struct{})
	var once sync.Once
	b.wire.onCommit(func() bool {
		first := false
		once.Do(func() { first = true })
		if first {
			close(holding)
			<-gathered
			return true
		}
		return onCommit == nil || onCommit()
	})
	var all sync.WaitGroup
	all.Go(func() {
		if _, err := openSalon(t.Context(), b.db, salonRequest("first-"+storage.NewID())); err != nil {
			t.Error(err)
		}
	})
	<-holding
	errs := make([]error, len(calls))
	for i, call := range calls {
		all.Go(func() { errs[i] = call() })
	}
	eventually(t, "the calls to wait", func() bool { return storage.Gathered(b.db, chain) == n })
	b.gathered.Store(true)
	close(gathered)
	all.Wait()
	b.wire.onCommit(nil)
	return errs
}

// commits returns how often COMMIT was sent.
func (b *batch) commits() int {
	b.wire.mu.Lock()
	defer b.wire.mu.Unlock()
	return b.wire.commits
}

// salons are n calls that open salons.
func (b *batch) salons(t *testing.T, n int) (calls []func() error) {
	for i := range n {
		calls = append(calls, func() error {
			_, err := openSalon(t.Context(), b.db, salonRequest(fmt.Sprintf("quay-%d", i)))
			return err
		})
	}
	return calls
}

// wantNone fails if one of the errors is not nil.
func wantNone(t *testing.T, errs []error) {
	t.Helper()
	for i, err := range errs {
		if err != nil {
			t.Errorf("caller %d: %v", i, err)
		}
	}
}

// wantRows fails unless there are so many requests, salons and entries.
func (b *batch) wantRows(t *testing.T, n int) {
	t.Helper()
	if got := count(t, b.pool); got != (counted{n, n, n}) {
		t.Errorf("rows are %+v, want %d of each", got, n)
	}
}

// TestBatchCommitsOnce: what is ready together is one COMMIT.
func TestBatchCommitsOnce(t *testing.T) {
	t.Parallel()
	b := newBatch(t, storagetest.NewDatabase(t))
	wantNone(t, b.together(t, 20, nil, b.salons(t, 20)...))
	b.wantRows(t, 21)
	if n := b.commits(); n != 2 {
		t.Errorf("%d COMMITs for 1 and 20 writes, want 2", n)
	}
}

// TestBatchIsBounded: more than 32 writes are several batches.
func TestBatchIsBounded(t *testing.T) {
	t.Parallel()
	b := newBatch(t, storagetest.NewDatabase(t))
	wantNone(t, b.together(t, 70, nil, b.salons(t, 70)...))
	b.wantRows(t, 71)
	if n := b.commits(); n != 1+3 {
		t.Errorf("%d COMMITs for 1 and 70 writes, want 4", n)
	}
}

// TestBatchLeavesOutTheStale: one write was decided on a product that has changed, one
// replaces it, two have the same request id. The stale one runs again and nobody else
// does; of one request there is one effect.
func TestBatchLeavesOutTheStale(t *testing.T) {
	t.Parallel()
	b := newBatch(t, storagetest.NewDatabase(t))
	product := &pb.Product{Name: chainName + "/products/relaxer"}
	put(t, b.db, storage.Products.Insert(product))
	var stale, replacing int
	staleCall := func() error {
		req := salonRequest("stale")
		_, err := storage.Write(t.Context(), b.db, chain, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
			read, err := storage.Products.GetUnchecked(s, product.GetName())
			if err != nil {
				return nil, storage.Changes{}, err
			}
			if stale++; stale == 1 { // behind its back, as another server does
				do(t, b.pool, "update products set etag = 'changed' where id = 'relaxer'")
				do(t, b.pool, "update products set etag = '"+read.Etag+"' where id = 'relaxer'")
				read.Etag = "0000000000000000"
			}
			answer, changes, err := newSalon(s, req)
			changes.Records = append(changes.Records, storage.Products.Unchanged(read))
			return answer, changes, err
		})
		return err
	}
	twice := salonRequest("twice")
	answers := make([]*pb.CreateSalonResponse, 2)
	again := func(i int) func() error {
		return func() (err error) { answers[i], err = openSalon(t.Context(), b.db, twice); return err }
	}
	calls := append(b.salons(t, 5), staleCall, again(0), again(1), func() error { return addLot(t.Context(), b.db, product.GetName(), "a", &replacing) })
	wantNone(t, b.together(t, len(calls), nil, calls...))
	if stale < 2 || replacing != 1 {
		t.Errorf("the stale write ran %d times, want more than once; the one that replaces %d times, want 1", stale, replacing)
	}
	if !proto.Equal(answers[0], answers[1]) {
		t.Errorf("one request has two answers: %v, %v", answers[0], answers[1])
	}
	if got := count(t, b.pool); got != (counted{1 + 1 + 5 + 1 + 1 + 1, 1 + 5 + 1 + 1, 1 + 5 + 1 + 1}) {
		t.Errorf("rows are %+v", got)
	}
}

// TestBatchOfContenders: writes of one batch replace one record. One of them wins, the
// others run again on what it has written, and no update is lost.
func TestBatchOfContenders(t *testing.T) {
	t.Parallel()
	b := newBatch(t, storagetest.NewDatabase(t))
	product := &pb.Product{Name: chainName + "/products/relaxer"}
	put(t, b.db, storage.Products.Insert(product))
	var calls []func() error
	for i := range 4 {
		calls = append(calls, func() error {
			runs := 0
			return addLot(t.Context(), b.db, product.GetName(), fmt.Sprint(i), &runs)
		})
	}
	wantNone(t, b.together(t, 4, nil, calls...))
	read(t, b.db, func(s *storage.Snapshot) error {
		got, err := storage.Products.GetUnchecked(s, product.GetName())
		if len(got.GetLots()) != 4 {
			t.Errorf("lots are %v", got.GetLots())
		}
		return err
	})
}

// TestBatchRefused: the database refuses what one of the writes wants, at the statement
// or at COMMIT. That caller gets its error, and the others are done.
func TestBatchRefused(t *testing.T) {
	t.Parallel()
	refer := &pb.Decision{Name: clientName + "/decisions/d1", Verdict: pb.Verdict_VERDICT_REFER}
	for what, c := range map[string]struct {
		changes storage.Changes
		want    string
	}{
		"text that is not UTF-8":      {storage.Changes{Entries: []*pb.AuditEntry{{Actor: "\x00", RecordTime: timestamppb.Now()}}}, "invalid byte sequence"},
		"a refusal without its entry": {storage.Changes{Records: []storage.Record{storage.Decisions.Insert(refer)}}, "has no audit entry"},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			b := newBatch(t, storagetest.NewDatabase(t))
			put(t, b.db, storage.Clients.Insert(&pb.Client{Name: clientName}))
			bad := func() error {
				_, err := storage.Write(t.Context(), b.db, chain, salonRequest("bad"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
					return &pb.CreateSalonResponse{}, c.changes, nil
				})
				return err
			}
			errs := b.together(t, 6, nil, append(b.salons(t, 5), bad)...)
			wantNone(t, errs[:5])
			if errs[5] == nil || !strings.Contains(errs[5].Error(), c.want) {
				t.Errorf("got %v, want %q", errs[5], c.want)
			}
			if got := count(t, b.pool); got != (counted{7, 6, 6}) {
				t.Errorf("rows are %+v", got)
			}
		})
	}
}

// TestBatchWithoutTheCancelled: a caller gives up while its batch waits, is written, or
// is committed. What it is told is true, and the others are done.
func TestBatchWithoutTheCancelled(t *testing.T) {
	t.Parallel()
	for stage, c := range map[string]struct {
		want error
		rows int
	}{"waiting": {context.Canceled, 6}, "written": {context.Canceled, 6}, "committing": {storage.ErrUnknown, 7}} {
		t.Run(stage, func(t *testing.T) {
			t.Parallel()
			b := newBatch(t, storagetest.NewDatabase(t))
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			ended := make(chan struct{})
			giveUp := func() { cancel(); <-ended }
			cancelled := func() error {
				_, err := openSalon(ctx, b.db, salonRequest("cancelled"))
				close(ended)
				return err
			}
			calls := append(b.salons(t, 5), cancelled)
			if stage == "waiting" {
				calls = append(calls, func() error {
					eventually(t, "all to wait", func() bool { return storage.Gathered(b.db, chain) == 6 })
					giveUp()
					_, err := openSalon(t.Context(), b.db, salonRequest("last"))
					return err
				})
				c.rows++
				errs := b.together(t, 7, nil, calls...)
				check(t, b, errs, c.want, c.rows)
				return
			}
			if stage == "written" {
				b.wire.onWritten(func() { // as the entries of the batch are written
					if b.gathered.Load() {
						b.wire.mu.Unlock()
						giveUp()
						b.wire.mu.Lock()
					}
				})
			}
			errs := b.together(t, 6, func() bool {
				if stage == "committing" {
					giveUp()
				}
				return true
			}, calls...)
			check(t, b, errs, c.want, c.rows)
		})
	}
}

// check checks what a batch came to whose sixth caller was cancelled.
func check(t *testing.T, b *batch, errs []error, want error, rows int) {
	t.Helper()
	for i, err := range errs {
		if i != 5 && err != nil || i == 5 && !errors.Is(err, want) {
			t.Errorf("caller %d: %v", i, err)
		}
	}
	if err := b.db.Close(); err != nil {
		t.Error(err)
	}
	b.wantRows(t, rows)
}

// TestBatchLosesItsReply: the reply to the COMMIT of a batch is lost, or the COMMIT
// itself. Every caller finds out for itself, and everything is done once.
func TestBatchLosesItsReply(t *testing.T) {
	t.Parallel()
	for _, what := range []string{"reply", "commit"} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			b := newBatch(t, storagetest.NewDatabase(t))
			var once sync.Once
			errs := b.together(t, 8, func() bool {
				pass := true
				once.Do(func() {
					if what == "commit" {
						pass = false
						return
					}
					b.wire.loseNext()
				})
				return pass
			}, b.salons(t, 8)...)
			wantNone(t, errs)
			b.wantRows(t, 9)
		})
	}
}

// TestBatchUnknown: COMMIT is lost with every connection after it, and the callers give
// up: the outcome is unknown to each, and a retry of each is done once.
func TestBatchUnknown(t *testing.T) {
	t.Parallel()
	b := newBatch(t, storagetest.NewDatabase(t))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var calls []func() error
	var requests []*pb.CreateSalonRequest
	for i := range 6 {
		req := salonRequest(fmt.Sprintf("quay-%d", i))
		requests = append(requests, req)
		calls = append(calls, func() error { _, err := openSalon(ctx, b.db, req); return err })
	}
	for i, err := range b.together(t, 6, func() bool { cancel(); return false }, calls...) {
		if !errors.Is(err, storage.ErrUnknown) {
			t.Errorf("caller %d: %v, want unknown", i, err)
		}
	}
	for _, req := range requests {
		if _, err := openSalon(t.Context(), b.db, req); err != nil {
			t.Error(err)
		}
	}
	b.wantRows(t, 7)
}

// TestBatchFrozen freezes the backend of a batch at its COMMIT. Its callers are released
// with an unknown outcome when their time is up; a write that comes later does not wait
// for them. When the backend goes on, everything is there once.
func TestBatchFrozen(t *testing.T) {
	t.Parallel()
	b := newBatch(t, storagetest.NewDatabase(t))
	storage.StalledAfter(b.db, 3*time.Second)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var calls []func() error
	var requests []*pb.CreateSalonRequest
	for i := range 4 {
		req := salonRequest(fmt.Sprintf("quay-%d", i))
		requests = append(requests, req)
		calls = append(calls, func() error { _, err := openSalon(ctx, b.db, req); return err })
	}
	pid := 0
	var once sync.Once
	calls = append(calls, func() error {
		eventually(t, "the batch to be frozen", func() bool { return frozen(b.wire, &pid) })
		_, err := openSalon(t.Context(), b.db, salonRequest("later"))
		cancel()
		return err
	})
	errs := b.together(t, 4, func() bool {
		once.Do(func() {
			found := committing(t, b.admin)
			signal(t, found, syscall.SIGSTOP)
			b.wire.mu.Lock()
			pid = found
			b.wire.mu.Unlock()
		})
		return true
	}, calls...)
	for i, err := range errs {
		if i < 4 && !errors.Is(err, storage.ErrUnknown) || i == 4 && err != nil {
			t.Errorf("caller %d: %v", i, err)
		}
	}
	signal(t, pid, syscall.SIGCONT)
	for _, req := range requests {
		if _, err := openSalon(t.Context(), b.db, req); err != nil {
			t.Error(err)
		}
	}
	b.wantRows(t, 6)
}

// frozen reports whether a backend was frozen.
func frozen(w *wire, pid *int) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return *pid != 0
}

// TestBatchAndErasure: a client is erased while another write of the client is in the
// same batch. The write is there before the erasure, or it is refused.
func TestBatchAndErasure(t *testing.T) {
	t.Parallel()
	b := newBatch(t, storagetest.NewDatabase(t))
	put(t, b.db, storage.Clients.Insert(&pb.Client{Name: clientName}))
	errs := b.together(t, 1, nil,
		func() error { return beginSession(t.Context(), b.db, "c1", "s1") },
		func() error {
			// Earlier, the session would be refused before it comes into a batch.
			eventually(t, "the session to wait", func() bool { return storage.Gathered(b.db, chain) == 1 || b.gathered.Load() })
			return eraseClosed(t.Context(), b.db, "c1")
		})
	left, sessions := rowsWhere(t, b.pool, "client_keys"), rowsWhere(t, b.pool, "sessions")
	began, erased := errs[0] == nil, errs[1] == nil
	if began == erased || began != (sessions == 1) || erased != (left == 0) {
		t.Errorf("a session was begun: %v; the client was erased: %v; %d sessions, %d keys", errs[0], errs[1], sessions, left)
	}
}

// TestBatchIsForbidden: writes are forbidden, or held back, between the statements of a
// batch and its COMMIT. Nothing of it is written until they are allowed again.
func TestBatchIsForbidden(t *testing.T) {
	t.Parallel()
	t.Run("forbidden", func(t *testing.T) {
		t.Parallel()
		b := newBatch(t, storagetest.NewDatabase(t))
		b.wire.onWritten(func() {
			if b.gathered.Load() {
				b.db.Forbid("as a test")
			}
		})
		for i, err := range b.together(t, 5, nil, b.salons(t, 5)...) {
			if !errors.Is(err, storage.ErrReadOnly) {
				t.Errorf("caller %d: %v", i, err)
			}
		}
		b.wantRows(t, 1)
	})
	t.Run("held back", func(t *testing.T) {
		t.Parallel()
		b := newBatch(t, storagetest.NewDatabase(t))
		b.db.SuspendOnChange()
		var once sync.Once
		b.wire.onWritten(func() {
			if b.gathered.Load() {
				once.Do(func() {
					storage.Suspend(b.db)
					time.AfterFunc(200*time.Millisecond, func() {
						if n := count(t, b.pool); n.salons != 1 {
							t.Errorf("rows are %+v while writes are held back", n)
						}
						b.db.Resume(b.db.Changes())
					})
				})
			}
		})
		wantNone(t, b.together(t, 5, nil, b.salons(t, 5)...))
		b.wantRows(t, 6)
	})
}

// TestBatchOnAReplacedServer kills the server at the COMMIT of a batch and starts it
// again: every caller has done its write once, and what was acknowledged is there.
func TestBatchOnAReplacedServer(t *testing.T) {
	t.Parallel()
	b := newBatch(t, storagetest.NewDurable(t))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var calls []func() error
	var requests []*pb.CreateSalonRequest
	for i := range 6 {
		req := salonRequest(fmt.Sprintf("quay-%d", i))
		requests = append(requests, req)
		calls = append(calls, func() error { _, err := openSalon(ctx, b.db, req); return err })
	}
	var once sync.Once
	errs := b.together(t, 6, func() bool {
		once.Do(func() {
			signal(t, b.Cluster.PID(), syscall.SIGKILL)
			<-b.Cluster.Done()
			time.AfterFunc(300*time.Millisecond, cancel)
		})
		return true
	}, calls...)
	for i, err := range errs {
		if !errors.Is(err, storage.ErrUnknown) {
			t.Errorf("caller %d: %v", i, err)
		}
	}
	d := b.Restart(t)
	again := d.Open(t, storage.Config{})
	for _, req := range requests {
		if _, err := openSalon(t.Context(), again, req); err != nil {
			t.Error(err)
		}
	}
	if got := count(t, d.SQL(t, localpg.Superuser)); got != (counted{7, 7, 7}) {
		t.Errorf("rows are %+v", got)
	}
}

// TestBatchSyncsOnce counts how often the write-ahead log is forced to disk: for a batch
// once, whatever its size, beside what the database does by itself.
func TestBatchSyncsOnce(t *testing.T) {
	t.Parallel()
	b := newBatch(t, storagetest.NewDurable(t))
	syncs := func() (n int) {
		// The backends report their figures when they end at the latest.
		if err := b.db.Close(); err != nil {
			t.Error(err)
		}
		eventually(t, "the connections to end", func() bool {
			return rowsWhere(t, b.admin, "pg_stat_activity where usename = 'alkalog_server'") == 0
		})
		if err := b.admin.QueryRow("select wal_sync from pg_stat_wal").Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	before := syncs()
	b.db = b.wire.open(t, b.Database, storage.Config{MaxConns: 40, Writers: 1, ReadTimeout: 5 * time.Minute})
	storage.StalledAfter(b.db, time.Hour)
	wantNone(t, b.together(t, 32, nil, b.salons(t, 32)...))
	b.wantRows(t, 33)
	if n := syncs() - before; n < 2 || n > 5 {
		t.Errorf("1 and 32 writes were forced to disk %d times, want 2", n)
	}
}
