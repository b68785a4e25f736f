// Package demo plays an invented day of a small chain of salons against a real
// server on a real PostgreSQL, as a gRPC client. It prints each answer, either as
// a story or as one line of JSON per call.
//
// Only what people do is scripted. Every verdict, reason, figure and time that the
// server returns is printed from its answer. The demo states what it expects of
// each answer and fails if an answer differs; the first failure ends the story.
//
// The files act_*.go are the parts of the story in the order of run.play; the
// files print*.go format messages of the contract.
//
// # The invented month
//
// RunMonth plays a month of a chain with many salons instead, in the files month*.go.
// It answers two questions that no single story can: how often are careful hands
// stopped although nothing is wrong, and which dangers get past the server when hands
// are careless?
//
// A visit is careful, careless or unlucky. A careful one answers everything truthfully
// and follows the guidance, with human delays. A careless one is the same but for one
// danger that is planted in it, so that the sign by which it is found can be named. An
// unlucky one is careful, and has an accident. Dangers and accidents take turns.
//
// Clients, hair, hands, tills and dangers are drawn from the distributions of
// month_assumptions.go with a seed. What is true of a client (inventedClient) is apart
// from what is answered (consultationOf) and from what the hands do (hands): the server
// only ever hears what a till would tell it, through the public API.
//
// All salons share one simulated clock (agenda). A visit is an ordinary function that
// waits for times; the visits whose time has come run side by side, and when all of them
// wait, the clock moves to the next time. Two hours of a service take less than a second.
// Because of that, the server must be started with the same clock.
//
// A till sends facts when they happen or, when it is offline, later and all together. Its
// clock may be wrong, and it may return no echo of the server's time (till).
//
// Hands apply, test and rinse stage by stage. They act on what the screen says: on the
// state that came with the last answer, and on a new one whenever they look. While the
// till is offline they go by the plan's printed times.
//
// Everything the server says that could point at a danger is noted as a sign: rules,
// questions, alarms, deviations, reasons of errors. A danger counts as found when one of
// its own signs showed; other signs do not count, because a danger must not be found by
// accident. Dangers that leave no sign anywhere, such as a lie to a question asked singly,
// are listed as what cannot be seen.
//
// The goals are in month_goals.go. A month that misses one ends with an error.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	pb "alkalog/proto/alkalogv1"

	"google.golang.org/protobuf/types/known/timestamppb"
)

// Options configure the demo.
type Options struct {
	// One line of JSON per call instead of the story.
	JSON bool
	// The story or the JSON.
	Out io.Writer
	// Progress messages; nil: none.
	Progress io.Writer
	// An empty directory to keep the database in; "": a temporary one, removed at the
	// end.
	Dir string
	// Start starts the server that the demo calls: plaintext on loopback, with
	// development identities, on a private PostgreSQL in dir, with now as its clock.
	Start func(ctx context.Context, dir string, now func() time.Time) (Server, error)
}

// Server is a running server, which the demo calls at its address and stops at the
// end.
type Server interface {
	// Addr returns the host and port that it listens on.
	Addr() string
	// Stop lets running calls finish until ctx is done.
	Stop(ctx context.Context)
	// Wait returns when the server has stopped.
	Wait() error
}

// Run plays the demo. It returns an error if the server cannot be started or an
// answer is unexpected. Out gets only what belongs to the story; what the programs
// around it say goes to Progress.
func Run(ctx context.Context, o Options) error {
	salonClock := &clock{now: openingTime()}
	return o.withServer(ctx, salonClock, func(addr string) error { return o.play(ctx, addr, salonClock) })
}

// withServer starts the server, plays something against it, and stops it. The
// server is stopped whatever play returns, and its own error is reported as well.
func (o Options) withServer(ctx context.Context, salonClock *clock, play func(addr string) error) (err error) {
	dir, leave, err := o.directory()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, leave()) }()
	o.progress("starting a server of the demo's own")
	server, err := o.Start(ctx, dir, salonClock.Now)
	if err != nil {
		return err
	}
	defer func() {
		o.progress("stopping it")
		server.Stop(context.WithoutCancel(ctx))
		err = errors.Join(err, server.Wait())
	}()
	return play(server.Addr())
}

// directory returns the directory for the database and a function that cleans up. A
// database can be used once, because its chain exists afterwards. A directory that
// holds anything is left alone: it could be somebody's records.
func (o Options) directory() (dir string, leave func() error, err error) {
	if o.Dir == "" {
		dir, err = os.MkdirTemp("", "alkalog-demo-")
		return dir, func() error { return os.RemoveAll(dir) }, err
	}
	if entries, err := os.ReadDir(o.Dir); err == nil && len(entries) > 0 {
		return "", nil, fmt.Errorf("directory %s is not empty; the demo wants one of its own", o.Dir)
	}
	return o.Dir, func() error { return nil }, nil
}

// openingTime is when the invented salons open. The day is fixed, so that the
// golden file prints the same dates.
func openingTime() time.Time { return time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC) }

