package faults

import (
	"bufio"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc/backoff"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// quickBackoff lets a connection come back soon after its server does.
var quickBackoff = backoff.Config{BaseDelay: 50 * time.Millisecond, Multiplier: 1.5, Jitter: 0.2, MaxDelay: 500 * time.Millisecond}

// orders are what a client process is to do.
type orders struct {
	trial
	Name    string   `json:"name"` // of the process and its journal
	Dir     string   `json:"dir"`
	Workers int      `json:"workers"`
	Targets []target `json:"targets"`
}

// runClient is a client process: its workers make calls until standard input ends.
// Each line of input is a new list of servers.
func runClient(file string) error {
	var o orders
	if err := readJSON(file, &o); err != nil {
		return err
	}
	j, err := openJournal(filepath.Join(o.Dir, o.Name+".jsonl"))
	if err != nil {
		return err
	}
	c := newCaller(j, o.Name, o.Origin, o.Targets)
	var stop atomic.Bool
	var workers sync.WaitGroup
	for i := range o.Workers {
		name := fmt.Sprintf("%s-%d", o.Name, i)
		w := &worker{caller: c, name: name, shop: newShop(o.Chains[i%len(o.Chains)], name), stop: &stop,
			random: rand.New(rand.NewPCG(o.Seed, sumOf(name)))}
		workers.Go(w.work)
	}
	input := bufio.NewScanner(os.Stdin)
	for input.Scan() {
		var targets []target
		if err := json.Unmarshal(input.Bytes(), &targets); err != nil {
			return err
		}
		c.retarget(targets)
	}
	stop.Store(true)
	workers.Wait()
	return c.close()
}

// sumOf makes a number of a name, so that each worker draws other numbers of one seed.
func sumOf(name string) uint64 {
	sum := uint64(14695981039346656037) // FNV-1a
	for _, b := range []byte(name) {
		sum = (sum ^ uint64(b)) * 1099511628211
	}
	return sum
}

// worker is one stylist's place in a client process: it makes one visit after the
// other.
type worker struct {
	*caller
	shop
	name   string
	random *rand.Rand
	stop   *atomic.Bool
	// seen are values of contended products by etag.
	seen map[string]string
	// earlier is the newest checkpoint that this worker has verified.
	earlier *head
}

// one reports true once in n draws on average.
func (w *worker) one(n int) bool { return w.random.IntN(n) == 0 }

// work makes visits until it is told to stop.
func (w *worker) work() {
	w.seen = map[string]string{}
	for !w.stop.Load() {
		w.visit()
	}
}

// giveUpAfter is how many attempts a worker makes before it leaves a call unknown and
// goes on with another client; the checker asks again at the end.
const giveUpAfter = 6

// do makes a call until its outcome is known. It reports whether it was acknowledged.
//
// Some calls are made twice at the same time with one request ID; some that were
// acknowledged are repeated, as they were or with another body.
func (w *worker) do(who string, req proto.Message, about ...func(*op)) (proto.Message, bool) {
	o := w.describe(who, req)
	o.Worker = w.name
	for _, set := range about {
		set(&o)
	}
	if o.Request != "" && w.one(10) {
		w.race(o, req)
	}
	for try := range giveUpAfter {
		done, answer := w.attempt(w.random, o, req)
		if done.Outcome == acknowledged && o.Request != "" {
			os.Stdout.Write([]byte{'.'}) // the parent counts
			w.again(done, o, req)
		}
		if done.Outcome != unknown {
			return answer, answer != nil
		}
		if w.stop.Load() {
			return nil, false
		}
		o.ID, o.Target = w.describe(who, req).ID, done.Target
		w.pause(try)
	}
	return nil, false
}

// race makes a call twice at once, and lets the caller make the third attempt.
func (w *worker) race(o op, req proto.Message) {
	var both sync.WaitGroup
	for range 2 {
		twin, random := o, rand.New(rand.NewPCG(w.random.Uint64(), 0))
		twin.ID = w.describe(o.Caller, req).ID
		both.Go(func() { w.attempt(random, twin, req) })
	}
	both.Wait()
}

// again repeats an acknowledged call now and then: at another server if there is one,
// or with another body, which must be refused.
func (w *worker) again(done, o op, req proto.Message) {
	if w.one(12) {
		o.ID, o.Target = w.describe(o.Caller, req).ID, done.Target
		w.attempt(w.random, o, req)
	}
	if other := altered(req); other != nil && w.one(6) {
		changed := w.describe(o.Caller, other)
		changed.Worker, changed.Altered, changed.Key = w.name, true, o.Key
		w.attempt(w.random, changed, other)
	}
}

// altered is a request with another body under the same ID; nil for requests that the
// load does not alter.
func altered(req proto.Message) proto.Message {
	switch r := proto.Clone(req).(type) {
	case *pb.CreateClientRequest:
		r.Client.DisplayName = "Somebody else"
		return r
	case *pb.CreateConsultationRequest:
		r.Consultation.Remarks = "another remark"
		return r
	case *pb.UpdateProductRequest:
		r.Product.SafetyDataSheet += " altered"
		return r
	case *pb.RecordEventsRequest:
		r.Events = append(r.Events, fact(time.Now(), &pb.Event{Fact: &pb.Event_Note{Note: &pb.Note{Text: "one more"}}}))
		return r
	}
	return nil
}

// pause waits before the next attempt: a random time that grows.
func (w *worker) pause(try int) {
	longest := 50 * time.Millisecond << min(try, 4)
	timer := time.NewTimer(time.Duration(w.random.Int64N(int64(longest))))
	defer timer.Stop()
	<-timer.C
}
