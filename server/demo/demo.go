// Package demo plays an invented day of a small chain of salons against a real
// server on a real PostgreSQL, as a real client over a real socket. It starts
// both, asks what a till would ask, and tells what was answered: either as a
// story for a reader or as one line of JSON for each call.
//
// Nothing in the story is written beforehand except what people do: every
// verdict, reason, figure and time that the server gives is printed from its
// answer. The demo also says what it expects of each answer, and ends with an
// error when the server answers otherwise.
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

// Options say where the demo runs and how it tells its story.
type Options struct {
	JSON     bool      // one line of JSON per call instead of the story
	Out      io.Writer // the story or the JSON
	Progress io.Writer // what is being started and stopped; nil: nobody is told
	Dir      string    // an empty directory for the database, kept afterwards; "": a temporary one, removed at the end
	// Start starts the server that the demo calls: in plaintext on loopback, with
	// development identities, on a private PostgreSQL in dir, with the clock now.
	Start func(ctx context.Context, dir string, now func() time.Time) (Server, error)
}

// Server is a running server. The demo knows it by its address only, as any
// client does, and stops it at the end.
type Server interface {
	// Addr returns the host and port that it listens on.
	Addr() string
	// Stop makes it finish the calls that are running, until ctx is done.
	Stop(ctx context.Context)
	// Wait returns when it has stopped.
	Wait() error
}

// Run plays the day. It returns an error when the server cannot be started or
// answers otherwise than the contract says.
func Run(ctx context.Context, o Options) (err error) {
	dir, leave, err := o.directory()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, leave()) }()
	salonClock := &clock{now: openingTime()}
	o.progress("starting a private PostgreSQL and the server in %s", dir)
	server, err := o.Start(ctx, dir, salonClock.Now)
	if err != nil {
		return err
	}
	defer func() {
		o.progress("stopping both")
		server.Stop(context.WithoutCancel(ctx))
		err = errors.Join(err, server.Wait())
	}()
	return o.play(ctx, server.Addr(), salonClock)
}

// directory is where the database goes, and what is to be done with it at the
// end. The day can be played once in a database: its chain exists afterwards.
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

// openingTime is when the invented salons open on the invented day.
func openingTime() time.Time { return time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC) }

// play connects to the server and plays the day on it.
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

// progress tells what is being started, apart from the story.
func (o Options) progress(format string, args ...any) {
	if o.Progress != nil {
		fmt.Fprintf(o.Progress, format+"\n", args...)
	}
}

// run is one run: the services, the people, the clock and the page that the
// story is written on. The first thing that goes otherwise than expected ends
// the story; whatever follows does nothing, so that the scenes need not ask.
type run struct {
	clients
	people   people
	ctx      context.Context
	clock    *clock
	lastEcho *pb.ClockEcho // the newest time that the till has heard from the server
	page     page
	calls    jsonLines
	err      error
}

// play is the day, act by act.
func (d *run) play(addr string) {
	d.opening(addr)
	d.refusals()
	d.lightened()
	kept := d.takeCheckpoint()
	decision := d.questions()
	d.till(decision)
	session := d.service(decision)
	d.student()
	eye := d.followUps(session)
	d.secondVisit(decision, session, eye)
	d.audit()
	d.verifyCopy(kept)
	d.closing()
}

// fail ends the story with its first error.
func (d *run) fail(err error) {
	if d.err == nil {
		d.err = err
		d.page.out = io.Discard
	}
}

// failed tells whether the story has ended, by a surprise or because it cannot be
// written.
func (d *run) failed() bool { return d.err != nil || d.page.err != nil }

// expect ends the story unless ok; what says what should have been.
func (d *run) expect(ok bool, what string, args ...any) {
	if !ok {
		d.fail(fmt.Errorf("the demo expected that "+what, args...))
	}
}

// now is the salon's time as a message.
func (d *run) now() *timestamppb.Timestamp { return timestamppb.New(d.clock.Now()) }

// noteServerTime notes the server's time in an answer to the till.
func (d *run) noteServerTime(server *timestamppb.Timestamp) {
	d.lastEcho = &pb.ClockEcho{ServerTime: server, ReceiveTime: d.now()}
}

// clockEcho is that time with how long ago it was: by it the server knows the till's clock
// to the second, and need not assume the longest exposure that fits.
func (d *run) clockEcho() *pb.ClockEcho {
	elapsed := d.clock.Now().Sub(d.lastEcho.GetReceiveTime().AsTime()).Milliseconds()
	return &pb.ClockEcho{ServerTime: d.lastEcho.GetServerTime(), ReceiveTime: d.lastEcho.GetReceiveTime(), ElapsedMs: &elapsed}
}

// decide takes a consultation, freezes it and asks whether the service may go
// ahead. The request says what is to be done, where, by whom and with what.
func (d *run) decide(client *pb.Client, card *pb.Consultation, request *pb.CheckEligibilityRequest, by person) *pb.Decision {
	draft := d.draft(client, card, by)
	d.submit(draft, by)
	return d.check(client, draft, request, by)
}

// draft begins a consultation; it can still be changed.
func (d *run) draft(client *pb.Client, card *pb.Consultation, by person) *pb.Consultation {
	return call(d, by, d.consultation.CreateConsultation, &pb.CreateConsultationRequest{
		Parent: client.GetName(), Consultation: card, RequestId: newID(),
	}).GetConsultation()
}

// submit freezes a consultation: only then may a service begin on it.
func (d *run) submit(draft *pb.Consultation, by person) {
	call(d, by, d.consultation.SubmitConsultation, &pb.SubmitConsultationRequest{
		Name: draft.GetName(), Etag: draft.GetEtag(), RequestId: newID(),
	})
}

// check asks whether the service may go ahead. It fills in the request, which can
// then be sent again as it is.
func (d *run) check(client *pb.Client, card *pb.Consultation, request *pb.CheckEligibilityRequest, by person) *pb.Decision {
	request.Parent = client.GetName()
	request.Subject = &pb.CheckEligibilityRequest_Consultation{Consultation: card.GetName()}
	request.RequestId = newID()
	return call(d, by, d.eligibility.CheckEligibility, request).GetDecision()
}

// createClient takes somebody in under an invented name.
func (d *run) createClient(called string, by person) *pb.Client {
	return call(d, by, d.consultation.CreateClient, &pb.CreateClientRequest{
		Parent: ebb, Client: &pb.Client{DisplayName: called}, RequestId: newID(),
	}).GetClient()
}
