//go:build planted

package storage

import (
	"context"
	"math/rand/v2"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// plant is the defect of this process, named in the environment. It is one that
// somebody could make by mistake; the checker of package integration/faults must find
// each of them. A build with this file is for those tests alone.
var plant = os.Getenv("ALKALOG_PLANTED")

// See planted_off.go. Where the database itself would refuse a defect, the test takes
// its guard away too.
var (
	unguarded  = plant != ""
	unfenced   = plant == "no-fencing"
	tokenError = map[bool]int64{true: 1}[plant == "resume-off-by-one"]
)

// window is how long the moment lasts in which a defect can be seen: real ones are
// short and are met rarely.
const window = 20 * time.Millisecond

// answer runs a write with the defect.
func (w *write) answer(ctx context.Context) (proto.Message, error) {
	decide := w.decide
	switch plant {
	case "ack-before-commit":
		return w.acknowledgeFirst(ctx)
	case "dedup-in-memory":
		w.forget()
	case "entry-dropped":
		w.decide = func(s *Snapshot) (proto.Message, Changes, error) {
			answer, changes, err := decide(s)
			if len(changes.Entries) > 0 && written.Add(1)%100 == 0 {
				changes.Entries = changes.Entries[1:]
			}
			return answer, changes, err
		}
	case "entry-apart", "autocommit":
		return w.inTwo(ctx)
	}
	return w.run(ctx)
}

// acknowledgeFirst answers as soon as the answer is known, and commits afterwards.
func (w *write) acknowledgeFirst(ctx context.Context) (proto.Message, error) {
	type result struct {
		answer proto.Message
		err    error
	}
	first, decide := make(chan result, 2), w.decide
	w.decide = func(s *Snapshot) (proto.Message, Changes, error) {
		answer, changes, err := decide(s)
		if err == nil && changes.Refusal == nil {
			select {
			case first <- result{proto.Clone(answer), nil}:
			default:
			}
			time.Sleep(window)
		}
		return answer, changes, err
	}
	go func() {
		// The call is over then, and gives its place up by itself.
		answer, err := w.run(WithPlace(context.WithoutCancel(ctx), nil))
		select {
		case first <- result{answer, err}:
		default:
		}
	}()
	r := <-first
	return r.answer, r.err
}

// knownRequests are the request IDs of this process, and written counts its writes with entries.
var (
	knownRequests sync.Map
	written       atomic.Int64
)

// forget stores the request under an ID that only this process knows: another server, or
// this one after a restart, takes a retry for a new request.
func (w *write) forget() {
	own, _ := knownRequests.LoadOrStore(w.chain+" "+w.req.GetRequestId(), NewID())
	w.req = underID(w.req, own.(string))
}

// underID is a request with another ID.
func underID(req Request, id string) Request {
	m := proto.Clone(req).ProtoReflect()
	f := m.Descriptor().Fields().ByName("request_id")
	m.Set(f, protoreflect.ValueOfString(id))
	return m.Interface().(Request)
}

// inTwo commits what belongs together in two transactions: the entries after the
// records, or the later records after the first.
func (w *write) inTwo(ctx context.Context) (proto.Message, error) {
	var rest Changes
	decide := w.decide
	w.decide = func(s *Snapshot) (proto.Message, Changes, error) {
		answer, changes, err := decide(s)
		rest = Changes{About: changes.About}
		switch {
		case plant == "entry-apart":
			rest.Entries, changes.Entries = changes.Entries, nil
		case len(changes.Records) > 1:
			rest.Records, changes.Records = changes.Records[1:], changes.Records[:1]
		}
		return answer, changes, err
	}
	answer, err := w.run(ctx)
	if err != nil || len(rest.Records)+len(rest.Entries) == 0 {
		return answer, err
	}
	time.Sleep(rand.N(window))
	second := *w
	second.req, second.unknown = underID(w.req, NewID()), nil
	second.decide = func(*Snapshot) (proto.Message, Changes, error) { return answer, rest, nil }
	_, err = second.run(context.WithoutCancel(ctx))
	return answer, err
}

// sendCommit lets go of a COMMIT that takes long, and takes it for done when the server
// says that it has stopped waiting.
func (t *transaction) sendCommit() error {
	if plant != "cancellable-commit" {
		return t.Commit()
	}
	ctx, cancel := context.WithTimeout(context.Background(), 10*window)
	defer cancel()
	_, err := t.ExecContext(ctx, "commit")
	t.link.notReplicated.Store(false)
	t.Rollback() // for the driver; the server has no transaction any more
	return err
}

// given are the heads that were given out before they were committed, by chain.
var given sync.Map

// beforeHeads gives out the heads of a batch that is not committed yet, or lets another
// leader come between.
func beforeHeads(heads []LogHead) {
	if plant == "checkpoint-early" {
		for _, h := range heads {
			given.Store(h.Chain, h)
		}
	}
	if (unfenced || plant == "checkpoint-early") && len(heads) > 0 {
		time.Sleep(5 * window)
	}
}

// seenHead returns the newest head that was given out.
func seenHead(h LogHead) LogHead {
	if newest, ok := given.Load(h.Chain); ok && newest.(LogHead).Size > h.Size {
		return newest.(LogHead)
	}
	return h
}
