package integration

import (
	"encoding/binary"
	"io"
	"math/rand/v2"
	"net"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage"
)

// The promise: a check and a batch of events read all that they need in one round trip to
// the database, also of a client with visits and of a long session.

// trips counts what one chain's transactions exchange with the database.
type trips struct {
	mu    sync.Mutex
	chain string
	// read and write are round trips in transactions of each kind; rows are rows that came
	// back in those that read.
	read, write, rows int
}

// reset starts to count anew, and returns what was counted.
func (c *trips) reset() (read, write, rows int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	read, write, rows = c.read, c.write, c.rows
	c.read, c.write, c.rows = 0, 0, 0
	return read, write, rows
}

// countTrips starts one more server, whose connections to the database are counted.
func (s *testServer) countTrips(t testing.TB, chain string) (*testServer, *trips) {
	t.Helper()
	dsn := s.database.DSN(storage.RoleServer)
	host, port := regexp.MustCompile(`host='([^']*)'`).FindStringSubmatch(dsn), regexp.MustCompile(`port=(\d+)`).FindStringSubmatch(dsn)
	socket, dir := ".s.PGSQL."+port[1], t.TempDir()
	listener, err := net.Listen("unix", filepath.Join(dir, socket))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { listener.Close() })
	c := &trips{chain: chain}
	go func() {
		for {
			client, err := listener.Accept()
			if err != nil {
				return
			}
			server, err := net.Dial("unix", filepath.Join(host[1], socket))
			if err != nil {
				client.Close()
				return
			}
			c.forward(client, server)
		}
	}()
	twin := &testServer{clock: s.clock, database: s.database, sql: s.sql, keys: s.keys}
	twin.configure = func(cfg *serve.Config) { cfg.Database = strings.Replace(dsn, host[1], dir, 1) }
	twin.start(t)
	return twin, c
}

// forward passes a connection on in both directions. A transaction is the chain's from
// the message that sets its scope until the server is ready without a transaction.
func (c *trips) forward(client, server net.Conn) {
	ours, reads := false, false // guarded by c.mu
	go func() {
		defer server.Close()
		for buf := make([]byte, 1<<20); ; {
			n, err := client.Read(buf)
			if err != nil {
				return
			}
			if text := string(buf[:n]); strings.Contains(text, "alkalog.chain = '"+c.chain+"'") {
				c.mu.Lock()
				ours, reads = true, strings.Contains(text, "read only")
				c.mu.Unlock()
			}
			if _, err := server.Write(buf[:n]); err != nil {
				return
			}
		}
	}()
	go func() {
		defer client.Close()
		for head := make([]byte, 5); ; {
			if _, err := io.ReadFull(server, head); err != nil {
				return
			}
			body := make([]byte, binary.BigEndian.Uint32(head[1:])-4)
			if _, err := io.ReadFull(server, body); err != nil {
				return
			}
			c.mu.Lock()
			switch {
			case ours && reads && head[0] == 'D': // DataRow
				c.rows++
			case ours && head[0] == 'Z': // ReadyForQuery
				if reads {
					c.read++
				} else {
					c.write++
				}
				ours = body[0] != 'I' // idle
			}
			c.mu.Unlock()
			if _, err := client.Write(append(head, body...)); err != nil {
				return
			}
		}
	}()
}

// tripsOfACall is what a check and a batch of events may take: one round trip to read, one
// for everything that is written, one for COMMIT.
const tripsOfACall = 3

// fewest repeats a call, up to 200 times, until one takes no more than tripsOfACall, and
// returns the trips and rows of the cheapest. What the server does by itself for the same
// chain at the same time, such as its look at open sessions, can only add to them.
func (c *trips) fewest(call func()) (read, write, rows int) {
	for i := range 200 {
		c.reset()
		call()
		r, w, n := c.reset()
		if i == 0 || r+w < read+write {
			read, write, rows = r, w, n
		}
		if read+write <= tripsOfACall {
			break
		}
	}
	return read, write, rows
}

func TestCheckReadsInOneTrip(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	counted, trips := s.countTrips(t, "ebb-and-flow")
	fresh := c.submitted(t, c.client(t)).Name
	visited := c.carriedOut(t)
	must(t, c.amara, c.outcome.RecordOutcome, completed(visited))
	returning := c.submitted(t, parent(visited.Name)).Name
	for what, consultation := range map[string]string{"a new client": fresh, "a client with a visit": returning} {
		for _, who := range []person{c.amara, c.till, c.imara} {
			read, write, rows := trips.fewest(func() {
				must(t, who, counted.eligibility.CheckEligibility, c.question(consultation))
			})
			t.Logf("%s, by %s: %d trips to read, %d to write, %d rows", what, who.role, read, write, rows)
			if read != 1 || write != 2 {
				t.Errorf("%s, by %s: a check takes %d round trips to read and %d to write, want 1 and 2", what, who.role, read, write)
			}
		}
	}
}

