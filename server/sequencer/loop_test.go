package sequencer

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/service/ledger"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// bench is a database with sequencers on it.
type bench struct {
	database storagetest.Database
	db       *storage.DB
	sql      *sql.DB
	keyFile  string
	log      *pageLog
	lease    time.Duration
}

func newBench(t *testing.T) *bench {
	t.Helper()
	d := storagetest.NewDatabase(t)
	return &bench{database: d, db: d.Open(t, storage.Config{}), sql: d.SQL(t, ""), keyFile: newKeyFile(t, 1), log: new(pageLog), lease: time.Second}
}

// newKeyFile writes a key file with keys of these seeds.
func newKeyFile(t *testing.T, seeds ...byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "log")
	writeKeys(t, path, seeds...)
	return path
}

// writeKeys writes a key file, and makes sure that it counts as changed.
func writeKeys(t *testing.T, path string, seeds ...byte) {
	t.Helper()
	var text strings.Builder
	for _, seed := range seeds {
		fmt.Fprintln(&text, aKey(t, seed).Secret())
	}
	if err := os.WriteFile(path, []byte(text.String()), 0o600); err != nil {
		t.Fatal(err)
	}
}

// pageLog is a log that can be read while it is written.
type pageLog struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *pageLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *pageLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// open opens a sequencer with connections of its own.
func (b *bench) open(t *testing.T, checkpointFile string) *Sequencer {
	t.Helper()
	q, err := Open(t.Context(), b.config(t, checkpointFile))
	if err != nil {
		t.Fatal(err)
	}
	return q
}

func (b *bench) config(t *testing.T, checkpointFile string) Config {
	t.Helper()
	return Config{DB: b.database.Open(t, storage.Config{MaxConns: 4, Inspect: true}), Logger: slog.New(slog.NewTextHandler(b.log, nil)),
		KeyFile: b.keyFile, CheckpointFile: checkpointFile, Lease: b.lease}
}

// run runs both loops of a sequencer until stop is called.
func run(t *testing.T, q *Sequencer) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	var loops sync.WaitGroup
	loops.Go(func() { q.Lead(ctx) })
	loops.Go(func() { q.Watch(ctx) })
	stop = sync.OnceFunc(func() {
		cancel()
		loops.Wait()
	})
	t.Cleanup(stop)
	return stop
}

// write puts n entries on the record of a chain.
func (b *bench) write(t *testing.T, chain string, n int) {
	t.Helper()
	for range n {
		e := &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ALARM, RecordTime: timestamppb.Now()}
		if err := storage.AppendEntries(t.Context(), b.db, chain, e); err != nil {
			t.Error(err)
			return
		}
	}
}

// eventually waits for a condition; a minute without it is a failure.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(time.Minute)
	for !holds() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// number is the only value of a query.
