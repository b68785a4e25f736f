package faults

import (
	"sync"
	"sync/atomic"
	"time"

	pb "alkalog/proto/alkalogv1"
	"google.golang.org/protobuf/proto"
)

// breakNetwork makes the network between the server and its database slow, narrow
// and silent, cuts it, refuses connections, and loses only the replies to COMMITs.
func breakNetwork(w *world) {
	i := w.some()
	wire := w.wire(i)
	for _, fail := range w.shuffled(
		func() {
			wire.slow(time.Duration(20+w.random.IntN(60))*time.Millisecond, 0)
			w.hold(time.Second, 10*time.Second)
		},
		func() {
			wire.slow(0, 40_000+w.random.IntN(100_000))
			w.hold(time.Second, 10*time.Second)
		},
		func() {
			wire.freeze()
			w.hold(3*time.Second, 12*time.Second)
		},
		func() {
			for range 5 {
				wire.cut()
				w.pause(20*time.Millisecond, 200*time.Millisecond)
			}
		},
		func() {
			wire.refuse()
			w.hold(500*time.Millisecond, 10*time.Second)
		},
		func() {
			hit := wire.strike(afterCommit, w.random.IntN(10), 20, nil)
			for range 20 {
				select {
				case <-hit:
				case <-time.After(20 * time.Second):
					w.t.Error("too few COMMITs to lose their replies")
					return
				}
			}
		},
	) {
		fail()
		wire.heal()
		w.recovered(soonest)
	}
}

// repeatRequests sends the same request from many callers at once to all servers,
// while replies to COMMITs are lost; then once more, with other content, and after
// 25 hours. Each is done once.
func repeatRequests(w *world) {
	count := 40
	if w.inLongRun() {
		count = 1000
	}
	const racers = 8
	for i := range w.servers {
		w.wire(i).strike(afterCommit, 10, count/8, nil)
	}
	requests := make(chan *pb.CreateChainRequest)
	var kept []*pb.CreateChainRequest
	var callers sync.WaitGroup
	for range 4 {
		callers.Go(func() {
			for req := range requests {
				w.race(req, racers)
			}
		})
	}
	for range count {
		req := newChain()
		kept = append(kept, req)
		requests <- req
	}
	close(requests)
	callers.Wait()
	for i := range w.servers {
		w.wire(i).heal()
	}
	w.recovered(soonest)
	w.pg().exec(`begin; alter table alkalog.requests disable trigger refuse_change;
		update alkalog.requests set claim_time = claim_time - interval '25 hours' where chain like 'p%';
		alter table alkalog.requests enable always trigger refuse_change; commit`)
	for i, req := range kept {
		if err := w.probes[i%len(w.probes)].send(req, 10*time.Second); err != nil {
			w.t.Errorf("after 25 hours: %v", err)
		}
		other := proto.CloneOf(req)
		other.Chain.DisplayName = "Invented, and other"
		if err := w.probes[(i+1)%len(w.probes)].send(other, 10*time.Second); reasonOf(err) != "REQUEST_ID_REUSED" {
			w.t.Errorf("the same id with other content: %v", err)
		}
		if n := w.pg().number("select count(*) from alkalog.requests where id = $1", req.RequestId); n != 1 {
			w.t.Errorf("request %s is stored %d times", req.RequestId, n)
		}
		if n, want := w.entriesOf(req), w.entriesOf(kept[0]); n != want {
			w.t.Errorf("chain %s has %d entries, and the first %d", req.ChainId, n, want)
		}
	}
}

// entriesOf is how many entries a chain has of what was asked for.
func (w *world) entriesOf(req *pb.CreateChainRequest) int64 {
	return w.pg().number("select count(*) from alkalog.audit_entries where chain = $1 and kind not in ('ENTRY_KIND_COVERAGE', 'ENTRY_KIND_BASELINE')", req.ChainId)
}

// race sends a request from several callers at once, by turns to each server, and
// asks again until each has its answer.
func (w *world) race(req *pb.CreateChainRequest, racers int) {
	var all sync.WaitGroup
	var failed atomic.Pointer[error]
	for n := range racers {
		all.Go(func() {
			var err error
			for try := range 5 {
				if err = w.probes[(n+try)%len(w.probes)].send(req, 10*time.Second); err == nil {
					return
				}
			}
			failed.Store(&err)
		})
	}
	all.Wait()
	if err := failed.Load(); err != nil {
		w.t.Errorf("a racing retry: %v", *err)
	}
}
