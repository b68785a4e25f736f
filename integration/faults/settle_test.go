package faults

import (
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
)

// settleFor is how long unknown calls are asked again at the end, when everything
// works. Our own choice: more than the lease of a leader and every retry delay.
const settleFor = 30 * time.Second

// newRandom is for choices that need not be repeatable: which of several servers that
// all work is asked.
func newRandom() *rand.Rand { return rand.New(rand.NewPCG(1, uint64(time.Now().UnixNano()))) }

// settle repeats every call whose outcome is unknown, with the same bytes, until its
// outcome is known, and a sample of the acknowledged ones, which must be answered as
// they were. The attempts become part of the history.
func settle(t testing.TB, h history, targets []target) history {
	t.Helper()
	j, err := openJournal(filepath.Join(h.Dir, "final.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	c := newCaller(j, "final-"+newID()[:8], h.Origin, targets)
	defer c.close()
	deadline := time.Now().Add(settleFor)
	var askers sync.WaitGroup
	slots := make(chan bool, 8)
	for i, call := range calls(h) {
		if call.open() || call.done() && i%10 == 0 {
			slots <- true
			askers.Go(func() {
				c.untilKnown(deadline, call)
				<-slots
			})
		}
	}
	askers.Wait()
	settled, err := readHistory(h.Dir)
	if err != nil {
		t.Fatal(err)
	}
	return settled
}

// untilKnown makes attempts of a call until its outcome is known or time is up.
func (c *caller) untilKnown(deadline time.Time, call call) {
	random, first := newRandom(), call.attempts[0]
	req, err := requestOf(first)
	if err != nil {
		panic(err) // the history was written by this program
	}
	for time.Now().Before(deadline) {
		o := c.describe(first.Caller, req)
		o.Key, o.Expected, o.Wrote, o.Limit = first.Key, first.Expected, first.Wrote, 10*time.Second
		if o, _ = c.attempt(random, o, req); o.Outcome != unknown {
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
}

// requestOf decodes the request of an op.
func requestOf(o op) (proto.Message, error) {
	for name, method := range methods() {
		if string(method.Name()) != o.Method {
			continue
		}
		t, err := protoregistry.GlobalTypes.FindMessageByName(name)
		if err != nil {
			return nil, err
		}
		req := t.New().Interface()
		return req, proto.Unmarshal(o.Body, req)
	}
	return nil, fs.ErrNotExist
}

// call is a change that was asked for: all attempts with one request ID, in the order
// in which they were made. Attempts with another body are apart.
type call struct {
	id       string
	attempts []op
	altered  []op
}

// calls groups the attempts of a history.
func calls(h history) []call {
	var all []call
	index := map[string]int{}
	for _, o := range h.Ops {
		if o.Request == "" {
			continue
		}
		at, known := index[o.Request]
		if !known {
			at = len(all)
			index[o.Request] = at
			all = append(all, call{id: o.Request})
		}
		if o.Altered {
			all[at].altered = append(all[at].altered, o)
		} else {
			all[at].attempts = append(all[at].attempts, o)
		}
	}
	return all
}

// has reports whether an attempt of the call has an outcome.
func (c call) has(is outcome) bool {
	return slices.ContainsFunc(c.attempts, func(o op) bool { return o.Outcome == is })
}

// done reports whether the call was acknowledged, and open whether nobody knows.
func (c call) done() bool { return c.has(acknowledged) }
func (c call) open() bool { return !c.done() && !c.has(refused) }

// answer is the first acknowledged attempt; call it only if the call is done.
func (c call) answer() op {
	return c.attempts[slices.IndexFunc(c.attempts, func(o op) bool { return o.Outcome == acknowledged })]
}

// exportedNames are the names of the entries in a copy of a log, in order.
func exportedNames(dir string) ([]string, error) {
	var names, files []string
	err := filepath.WalkDir(filepath.Join(dir, "tile", "entries"), func(file string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			files = append(files, file)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	// The paths of c2sp.org/tlog-tiles sort as numbers once the x of leading parts and
	// the width of the last file are gone.
	number := func(file string) string {
		file, _, _ = strings.Cut(file, ".p")
		return strings.ReplaceAll(file, "x", "")
	}
	slices.SortFunc(files, func(a, b string) int { return strings.Compare(number(a), number(b)) })
	for _, file := range files {
		bundle, err := os.ReadFile(file)
		if err != nil {
			return nil, err
		}
		entries, err := ledger.ParseBundle(bundle)
		if err != nil {
			return nil, err
		}
		for _, body := range entries {
			entry := &pb.AuditEntry{}
			if err := proto.Unmarshal(body, entry); err != nil {
				return nil, err
			}
			names = append(names, entry.Name)
		}
	}
	return names, nil
}