func (b *bench) number(t *testing.T, query string) (n int) {
	t.Helper()
	if err := b.sql.QueryRowContext(t.Context(), query).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// integrated waits until all that is recorded is on the logs.
func (b *bench) integrated(t *testing.T) {
	t.Helper()
	eventually(t, "the entries to be on their logs", func() bool {
		return b.number(t, "select count(*) from audit_entries e where not exists (select from log_entries l where l.chain = e.chain and l.id = e.id)") == 0
	})
}

// wantWhole checks a chain's log from its stored bytes: every entry once, in
// order of position, under the signed head, which extends every head that was
// seen.
func (b *bench) wantWhole(t *testing.T, chain string, seen ...storage.LogHead) {
	t.Helper()
	rows, err := b.sql.QueryContext(t.Context(), `select l.place, e.position, e.body from log_entries l
		join audit_entries e on e.chain = l.chain and e.id = l.id where l.chain = $1 order by l.place`, chain)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var leaves []ledger.Hash
	for last := int64(0); rows.Next(); {
		var place, position int64
		var body []byte
		if err := rows.Scan(&place, &position, &body); err != nil {
			t.Fatal(err)
		}
		if place != int64(len(leaves)) || position <= last {
			t.Fatalf("%s: place %d with position %d follows place %d with position %d", chain, place, position, len(leaves)-1, last)
		}
		leaves, last = append(leaves, ledger.LeafHash(body)), position
	}
	if n := b.number(t, "select count(*) from audit_entries where chain = '"+chain+"'"); n != len(leaves) {
		t.Errorf("%s: %d entries are recorded and %d on the log", chain, n, len(leaves))
	}
	keys, err := keys.ReadLogKeys(b.keyFile)
	if err != nil {
		t.Fatal(err)
	}
	set, err := keysFor(keys, chain)
	if err != nil {
		t.Fatal(err)
	}
	heads, err := storage.ChangedHeads(t.Context(), b.db, 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range append(heads, seen...) {
		if h.Chain != chain {
			continue
		}
		if h.Halted != "" {
			t.Errorf("%s is halted: %s", chain, h.Halted)
		}
		want, _, err := ledger.Empty().Append(nil, leaves[:h.Size])
		if err != nil {
			t.Fatal(err)
		}
		signed, _, err := ledger.OpenCheckpoint(h.Checkpoint, set.public)
		if err != nil || signed.Head != want {
			t.Errorf("%s: a checkpoint of %d entries was signed which is not that of the log: %v", chain, h.Size, err)
		}
	}
}

// TestRacingServers: servers come and go, some without a word, while others
// write; every entry gets one place, and no checkpoint that was ever signed
// contradicts the log.
func TestRacingServers(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.lease = 200 * time.Millisecond
	var writers, others sync.WaitGroup
	for range 3 {
		writers.Go(func() { b.write(t, "ebb", 150) })
		writers.Go(func() { b.write(t, "flow", 50) })
	}
	stops := make([]func(), 3)
	for i := range stops {
		stops[i] = run(t, b.open(t, ""))
	}
	done := make(chan struct{})
	var seen []storage.LogHead
	others.Go(func() { seen = b.collect(t, done) })
	others.Go(func() { b.dieLeading(t, done) })
	random := rand.New(rand.NewPCG(1, 1))
	for range 8 { // by the pace of what is written, not of the clock
		n := b.number(t, "select coalesce(max(position), 0) from audit_entries")
		eventually(t, "more to be written", func() bool {
			return b.number(t, "select coalesce(max(position), 0) from audit_entries") >= min(n+40, 600)
		})
		i := random.IntN(len(stops))
		stops[i]()
		stops[i] = run(t, b.open(t, ""))
	}
	writers.Wait()
	close(done)
	others.Wait()
	b.integrated(t)
	if len(seen) < 2 {
		t.Errorf("only %d checkpoints were seen", len(seen))
	}
	b.wantWhole(t, "ebb", seen...)
	b.wantWhole(t, "flow", seen...)
}

// collect keeps every head that it sees.
func (b *bench) collect(t *testing.T, done chan struct{}) (all []storage.LogHead) {
	for after := int64(0); ; {
		heads, err := storage.ChangedHeads(context.Background(), b.db, after, 100)
		if err != nil {
			t.Error(err)
			return all
		}
		for _, h := range heads {
			after = h.Revision
		}
		all = append(all, heads...)
		select {
		case <-done:
			return all
		default:
		}
	}
}

// dieLeading takes the lead now and then and is not heard of again; each time
// others have put something on the logs since.
func (b *bench) dieLeading(t *testing.T, done chan struct{}) {
	for after := 0; ; {
		select {
		case <-done:
			return
		default:
		}
		if n := b.number(t, "select coalesce(max(revision), 0) from log_heads"); n == after {
			continue
		}
		epoch, err := storage.AcquireLease(context.Background(), b.db, b.lease, "test")
		if err != nil {
			t.Error(err)
			return
		}
		if epoch != 0 {
			after = b.number(t, "select coalesce(max(revision), 0) from log_heads")
		}
	}
}

// TestOldLeaderWakes: a leader that slept through its lease with a batch in its
// hands can write nothing, and the next one does not wait for it.
func TestOldLeaderWakes(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.write(t, "ebb", 3)
	old := b.open(t, "")
	epoch, err := storage.AcquireLease(t.Context(), b.db, time.Millisecond, "test")
	if err != nil || epoch == 0 {
		t.Fatal(epoch, err)
	}
	run(t, b.open(t, ""))
	b.integrated(t)
	b.write(t, "ebb", 2)
	b.integrated(t)
	more, err := old.round(t.Context(), &roundState{lead: storage.Lease{Epoch: epoch, Duration: time.Hour}, position: -1})
	if err == nil || more || !strings.Contains(err.Error(), storage.ErrNotLeading.Error()) {
		t.Errorf("the old leader goes on: %v, %v", more, err)
	}
	b.wantWhole(t, "ebb")
}

// TestKeysChangeWithinARound: a key file without the key of the logs is read while
// a round is under way. It halts no log: nothing was tampered with.
func TestKeysChangeWithinARound(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.fill(t, 3)
	q := b.open(t, "")
	epoch, err := storage.AcquireLease(t.Context(), b.db, time.Minute, "test")
	if err != nil || epoch == 0 {
		t.Fatal(epoch, err)
	}
	b.write(t, "ebb", 1)
	// The round stops where it asks what is settled.
	hold, err := b.sql.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := hold.ExecContext(t.Context(), "alter sequence audit_entries_position_seq rename to held"); err != nil {
		t.Fatal(err)
	}
	done := make(chan error)
	go func() {
		_, err := q.round(t.Context(), &roundState{lead: storage.Lease{Epoch: epoch, Duration: time.Minute}, position: -1})
		done <- err
	}()
	eventually(t, "the round to stop", func() bool {
		return b.number(t, "select count(*) from pg_locks where not granted and locktype = 'relation'") > 0
	})
	writeKeys(t, b.keyFile, 7)
	q.reload(t.Context())
	if err := hold.Rollback(); err != nil {
		t.Fatal(err)
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
	if n := b.number(t, "select count(*) from log_heads where halted <> ''"); n != 0 {
		t.Error("the log is halted")
	}
}

// TestRightsTakenAway: a right of the database's roles that is missing for a while
// is no tampering: entries wait for it, and no log is halted.
func TestRightsTakenAway(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.fill(t, 3)
	right := func(statement string) {
		t.Helper()
		if _, err := b.sql.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
	right("revoke insert on log_tiles from alkalog_server, alkalog_keeper")
	b.write(t, "ebb", 2)
	run(t, b.open(t, ""))
	eventually(t, "the server to complain", func() bool { return strings.Contains(b.log.String(), "permission denied") })
	right("grant insert on log_tiles to alkalog_server, alkalog_keeper")
	b.integrated(t)
	b.wantWhole(t, "ebb")
}

// TestProgressMadeUp: somebody writes into the leader's row that the logs are
// further than they can be. The entries come onto them all the same, each once.
func TestProgressMadeUp(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	stop := run(t, b.open(t, ""))
	b.write(t, "ebb", 5)
	b.integrated(t)
	stop()
	if _, err := b.sql.ExecContext(t.Context(), "update log_leader set position = 1000000"); err != nil {
		t.Fatal(err)
	}
	b.write(t, "ebb", 3)
	run(t, b.open(t, ""))
	b.integrated(t)
	b.wantWhole(t, "ebb")
}

// TestHaltedLogOnADatabase: the tables are changed behind the server's back so
// that what is right is refused; that log is halted and told of, by its chain
// and no more, and the other goes on.
func TestHaltedLogOnADatabase(t *testing.T) {
	for name, damage := range map[string]string{
		"a place is taken":  "insert into log_entries (chain, place, id) values ('ebb', 3, 'made-up')",
		"a head is gone":    "alter table log_heads disable trigger all; delete from log_heads where chain = 'ebb'",
		"a tile is longer":  "alter table log_tiles disable trigger all; update log_tiles set hashes = hashes || sha256('') where chain = 'ebb'",
		"a tile is changed": "alter table log_tiles disable trigger all; update log_tiles set hashes = set_byte(hashes, 5, 255 - get_byte(hashes, 5)) where chain = 'ebb'",
		"a future tile":     "insert into log_tiles (chain, level, index, hashes) values ('ebb', 0, 0, '') on conflict (chain, level, index) do update set hashes = log_tiles.hashes || sha256('made up')",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t)
			stop := run(t, b.open(t, ""))
			b.write(t, "ebb", 3)
			b.write(t, "flow", 3)
			b.integrated(t)
			stop()
			if _, err := b.sql.ExecContext(t.Context(), damage); err != nil {
				t.Fatal(err)
			}
			run(t, b.open(t, ""))
			b.write(t, "ebb", 1)
			b.write(t, "flow", 1)
			eventually(t, "the log to be halted", func() bool {
				return b.number(t, "select count(*) from log_heads where chain = 'ebb' and halted <> ''") == 1
			})
			eventually(t, "the other log to go on", func() bool {
				return b.number(t, "select count(*) from log_entries where chain = 'flow'") == 4
			})
			eventually(t, "it to be told", func() bool { return strings.Contains(b.log.String(), "a log was tampered with") })
			b.wantWhole(t, "flow")
		})
	}
}

// TestRotation: the key file gets a second key and loses the first while the
// server runs; every log is signed by both in between, and a file that is of no
// use changes nothing.
func TestRotation(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	run(t, b.open(t, ""))
	b.write(t, "ebb", 3)
	b.integrated(t)
	signedBy := func(n int, handovers int) func() bool {
		return func() bool {
			return b.number(t, fmt.Sprintf("select count(*) from log_heads where array_length(string_to_array(keys, E'\\n'), 1) = %d", n)) == 1 &&
				b.number(t, "select count(*) from log_handovers") == handovers
		}
	}
	if err := os.WriteFile(b.keyFile, []byte("nonsense\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the file to be found of no use", func() bool { return strings.Contains(b.log.String(), "current keys stay in use") })
	b.write(t, "ebb", 1)
	b.integrated(t)
	writeKeys(t, b.keyFile, 2, 1)
	eventually(t, "both keys to sign", signedBy(2, 1))
	writeKeys(t, b.keyFile, 2)
	eventually(t, "the new key to sign alone", signedBy(1, 2))
	b.write(t, "ebb", 2)
	b.integrated(t)
	b.wantWhole(t, "ebb")
	err := storage.Read(t.Context(), b.db, "ebb", func(s *storage.Snapshot) error {
		handovers, err := storage.ReadHandovers(s)
		for i, want := range []int{1, 2} {
			if n := strings.Count(string(handovers[i].Checkpoint), "\u2014"); n != want {
				t.Errorf("handover %d is signed by %d keys, want %d", i, n, want)
			}
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
	if strings.Contains(b.log.String(), "PRIVATE+KEY") || strings.Contains(b.log.String(), "nonsense") {
		t.Error("the log shows what is in the key file")
	}
}
