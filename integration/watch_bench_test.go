package integration

import (
	"context"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

const (
	// watchers is how many sessions are open, each with one display.
	watchers = 1000
	// streams is how many displays share a connection; a server allows 200.
	streams = 100
	// tills is how many callers record at once.
	tills = 8
	// notes is how many events each of them records in one round.
	notes = 100
	// warm is how many it records before, uncounted: opening a thousand displays
	// leaves work behind that is not theirs to do every day.
	warm = 10
	// matches is how many rounds of writing with displays are set against one without.
	matches = 9
)

// BenchmarkWatchers reports what it costs that a thousand sessions are watched:
// how long after RecordEvents' answer a display has the event, with one caller
// and with several; the memory of a display; and the rate of writers to other
// sessions with the displays against that without. Commits are durable, and
// nothing here has a time that it must keep.
func BenchmarkWatchers(b *testing.B) {
	c := newWatched(b)
	shelf := c.rooms(b, watchers)
	for b.Loop() {
		before := inUse()
		all := c.display(b, shelf)
		b.ReportMetric(float64(inUse()-before)/watchers/1024, "KiB/watcher")
		all.latency(b, shelf[:200], 1, "alone")
		all.latency(b, shelf, tills, "busy")
		all.leave()
		c.compareWriters(b, shelf)
	}
	b.ReportMetric(0, "ns/op") // the whole says nothing
}

// newWatched is a chain on one server as it is delivered, by the real clock: the
// tests' server beats a thousand times as often as a salon's.
func newWatched(b *testing.B) *chain {
	b.Helper()
	s := &testServer{clock: &clock{now: time.Now()}, database: storagetest.NewDatabase(b), keys: newKeys(b)}
	server, err := serve.Start(b.Context(), serve.Config{
		Address: "127.0.0.1:0", Database: s.database.DSN(storage.RoleServer), KeysDir: s.keys, Development: true,
		Limits: serve.Limits{Quotas: unlimitedQuotas()},
	})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		server.Stop(context.Background())
		if err := server.Wait(); err != nil {
			b.Error(err)
		}
	})
	s.stubs = dial(b, server.Addr())
	return s.newChain(b, "ebb-and-flow")
}

// rooms begins so many sessions, of a few clients.
func (c *chain) rooms(b *testing.B, n int) []*pb.Session {
	b.Helper()
	client, sessions := c.client(b), make([]*pb.Session, n)
	share(n, tills, func(i int) {
		answer, err := c.processing.StartSession(c.amara.identify(b.Context()), &pb.StartSessionRequest{
			Parent: client, UnderWay: true, Salon: c.salon, Practitioner: c.amara.name, Product: c.relaxer, RequestId: newID()})
		if err != nil {
			b.Error(err)
			return
		}
		sessions[i] = answer.Session
	})
	if b.Failed() {
		b.FailNow()
	}
	return sessions
}

// share calls do for 0 to n-1 from several callers at once.
func share(n, callers int, do func(i int)) {
	var all sync.WaitGroup
	for caller := range callers {
		all.Go(func() {
			for i := caller; i < n; i += callers {
				do(i)
			}
		})
	}
	all.Wait()
}

// jot records a remark and returns the time of the answer, which is after the commit.
func (c *chain) jot(b *testing.B, session *pb.Session) time.Time {
	remark := note("a remark")
	remark.EventId, remark.OccurTime = newID(), timestamppb.Now()
	answer, err := c.processing.RecordEvents(c.till.identify(b.Context()), &pb.RecordEventsRequest{
		Name: session.Name, Events: []*pb.Event{remark}, SendTime: timestamppb.Now(), RequestId: newID()})
	if err != nil || answer.Results[0].Status != pb.EventStatus_EVENT_STATUS_RECORDED {
		b.Errorf("a remark was not recorded: %v, %v", answer, err)
	}
	return time.Now()
}

// inUse is the memory in use after a garbage collection.
func inUse() int64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapInuse + m.StackInuse)
}

// arrival is a state on a display.
type arrival struct {
	sequence int64
	at       time.Time
}

// displayGroup holds one display of every session.
type displayGroup struct {
	chain    *chain
	arrivals map[string]chan arrival // by session
	cancel   context.CancelFunc
	gone     sync.WaitGroup
}