// TestBookingReadsInOneTrip is the same for a date that is asked for.
func TestBookingReadsInOneTrip(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	counted, trips := s.countTrips(t, "ebb-and-flow")
	visited := c.carriedOut(t)
	must(t, c.amara, c.outcome.RecordOutcome, completed(visited))
	for what, consultation := range map[string]string{"a new client": c.submitted(t, c.client(t)).Name, "a client with a visit": c.submitted(t, parent(visited.Name)).Name} {
		for _, who := range []person{c.amara, c.till, c.imara} {
			read, write, _ := trips.fewest(func() {
				must(t, who, counted.eligibility.CheckBooking, c.booking(consultation, 100*24*time.Hour))
			})
			if read != 1 || write != 2 {
				t.Errorf("%s, by %s: a booking takes %d round trips to read and %d to write, want 1 and 2", what, who.role, read, write)
			}
		}
	}
}

// mostBytes is what a check may add to the write-ahead log and to the tables, with what
// the decision, its entry and the request take. Our own choice, from measurements.
const mostBytes = 5000

// TestCheckWritesFewBytes measures one call at a time; it is not parallel, because the
// write-ahead log is that of all tests.
func TestCheckWritesFewBytes(t *testing.T) {
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	consultation := c.submitted(t, c.client(t)).Name
	position := func() (at int64) {
		if err := s.sql.QueryRow("select pg_current_wal_insert_lsn() - '0/0'::pg_lsn").Scan(&at); err != nil {
			t.Fatal(err)
		}
		return at
	}
	logged, stored := int64(1<<62), int64(0)
	for range 30 { // what the server does by itself in between can only add
		req := c.question(consultation)
		before := position()
		must(t, c.amara, c.eligibility.CheckEligibility, req)
		logged = min(logged, position()-before)
		err := s.sql.QueryRow(`select (select pg_column_size(r.*) from requests r where id = $1)
			+ (select pg_column_size(d.*) from decisions d where write_id = $1)
			+ (select coalesce(sum(pg_column_size(e.*)), 0) from audit_entries e where decision like '%/' || (select id from decisions where write_id = $1))`,
			req.RequestId).Scan(&stored)
		if err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("a check adds %d bytes to the write-ahead log and %d bytes of rows", logged, stored)
	if logged > mostBytes || stored > mostBytes {
		t.Errorf("a check adds %d bytes to the write-ahead log and %d bytes of rows, more than %d", logged, stored, mostBytes)
	}
}

// TestEventsCostTheSameInALongSession counts the rows that a batch reads, not the time.
func TestEventsCostTheSameInALongSession(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	counted, trips := s.countTrips(t, "ebb-and-flow")
	session := c.session(t)
	sent := 0
	send := func(n int) {
		var facts []*pb.Event
		for range n {
			facts = append(facts, eventAt(session, 0, note("still well")))
		}
		answer := must(t, c.amara, counted.processing.RecordEvents, &pb.RecordEventsRequest{Name: session.Name, Events: facts, RequestId: newID()})
		if sent += n; answer.State.Sequence != int64(sent) {
			t.Fatalf("%d facts are recorded, want %d: %v", answer.State.Sequence, sent, answer.Results[0])
		}
	}
	var first int
	for _, size := range []int{10, 100, 300} {
		for sent < size {
			send(min(50, size-sent))
		}
		send(1)
		read, write, rows := trips.fewest(func() { send(1) })
		t.Logf("%d events: %d trips to read, %d to write, %d rows", size, read, write, rows)
		if first == 0 {
			first = rows
		}
		if write != 2 {
			t.Errorf("with %d events a batch takes %d round trips to write, want 2", size, write)
		}
		if read != 1 || rows != first {
			t.Errorf("with %d events a batch reads %d rows in %d trips; with 10 it reads %d in 1", size, rows, read, first)
		}
	}
}

// TestStatesFromMemoryAreThoseFromAllFacts sends the facts of a service in any order and
// in any batches, some to a second server, to servers that keep the facts in memory. The
// state that a till is told is that which a server without memory folds from the database.
func TestStatesFromMemoryAreThoseFromAllFacts(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c, servers := s.newChain(t, "ebb-and-flow"), []*testServer{s, s.startSecondServer(t)}
	for round := range 6 {
		random := rand.New(rand.NewPCG(1, uint64(round)))
		session := c.session(t)
		facts := c.service(session)
		c.clock.advance(2 * time.Hour)
		random.Shuffle(len(facts), func(i, j int) { facts[i], facts[j] = facts[j], facts[i] })
		for len(facts) > 0 {
			n := 1 + random.IntN(min(5, len(facts)))
			told := must(t, c.amara, servers[random.IntN(2)].processing.RecordEvents, &pb.RecordEventsRequest{Name: session.Name, Events: facts[:n], RequestId: newID()})
			folded := must(t, c.amara, s.processing.GetSession, &pb.GetSessionRequest{Name: session.Name})
			if !proto.Equal(told.State, folded.Session.State) {
				t.Fatalf("round %d: a till was told\n%v\nand all facts give\n%v", round, told.State, folded.Session.State)
			}
			facts = facts[n:]
		}
	}
}
