package storage_test

import (
	"context"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// silentHost is the directory of a socket on which nobody ever answers.
const silentHost = "/silent"

// silence is a dialer for which one host accepts connections and answers nothing.
type silence struct {
	dialed atomic.Int64 // how often that host was dialed
	// longest is the latest deadline of these dials, from the moment of the dial.
	mu      sync.Mutex
	longest time.Duration
}

func (s *silence) dial(ctx context.Context, network, address string) (net.Conn, error) {
	if !strings.HasPrefix(address, silentHost) {
		return (&net.Dialer{}).DialContext(ctx, network, address)
	}
	s.dialed.Add(1)
	s.mu.Lock()
	defer s.mu.Unlock()
	deadline, ok := ctx.Deadline()
	if left := time.Until(deadline); !ok {
		s.longest = time.Hour
	} else {
		s.longest = max(s.longest, left)
	}
	mine, _ := net.Pipe()
	return swallow{mine}, nil
}

// swallow is a connection that takes everything and answers nothing.
type swallow struct{ net.Conn }

func (s swallow) Write(p []byte) (int, error) { return len(p), nil }

// TestASilentHostIsPassedOver: the first of two hosts accepts connections and says
// nothing. The database opens, and connections that are made later do not ask that host
// again and again.
func TestASilentHostIsPassedOver(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	quiet := &silence{}
	const conns = 12
	db, err := storage.Open(t.Context(), storage.Config{
		DSN: strings.Replace(d.DSN(storage.RoleServer), "host='", "connect_timeout=2 host='"+silentHost+",", 1), MaxConns: conns, Dial: quiet.dial, Keys: storagetest.Keys()})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if quiet.dialed.Load() == 0 {
		t.Error("the silent host was not asked at all")
	}
	before := quiet.dialed.Load()
	var holding, done sync.WaitGroup
	release := make(chan struct{})
	for range conns { // so that each needs a connection of its own
		holding.Add(1)
		done.Go(func() {
			var once sync.Once
			if err := storage.Read(t.Context(), db, chain, func(*storage.Snapshot) error {
				once.Do(holding.Done)
				<-release
				return nil
			}); err != nil {
				t.Error(err)
				once.Do(holding.Done)
			}
		})
	}
	holding.Wait()
	close(release)
	done.Wait()
	if asked := quiet.dialed.Load() - before; asked > conns/2 {
		t.Errorf("%d of %d connections asked the silent host", asked, conns)
	}
}

// TestConnectTimeoutIsTheDSNs, and not a longer one of our own.
func TestConnectTimeoutIsTheDSNs(t *testing.T) {
	t.Parallel()
	for setting, want := range map[string]time.Duration{"connect_timeout=1": time.Second, "": 20 * time.Second} {
		quiet := &silence{}
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		if setting == "" {
			ctx, cancel = context.WithTimeout(t.Context(), 10*time.Minute)
			defer cancel()
			time.AfterFunc(time.Second, cancel) // what is asked for is known by then
		}
		_, err := storage.Open(ctx, storage.Config{DSN: "host=" + silentHost + " sslmode=disable " + setting, ReadTimeout: 20 * time.Second, Dial: quiet.dial})
		if err == nil || quiet.longest > want || quiet.longest < want*9/10 {
			t.Errorf("%q: %v, a dial could take %v, want %v", setting, err, quiet.longest, want)
		}
	}
}

// TestOnlyAPrimaryCanBeAskedFor: a connection string that asks for a standby is refused
// with what would be right; what asks for a primary works.
func TestOnlyAPrimaryCanBeAskedFor(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	for attrs, works := range map[string]bool{"any": true, "read-write": true, "primary": true, "standby": false, "read-only": false, "prefer-standby": false} {
		db, err := storage.Open(t.Context(), storage.Config{DSN: d.DSN(storage.RoleServer) + " target_session_attrs=" + attrs})
		switch {
		case works && err == nil:
			db.Close()
		case works, err == nil, !strings.Contains(err.Error(), "use read-write"):
			t.Errorf("%s: %v", attrs, err)
		}
	}
}

// TestAPrimaryWhoseCommitsDoNotReturnIsGivenUp: the standby of a primary is promoted and
// the primary lives on, waiting for a standby that does not follow it any more. The
// write that waits there is done by the new primary, once, and every later one too; the
// old one, which the connection string names first, is not used again.
func TestAPrimaryWhoseCommitsDoNotReturnIsGivenUp(t *testing.T) {
	t.Parallel()
	old := storagetest.NewDurable(t)
	if _, err := openSalon(t.Context(), old.Open(t, storage.Config{}), salonRequest("harbour")); err != nil {
		t.Fatal(err)
	}
	if err := old.Cluster.Stop(); err != nil {
		t.Fatal(err)
	}
	dir := storagetest.Dir(t)
	copyData(t, old.Dir, dir)
	touchAsOwner(t, filepath.Join(dir, "pgdata", "standby.signal"))
	old = old.Restart(t)
	next := storagetest.StartDurable(t, dir)
	db, err := storage.Open(t.Context(), storage.Config{DSN: bothHosts(t, old, next), ReadTimeout: 5 * time.Minute, Keys: storagetest.Keys()})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := openSalon(t.Context(), db, salonRequest("quay")); err != nil {
		t.Fatal(err)
	}
	before := rowsWhere(t, old.SQL(t, "postgres"), "salons")
	admin := old.SQL(t, "postgres")
	standby(t, admin, "nobody")
	req := salonRequest("pier")
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	type result struct {
		name string
		err  error
	}
	done := make(chan result, 1)
	go func() {
		answer, err := openSalon(ctx, db, req)
		done <- result{answer.GetSalon().GetDisplayName(), err}
	}()
	eventually(t, "COMMIT to wait for the standby", func() bool { return waitingForStandby(t, admin) != 0 })
	if _, err := next.SQL(t, "postgres").ExecContext(t.Context(), "select pg_promote()"); err != nil {
		t.Fatal(err)
	}
	first := <-done
	if first.err != nil {
		t.Fatalf("the write that waited: %v", first.err)
	}
	again, err := openSalon(t.Context(), db, req)
	if err != nil || again.GetSalon().GetDisplayName() != first.name {
		t.Errorf("asked again: %v, %v, first %v", again, err, first)
	}
	if _, err := openSalon(t.Context(), db, salonRequest("slipway")); err != nil {
		t.Error(err)
	}
	// The new primary was copied before "quay", which a real standby would have had.
	if n := rowsWhere(t, next.SQL(t, "postgres"), "salons"); n != 3 {
		t.Errorf("the new primary has %d salons, want harbour, pier and slipway", n)
	}
	if n := rowsWhere(t, admin, "salons"); n != before {
		t.Errorf("the old primary has %d salons, had %d", n, before)
	}
}

// TestTheNewestPrimaryIsTaken: both primaries answer, the old one first, and nothing was
// ever seen of either.
func TestTheNewestPrimaryIsTaken(t *testing.T) {
	t.Parallel()
	old := storagetest.NewDurable(t)
	if err := old.Cluster.Stop(); err != nil {
		t.Fatal(err)
	}
	dir := storagetest.Dir(t)
	copyData(t, old.Dir, dir)
	touchAsOwner(t, filepath.Join(dir, "pgdata", "standby.signal"))
	old = old.Restart(t)
	next := storagetest.StartDurable(t, dir)
	if _, err := next.SQL(t, "postgres").ExecContext(t.Context(), "select pg_promote()"); err != nil {
		t.Fatal(err)
	}
	db, err := storage.Open(t.Context(), storage.Config{DSN: bothHosts(t, old, next), Keys: storagetest.Keys()})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := openSalon(t.Context(), db, salonRequest("quay")); err != nil {
		t.Fatal(err)
	}
	if n := rowsWhere(t, old.SQL(t, "postgres"), "salons"); n != 0 {
		t.Errorf("the old primary has %d salons, want none", n)
	}
}
