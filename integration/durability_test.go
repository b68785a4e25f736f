package integration

import (
	"database/sql"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/lib/pq"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage/localpg"
)

// The promise: what was acknowledged is there after a kill -9 of the server in the
// middle of its work, once; an unacknowledged call is executed once after a retry with
// the same request id.

// TestKilledServerLosesNothing kills a server with a private database, on disk and with
// every commit forced to it, at random instants while callers are at work; once
// together with the database.
func TestKilledServerLosesNothing(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	dir, kept := privateDir(t), &operationLog{}
	for round := range 3 {
		server := startChild(t, dir)
		c := server.people(t)
		if round == 0 {
			c.create(t)
		}
		end := server.kill
		if round == 1 {
			end = func() { server.killAll(dir) }
		}
		kept.limit(10+random.IntN(150), end)
		var workers sync.WaitGroup
		for range 4 {
			own := random.Uint64()
			workers.Go(func() { kept.work(t, c, own) })
		}
		workers.Wait()
		kept.end()
		done, open := kept.count()
		t.Logf("round %d: %d calls acknowledged so far, %d not", round, done, open)
	}
	server := startChild(t, dir)
	c := server.people(t)
	kept.retry(t, c)
	kept.wantDecisions(t, c)
	kept.wantEvents(t, c)
	kept.wantEntries(t, c)
	server.stop(t)
	wantCauses(t, openCluster(t, dir))
}

// people is a chain on the child's server, by the machine's clock.
func (c *child) people(t testing.TB) *chain {
	return (&testServer{stubs: dial(t, c.addr), clock: &clock{now: time.Now()}}).describeChain("ebb-and-flow")
}

