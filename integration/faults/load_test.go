package faults

import (
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

const (
	// clientProcesses and workersEach are the size of the load: enough that calls of
	// several processes overlap on two cores. Our own choice.
	clientProcesses = 3
	workersEach     = 4
	// chainCount is how many chains the load uses, so that one is seen from another.
	chainCount = 2
)

// load is a load of client processes that use all services and keep a history.
type load struct {
	t       testing.TB
	trial   trial
	dir     string
	began   time.Time // the origin, with a monotonic reading
	targets []target
	clients []*clientProcess
	// acknowledged counts the acknowledged changes of the client processes so far.
	acknowledged tally
}

// clientProcess is a copy of this program that makes calls.
type clientProcess struct {
	command *exec.Cmd
	input   io.WriteCloser
	said    *strings.Builder
}

// newLoad prepares a load: it creates the chains, through the servers, which must work.
func newLoad(t testing.TB, seed uint64, targets []target) *load {
	t.Helper()
	dir := t.TempDir()
	if keep := os.Getenv(keepVariable); keep != "" {
		dir = filepath.Join(keep, fmt.Sprintf("%s-%d", strings.ReplaceAll(t.Name(), "/", "-"), seed))
		if err := os.MkdirAll(dir, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	l := &load{t: t, dir: dir, began: time.Now(), targets: targets, trial: trial{Seed: seed}}
	l.trial.Origin = l.began.Round(0)
	for i := range chainCount {
		l.trial.Chains = append(l.trial.Chains, fmt.Sprintf("ebb-%d", i+1))
	}
	c := l.caller("opening")
	defer c.close()
	random := rand.New(rand.NewPCG(seed, 0))
	for _, id := range l.trial.Chains {
		for _, call := range newShop(id, "opening").opening() {
			var o op
			made := eventually(patience, 100*time.Millisecond, func() bool { // the server may have just started
				o = c.describe(call.caller, call.req)
				o.Limit = 10 * time.Second
				o, _ = c.attempt(random, o, call.req)
				return o.Outcome == acknowledged
			})
			if !made {
				t.Fatalf("%s: %s %s %s", o.Method, o.Code, o.Reason, o.Message)
			}
		}
	}
	return l
}

// caller opens a journal for calls of this process.
func (l *load) caller(name string) *caller {
	l.t.Helper()
	j, err := openJournal(filepath.Join(l.dir, name+".jsonl"))
	if err != nil {
		l.t.Fatal(err)
	}
	return newCaller(j, name, l.trial.Origin, l.targets)
}

// start starts the client processes.
func (l *load) start() {
	l.t.Helper()
	for i := range clientProcesses {
		o := orders{trial: l.trial, Name: fmt.Sprint("client-", i+1), Dir: l.dir, Workers: workersEach, Targets: l.targets}
		file := filepath.Join(l.dir, o.Name+".orders")
		if err := writeJSON(file, o); err != nil {
			l.t.Fatal(err)
		}
		p := &clientProcess{command: exec.Command(os.Args[0]), said: new(strings.Builder)}
		p.command.Env = append(os.Environ(), clientVariable+"="+file)
		p.command.Stderr, p.command.Stdout = p.said, &l.acknowledged
		var err error
		if p.input, err = p.command.StdinPipe(); err == nil {
			err = p.command.Start()
		}
		if err != nil {
			l.t.Fatal(err)
		}
		l.t.Cleanup(func() { p.command.Process.Kill() })
		l.clients = append(l.clients, p)
	}
}

// healed marks the moment from which everything works again.
func (l *load) healed() { l.trial.Healed = time.Since(l.began) }

// until returns when that many more changes have been acknowledged.
func (l *load) until(more int) {
	l.t.Helper()
	enough := l.acknowledged.Load() + int64(more)
	if !eventually(2*time.Minute, 10*time.Millisecond, func() bool { return l.acknowledged.Load() >= enough }) {
		l.t.Fatalf("%d changes were acknowledged in two minutes, not %d", l.acknowledged.Load()-enough+int64(more), more)
	}
}

// tally counts what is written to it. A client process writes a byte for each
// acknowledged change.
type tally struct{ atomic.Int64 }

// Write implements io.Writer.
func (n *tally) Write(b []byte) (int, error) {
	n.Add(int64(len(b)))
	return len(b), nil
}

// read reads the history as it is now.
func (l *load) read() (history, error) {
	if err := writeJSON(filepath.Join(l.dir, "run.json"), l.trial); err != nil {
		return history{}, err
	}
	return readHistory(l.dir)
}

// finish stops the clients and returns the history. Unknown outcomes in it are settled
// by check.
func (l *load) finish() history {
	l.t.Helper()
	l.trial.Ended = time.Since(l.began)
	for _, p := range l.clients {
		p.input.Close()
	}
	for _, p := range l.clients {
		if err := p.command.Wait(); err != nil {
			l.t.Fatalf("a client process: %v: %s", err, p.said)
		}
	}
	h, err := l.read()
	if err != nil {
		l.t.Fatal(err)
	}
	return h
}