// display opens a display of each session and returns when all show it. Both
// ends of the streams are in this process, so that the memory in use has both.
func (c *chain) display(b *testing.B, sessions []*pb.Session) *displayGroup {
	b.Helper()
	ctx, cancel := context.WithCancel(c.till.identify(b.Context()))
	all := &displayGroup{chain: c, arrivals: map[string]chan arrival{}, cancel: cancel}
	for group := range slices.Chunk(sessions, streams) {
		at := dial(b, c.conn.Target())
		for _, session := range group {
			stream, err := at.processing.WatchSession(ctx, &pb.WatchSessionRequest{Name: session.Name})
			if err != nil {
				b.Fatal(err)
			}
			shown := make(chan arrival, 4)
			all.arrivals[session.Name] = shown
			all.gone.Go(func() { show(b, stream, shown) })
		}
	}
	for _, session := range sessions {
		all.wait(b, session, 0)
	}
	return all
}

// show passes on when states come, until the display leaves.
func show(b *testing.B, stream pb.ProcessingService_WatchSessionClient, shown chan<- arrival) {
	for {
		message, err := stream.Recv()
		if err != nil {
			if status.Code(err) != codes.Canceled {
				b.Errorf("a display ended: %v", err)
			}
			return
		}
		if state := message.GetState(); state != nil {
			select {
			case shown <- arrival{state.Sequence, time.Now()}:
			case <-stream.Context().Done():
				return
			}
		}
	}
}

// leave closes all displays.
func (a *displayGroup) leave() {
	a.cancel()
	a.gone.Wait()
}

// wait waits until a display shows so many events, and returns when it did.
func (a *displayGroup) wait(b *testing.B, session *pb.Session, events int64) time.Time {
	late := time.NewTimer(waitTimeout)
	defer late.Stop()
	for {
		select {
		case got := <-a.arrivals[session.Name]:
			if got.sequence >= events {
				return got.at
			}
		case <-late.C:
			b.Errorf("no display of %s with %d events", session.Name, events)
			return time.Now()
		}
	}
}

// latency reports how long after the answer to RecordEvents each session's
// display has the event. A display that is ahead of the answer counts as zero.
func (a *displayGroup) latency(b *testing.B, sessions []*pb.Session, callers int, name string) {
	b.Helper()
	took := make([]time.Duration, len(sessions))
	share(len(sessions), callers, func(i int) {
		events := a.chain.events(b, sessions[i]) + 1
		answered := a.chain.jot(b, sessions[i])
		took[i] = max(0, a.wait(b, sessions[i], events).Sub(answered))
	})
	slices.Sort(took)
	for unit, at := range map[string]int{"-p50-ms": 50, "-p99-ms": 99} {
		b.ReportMetric(took[len(took)*at/100].Seconds()*1000, name+unit)
	}
}

// events is how many events a session has.
func (c *chain) events(b *testing.B, session *pb.Session) int64 {
	answer, err := c.processing.GetSession(c.till.identify(b.Context()), &pb.GetSessionRequest{Name: session.Name})
	if err != nil {
		b.Error(err)
	}
	return answer.GetSession().GetState().GetSequence()
}

// compareWriters reports the rate of writers to sessions that nobody watches
// with a display of each of the others, without, and the ratio: the median of
// pairs of rounds, so that neither a drift of the machine nor one disturbed
// round decides. Each second pair has its order swapped.
func (c *chain) compareWriters(b *testing.B, others []*pb.Session) {
	b.Helper()
	var watched, unwatched, ratios []float64
	for pair := range matches {
		var rate [2]float64
		for _, with := range [][]int{{1, 0}, {0, 1}}[pair%2] {
			rate[with] = c.round(b, others[:with*len(others)])
		}
		watched, unwatched = append(watched, rate[1]), append(unwatched, rate[0])
		ratios = append(ratios, rate[1]/rate[0])
	}
	b.ReportMetric(median(watched), "watched-events/s")
	b.ReportMetric(median(unwatched), "unwatched-events/s")
	b.ReportMetric(median(ratios), "writers-ratio")
}

// round is the rate of the writers while the others have displays. The displays'
// memory makes collections of garbage rarer, which is in the displays' favour.
func (c *chain) round(b *testing.B, others []*pb.Session) float64 {
	desks, all := c.rooms(b, tills), c.display(b, others)
	defer all.leave()
	runtime.GC()
	share(tills*warm, tills, func(i int) { c.jot(b, desks[i%tills]) })
	start := time.Now()
	share(tills*notes, tills, func(i int) { c.jot(b, desks[i%tills]) })
	return tills * notes / time.Since(start).Seconds()
}

// median is the middle one of an odd number of figures, which it sorts.
func median(of []float64) float64 {
	slices.Sort(of)
	return of[len(of)/2]
}