// openCluster opens the database in a directory after its server has ended.
func openCluster(t testing.TB, dir string) *sql.DB {
	t.Helper()
	cluster, err := localpg.Start(t.Context(), localpg.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	connector, err := pq.NewConnector(cluster.DSN("", "") + " search_path=alkalog")
	if err != nil {
		t.Fatal(err)
	}
	db := sql.OpenDB(connector)
	t.Cleanup(func() {
		db.Close()
		if err := cluster.Stop(); err != nil {
			t.Error(err)
		}
	})
	return db
}

// operation is a call and its answer; nil while it was not acknowledged.
type operation struct {
	who    person
	rpc    rpc
	req    proto.Message
	answer proto.Message
}

// operationLog is every call that the workers have made. It is kept outside the server,
// and a call is in it before it is sent.
type operationLog struct {
	mu           sync.Mutex
	deeds        []*operation
	acknowledged int
	enough       int    // calls after which the end comes, while others are under way
	end          func() // comes once, and returns when all has ended
}

// limit ends the work after some more acknowledged calls.
func (b *operationLog) limit(more int, end func()) {
	b.enough, b.end = b.acknowledged+more, sync.OnceFunc(end)
}

// count is how many calls were acknowledged, and how many not.
func (b *operationLog) count() (done, open int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.acknowledged, len(b.deeds) - b.acknowledged
}

// do makes a call and reports whether it was acknowledged; if not, the server
// must have been killed.
func (b *operationLog) do(t *testing.T, c *chain, who person, method string, req proto.Message) (proto.Message, bool) {
	t.Helper()
	d := &operation{who: who, rpc: rpcNamed(method), req: req}
	b.mu.Lock()
	b.deeds = append(b.deeds, d)
	b.mu.Unlock()
	answer, err := c.ask(t, who, d.rpc, req)
	if err != nil {
		if status.Code(err) != codes.Unavailable {
			t.Errorf("%s: %v", method, err)
		}
		return nil, false
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	d.answer = answer
	if b.acknowledged++; b.acknowledged == b.enough {
		go b.end()
	}
	return answer, true
}

// work creates clients, decides, tries to override, starts services and records events
// until the server is gone.
func (b *operationLog) work(t *testing.T, c *chain, seed uint64) {
	random := rand.New(rand.NewPCG(seed, 1))
	for {
		made, ok := b.do(t, c, c.amara, "CreateClient", &pb.CreateClientRequest{
			Parent: c.name, Client: &pb.Client{DisplayName: "Invented"}, RequestId: newID()})
		if !ok || !b.visit(t, c, made.(*pb.CreateClientResponse).Client.Name, random) {
			return
		}
	}
}

// visit plays the visit of one client and reports whether the server still runs.
func (b *operationLog) visit(t *testing.T, c *chain, client string, random *rand.Rand) bool {
	refused, ok := b.decide(t, c, client, brokenSkin)
	if !ok {
		return false
	}
	for range random.IntN(3) {
		if _, ok := b.do(t, c, c.imara, "OverrideDecision", c.override(refused, refused.Findings[0])); !ok {
			return false
		}
	}
	cleared, ok := b.decide(t, c, client) // the same head, looked at again
	if !ok {
		return false
	}
	begun, ok := b.do(t, c, c.amara, "StartSession", &pb.StartSessionRequest{Parent: client, Decision: cleared.Name, RequestId: newID()})
	if !ok {
		return false
	}
	session := begun.(*pb.StartSessionResponse).Session
	for i := range 1 + random.IntN(10) {
		facts := []*pb.Event{eventAt(session, 0, note("a remark")), eventAt(session, 0, applied(fmt.Sprintf("unplanned-%d", i)))}
		if _, ok := b.do(t, c, c.till, "RecordEvents", &pb.RecordEventsRequest{Name: session.Name, Events: facts, RequestId: newID()}); !ok {
			return false
		}
	}
	return true
}

// decide decides on a new card of a client.
func (b *operationLog) decide(t *testing.T, c *chain, client string, change ...func(*pb.Consultation)) (*pb.Decision, bool) {
	made, ok := b.do(t, c, c.amara, "CreateConsultation", &pb.CreateConsultationRequest{
		Parent: client, Consultation: c.consultationAnswers(change...), RequestId: newID()})
	if !ok {
		return nil, false
	}
	card := made.(*pb.CreateConsultationResponse).Consultation.Name
	if _, ok := b.do(t, c, c.amara, "SubmitConsultation", &pb.SubmitConsultationRequest{Name: card, RequestId: newID()}); !ok {
		return nil, false
	}
	question := c.question(card)
	question.WhatChanged = "Looked again under the lamp."
	answer, ok := b.do(t, c, c.amara, "CheckEligibility", question)
	if !ok {
		return nil, false
	}
	return answer.(*pb.CheckEligibilityResponse).Decision, true
}

// retry sends every call again: an acknowledged call must get the same answer, and any
// other call must get an answer now.
func (b *operationLog) retry(t *testing.T, c *chain) {
	t.Helper()
	for _, d := range b.deeds {
		answer, err := c.ask(t, d.who, d.rpc, d.req)
		switch {
		case err != nil:
			t.Errorf("the retry of %s: %v", d.rpc.Name(), err)
		case d.answer == nil:
			d.answer = answer
		case !proto.Equal(durable(answer), durable(d.answer)):
			t.Errorf("%s was acknowledged with\n%v\nand its retry with\n%v", d.rpc.Name(), d.answer, answer)
		}
	}
}

// durable is an answer without the fields that differ per attempt.
func durable(answer proto.Message) proto.Message {
	kept := proto.Clone(answer).ProtoReflect()
	kept.Range(func(f protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
		if proto.GetExtension(f.Options(), pb.E_PerAttempt).(bool) {
			kept.Clear(f)
		}
		return true
	})
	return kept.Interface()
}

// TestSecondServerOnOneDataDirectory: a directory has one server; a second one gets an
// error that names the owner, and changes nothing.
func TestSecondServerOnOneDataDirectory(t *testing.T) {
	t.Parallel()
	dir := privateDir(t)
	first := startChild(t, dir)
	c := first.people(t)
	c.create(t)
	second, err := serve.Start(t.Context(), serve.Config{Address: "127.0.0.1:0", DataDir: dir, Development: true})
	if err == nil {
		second.Stop(t.Context())
		t.Fatal("two servers run on one directory")
	}
	if pid := fmt.Sprint(first.command.Process.Pid); !strings.Contains(err.Error(), pid) {
		t.Errorf("the second server is told %q, which does not name process %s", err, pid)
	}
	must(t, c.odile, c.directory.GetSalon, &pb.GetSalonRequest{Name: c.salon})
	first.stop(t)
}