// play connects to the server and plays the demo.
func (o Options) play(ctx context.Context, addr string, salonClock *clock) error {
	d := &run{ctx: ctx, clock: salonClock, page: newPage(o.Out), people: newPeople()}
	calls := jsonLines{}
	if o.JSON {
		d.page.out, calls.out = io.Discard, o.Out
	}
	conn, err := dial(addr, calls)
	if err != nil {
		return err
	}
	defer conn.Close()
	d.calls, d.clients = calls, newClients(conn)
	d.play(addr)
	return errors.Join(d.err, d.page.err)
}

// progress prints a progress message, which is not part of the story.
func (o Options) progress(format string, args ...any) {
	if o.Progress != nil {
		fmt.Fprintf(o.Progress, format+"\n", args...)
	}
}

// run is the state of one run. The first unexpected answer ends the story; later
// steps do nothing, so that they need not check for errors.
type run struct {
	clients
	people people
	// Ends every call when the demo is interrupted.
	ctx context.Context
	// The salon's clock, which is the server's too.
	clock *clock
	// The newest server time that the till has received.
	lastEcho *pb.ClockEcho
	// The story, and the calls as JSON. One of them is discarded.
	page  page
	calls jsonLines
	// Why the story ended early.
	err error
}

// play plays all parts in order.
func (d *run) play(addr string) {
	d.opening(addr)
	// Before anything is on hair: what is refused, referred and set aside.
	d.refusals()
	d.lightened()
	kept := d.takeCheckpoint()
	decision := d.questions()
	d.till(decision)
	// One service that goes wrong, and one in which nothing happens.
	session := d.service(decision)
	d.student()
	wren := d.wren()
	// The days and weeks after.
	eye := d.followUps(session)
	d.secondVisit(decision, session, eye)
	d.ordinaryVisit(wren)
	// What is left of all this on the log.
	d.audit()
	d.verifyCopy(kept)
	d.closing()
}

// fail ends the story with its first error. What follows would only repeat it in
// other words.
func (d *run) fail(err error) {
	if d.err == nil {
		d.err = err
		d.page.out = io.Discard
	}
}

// failed reports whether the story has ended because of an unexpected answer or a
// write error.
func (d *run) failed() bool { return d.err != nil || d.page.err != nil }

// expect ends the story unless ok; what describes the expectation. It is checked
// against the answer of the server and never against what the story printed.
func (d *run) expect(ok bool, what string, args ...any) {
	if !ok {
		d.fail(fmt.Errorf("the demo expected that "+what, args...))
	}
}

// now returns the salon's time.
func (d *run) now() *timestamppb.Timestamp { return timestamppb.New(d.clock.Now()) }

// noteServerTime stores the server's time from an answer. The newest one counts.
func (d *run) noteServerTime(server *timestamppb.Timestamp) {
	d.lastEcho = &pb.ClockEcho{ServerTime: server, ReceiveTime: d.now()}
}

// clockEcho returns that time with the time elapsed since, from which the server
// computes the skew of the till's clock instead of assuming the longest possible
// exposure.
func (d *run) clockEcho() *pb.ClockEcho {
	elapsed := d.clock.Now().Sub(d.lastEcho.GetReceiveTime().AsTime()).Milliseconds()
	return &pb.ClockEcho{ServerTime: d.lastEcho.GetServerTime(), ReceiveTime: d.lastEcho.GetReceiveTime(), ElapsedMs: &elapsed}
}

// decide creates a consultation, submits it and checks eligibility. It is the way
// of a till that has everything at once.
func (d *run) decide(client *pb.Client, card *pb.Consultation, request *pb.CheckEligibilityRequest, by person) *pb.Decision {
	draft := d.draft(client, card, by)
	d.submit(draft, by)
	return d.check(client, draft, request, by)
}

// draft creates a consultation, which can still be changed. Each part of the story
// has a client and a consultation of its own.
func (d *run) draft(client *pb.Client, card *pb.Consultation, by person) *pb.Consultation {
	return call(d, by, d.consultation.CreateConsultation, &pb.CreateConsultationRequest{
		Parent: client.GetName(), Consultation: card, RequestId: newID(),
	}).GetConsultation()
}

// submit submits a consultation, which makes it immutable. A service needs a
// submitted one. The etag shows that nobody changed it meanwhile.
func (d *run) submit(draft *pb.Consultation, by person) {
	call(d, by, d.consultation.SubmitConsultation, &pb.SubmitConsultationRequest{
		Name: draft.GetName(), Etag: draft.GetEtag(), RequestId: newID(),
	})
}

// check checks eligibility. It completes the request, which can then be sent again
// unchanged.
func (d *run) check(client *pb.Client, card *pb.Consultation, request *pb.CheckEligibilityRequest, by person) *pb.Decision {
	request.Parent = client.GetName()
	request.Subject = &pb.CheckEligibilityRequest_Consultation{Consultation: card.GetName()}
	request.RequestId = newID()
	return call(d, by, d.eligibility.CheckEligibility, request).GetDecision()
}

// createClient creates a client with an invented name. The name is personal data
// and is stored sealed.
func (d *run) createClient(called string, by person) *pb.Client {
	return call(d, by, d.consultation.CreateClient, &pb.CreateClientRequest{
		Parent: ebb, Client: &pb.Client{DisplayName: called}, RequestId: newID(),
	}).GetClient()
}
