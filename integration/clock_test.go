package integration

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// The promise: a till's clock may be wrong, drift or be set, and its batches may be
// late or repeated, but no exposure is computed shorter than it was; with an echo of
// the server's time it is right within two seconds.

// device is a till with a clock of its own.
type device struct {
	*chain
	session *pb.Session
	offset  time.Duration // how far its clock is ahead
	heard   *pb.ClockEcho // the newest server time; nil: it does not echo
	heardAt time.Time
}

// device begins a service on a till whose clock is ahead by that much.
func (c *chain) device(t testing.TB, offset time.Duration) *device {
	t.Helper()
	d := c.proceedDecision(t)
	answer := must(t, c.amara, c.processing.StartSession, &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, RequestId: newID()})
	dev := &device{chain: c, session: answer.Session, offset: offset}
	dev.hear(answer.ServerTime)
	return dev
}

func (d *device) now() *timestamppb.Timestamp { return timestamppb.New(d.clock.Now().Add(d.offset)) }

func (d *device) hear(server *timestamppb.Timestamp) {
	d.heard, d.heardAt = &pb.ClockEcho{ServerTime: server, ReceiveTime: d.now()}, d.clock.Now()
}

// note is a fact of now, by the till's clock.
func (d *device) note(e *pb.Event) *pb.Event {
	e = eventAt(d.session, 0, e)
	e.OccurTime = d.now()
	return e
}

// batch is a request with the till's clock and echo of this attempt.
func (d *device) batch(facts ...*pb.Event) *pb.RecordEventsRequest {
	return d.attempt(&pb.RecordEventsRequest{Name: d.session.Name, Events: facts, RequestId: newID()})
}

// attempt is the same request sent now.
func (d *device) attempt(req *pb.RecordEventsRequest) *pb.RecordEventsRequest {
	req = proto.CloneOf(req)
	req.SendTime = d.now()
	if d.heard != nil {
		req.Echo = proto.CloneOf(d.heard)
		req.Echo.ElapsedMs = new(d.clock.Now().Sub(d.heardAt).Milliseconds())
	}
	return req
}

func (d *device) send(t testing.TB, req *pb.RecordEventsRequest) *pb.RecordEventsResponse {
	t.Helper()
	answer := must(t, d.till, d.processing.RecordEvents, req)
	if d.heard != nil {
		d.hear(answer.ServerTime)
	}
	return answer
}

// exposure is the minutes of product on a section.
func exposure(s *pb.SessionState, section string) float64 {
	i := slices.IndexFunc(s.GetSections(), func(c *pb.SectionState) bool { return c.SectionId == section })
	if i < 0 {
		return 0
	}
	return s.Sections[i].ExposureMinutes
}

// near reports whether minutes are right within two seconds.
func near(got, want float64) bool { return got > want-2./60 && got < want+2./60 }

// TestAWrongClockIsCorrected: product is on for 12 minutes, whatever the till's clock
// says. The examples are a clock that is 10 minutes fast, and one that is as slow.
func TestAWrongClockIsCorrected(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	for _, offset := range []time.Duration{0, 1500 * time.Millisecond, 10 * time.Minute, -10 * time.Minute, 12 * time.Hour, -12 * time.Hour} {
		d := c.device(t, offset)
		c.clock.advance(2 * time.Minute)
		contact := d.note(applied("front"))
		d.send(t, d.batch(contact))
		c.clock.advance(12 * time.Minute)
		state := d.send(t, d.batch(d.note(note("all is well")))).State
		if got := exposure(state, "front"); !near(got, 12) {
			t.Errorf("%v ahead: exposure is %.2f minutes, not 12", offset, got)
		}
		if deviationsOf(state.Deviations, pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED) {
			t.Errorf("%v ahead: a limit is said to be passed: %v", offset, state.Deviations)
		}
		if got := deviationsOf(state.Deviations, pb.DeviationKind_DEVIATION_KIND_CLOCK); got != (offset.Abs() > time.Minute) {
			t.Errorf("%v ahead: a deviation of the clock: %v, %v", offset, got, state.Deviations)
		}
		d.wantKept(t, contact)
	}
}

// wantKept: the event is kept as the till sent it, with its time by the server's
// clock and how that was found; the session knows the till's clock.
func (d *device) wantKept(t *testing.T, sent *pb.Event) {
	t.Helper()
	kept := must(t, d.till, d.processing.GetSession, &pb.GetSessionRequest{Name: d.session.Name, WithEvents: true})
	e := kept.Events[0]
	if !proto.Equal(e.Event, sent) || e.ClockBasis != pb.ClockBasis_CLOCK_BASIS_ECHO {
		t.Errorf("kept is %v", e)
	}
	if corrected := d.offset.Abs() > 2*time.Second; corrected {
		if e.GetClockOffsetMs() != d.offset.Milliseconds() || !e.CorrectedTime.AsTime().Equal(sent.OccurTime.AsTime().Add(-d.offset)) {
			t.Errorf("%v ahead: corrected by %d ms to %v", d.offset, e.GetClockOffsetMs(), e.CorrectedTime.AsTime())
		}
	} else if e.ClockOffsetMs != nil || e.CorrectedTime != nil {
		t.Errorf("%v ahead, and corrected: %v", d.offset, e)
	}
	if clock := kept.Session.State.GetClock(); clock.GetOffsetMs() != d.offset.Milliseconds() || clock.GetBasis() != pb.ClockBasis_CLOCK_BASIS_ECHO || clock.GetAssumption() != "" {
		t.Errorf("%v ahead: the state says %v", d.offset, clock)
	}
}

// TestOfflineQueueIsNotClockSkew: a batch waits for 40 minutes and is sent again with a
// later time and a newer echo. It is the same request, it is executed once, and the
// answer has the current time.
func TestOfflineQueueIsNotClockSkew(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d := c.device(t, 0)
	c.clock.advance(time.Minute)
	batch := d.batch(d.note(applied("front")))
	first := d.send(t, batch)
	c.clock.advance(40 * time.Minute)
	again := d.attempt(batch)
	second := d.send(t, again)
	if !second.ServerTime.AsTime().Equal(c.clock.Now()) || !first.ServerTime.AsTime().Equal(c.clock.Now().Add(-40*time.Minute)) {
		t.Errorf("answered at %v and %v", first.ServerTime.AsTime(), second.ServerTime.AsTime())
	}
	first.ServerTime, second.ServerTime = nil, nil
	if !proto.Equal(first, second) {
		t.Errorf("the retry was answered\n%v\nat first it was\n%v", second, first)
	}

	late := c.device(t, 0)
	c.clock.advance(time.Minute)
	waiting := late.batch(late.note(applied("front")))
	c.clock.advance(40 * time.Minute)
	for what, req := range map[string]*pb.RecordEventsRequest{"as it was": waiting, "with a new echo": late.attempt(waiting)} {
		req = proto.CloneOf(req)
		req.RequestId = newID()
		state := must(t, c.till, c.processing.RecordEvents, req).State
		if got := exposure(state, "front"); !near(got, 40) || deviationsOf(state.Deviations, pb.DeviationKind_DEVIATION_KIND_CLOCK) {
			t.Errorf("a batch that waited, %s: exposure %.2f, deviations %v", what, got, state.Deviations)
		}
	}
}

// TestAClockIsSetWhileProductIsOn: each echo corrects what was noted since.
func TestAClockIsSetWhileProductIsOn(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d := c.device(t, -3*time.Hour)
	d.send(t, d.batch(d.note(applied("front"))))
	c.clock.advance(5 * time.Minute)
	d.offset = time.Hour // somebody set it, and wrong again
	c.clock.advance(time.Minute)
	d.send(t, d.batch(d.note(applied("crown"))))
	c.clock.advance(4 * time.Minute)
	d.offset = 0
	state := d.send(t, d.batch(d.note(applied("nape")))).State
	for section, want := range map[string]float64{"front": 10, "crown": 4, "nape": 0} {
		if got := exposure(state, section); !near(got, want) {
			t.Errorf("%s: %.2f minutes, not %g", section, got, want)
		}
	}
	clocks := 0
	for _, e := range c.entries(t, "session = \""+d.session.Name+"\"") {
		if e.ReasonCode == pb.DeviationKind_DEVIATION_KIND_CLOCK.String() {
			clocks++
		}
	}
	if clocks != 1 {
		t.Errorf("the clock is %d times on the log", clocks)
	}
}

// TestWithoutAnEchoTheWorstIsAssumed: guidance for a till that does not echo assumes the
// longest exposure that fits, says so, and records no deviation because of it.
func TestWithoutAnEchoTheWorstIsAssumed(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	for _, offset := range []time.Duration{0, 10 * time.Minute, -10 * time.Minute} {
		d := c.device(t, offset)
		d.heard = nil
		c.clock.advance(2 * time.Minute)
		d.send(t, d.batch(d.note(applied("front"))))
		c.clock.advance(12 * time.Minute)
		state := d.send(t, d.batch(d.note(note("all is well")))).State
		if got := exposure(state, "front"); got < 12 || got > 14.1 {
			t.Errorf("%v ahead: exposure is %.2f minutes, from 12 to 14 fit", offset, got)
		}
		if state.GetClock().GetAssumption() == "" || state.GetClock().GetBasis() == pb.ClockBasis_CLOCK_BASIS_ECHO {
			t.Errorf("%v ahead: the state says %v", offset, state.GetClock())
		}
		if deviationsOf(state.Deviations, pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED) {
			t.Errorf("%v ahead: a limit is said to be passed: %v", offset, state.Deviations)
		}
	}
}

// TestAStartThatCannotBe: as an intention it is refused; when product is on already
// it is recorded, with a sane time as a deviation.
func TestAStartThatCannotBe(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	for _, off := range []time.Duration{10 * 365 * 24 * time.Hour, -10 * 365 * 24 * time.Hour, 6 * time.Minute, -25 * time.Hour} {
		d := c.proceedDecision(t)
		begin := &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, StartTime: timestamppb.New(c.clock.Now().Add(off)), RequestId: newID()}
		before := s.tableDigests(t)
		wantError(t, off.String(), mustFail(t, c.amara, c.processing.StartSession, begin), codes.InvalidArgument, "INVALID_FIELD")
		wantSame(t, before, s.tableDigests(t))
		begin = again(begin)
		begin.UnderWay = true
		session := must(t, c.amara, c.processing.StartSession, begin).Session
		if !session.StartTime.AsTime().Equal(c.clock.Now()) || !proto.Equal(session.TillStartTime, begin.StartTime) {
			t.Errorf("%v: begun at %v, by the till at %v", off, session.StartTime.AsTime(), session.TillStartTime.AsTime())
		}
		if !deviationsOf(session.State.Deviations, pb.DeviationKind_DEVIATION_KIND_CLOCK) {
			t.Errorf("%v: no deviation of the clock: %v", off, session.State.Deviations)
		}
		// A till that is as wrong and says so may begin.
		d = c.proceedDecision(t)
		server := c.clock.timestamp()
		till := timestamppb.New(c.clock.Now().Add(off))
		measured := must(t, c.amara, c.processing.StartSession, &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, StartTime: till, SendTime: till,
			Echo: &pb.ClockEcho{ServerTime: server, ReceiveTime: till, ElapsedMs: new(int64(0))}, RequestId: newID()}).Session
		if !measured.StartTime.AsTime().Equal(c.clock.Now()) {
			t.Errorf("%v, measured: begun at %v", off, measured.StartTime.AsTime())
		}
	}
}

// TestEventsOfOneInstant are in the order of their device, or of the batch, whatever
// their ids: water answers what was reported before it.
func TestEventsOfOneInstant(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	tingles := func() *pb.Event {
		return &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_TINGLING}}}
	}
	water := func() *pb.Event { return &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}} }
	for range 6 { // ids are by chance
		for _, numbered := range []bool{true, false} {
			for _, before := range []bool{true, false} {
				d := c.device(t, 0)
				d.send(t, d.batch(d.note(applied("front"))))
				c.clock.advance(time.Minute)
				first, second := tingles(), water()
				if !before {
					first, second = second, first
				}
				facts := []*pb.Event{d.note(first), d.note(second)}
				if numbered { // the batch has them the other way round
					slices.Reverse(facts)
				} else {
					first.DeviceSequence, second.DeviceSequence = nil, nil
				}
				state := d.send(t, d.batch(facts...)).State
				if _, calls := rinseNow(state, ""); calls == before {
					t.Fatalf("numbered %v, reported before the water %v: %v", numbered, before, state.Alarms)
				}
			}
		}
	}
}

// TestSimulatedTills plays tills of any clock, some of which is set while they work,
// with queues and retries, against a real server.
func TestSimulatedTills(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 7))
	within := func(d time.Duration) time.Duration { return time.Duration(random.Int64N(2*int64(d))) - d }
	for i := range 12 {
		d := c.device(t, within(12*time.Hour))
		echoes, sets := i%3 != 0, i%2 == 0
		if !echoes {
			d.heard = nil
		}
		c.clock.advance(time.Second + time.Duration(random.Int64N(int64(5*time.Minute))))
		contact := c.clock.Now()
		batch := d.batch(d.note(applied("front")))
		c.clock.advance(time.Second + time.Duration(random.Int64N(int64([]time.Duration{time.Second, time.Hour, 12 * time.Hour}[i%3]))))
		d.send(t, d.attempt(batch))
		if sets {
			d.offset = within(12 * time.Hour)
		}
		c.clock.advance(time.Minute)
		state := d.send(t, d.batch(d.note(note("all is well")))).State
		want := c.clock.Now().Sub(contact).Minutes()
		if got := exposure(state, "front"); got < want-2./60 || echoes && !near(got, want) {
			t.Errorf("till %d, %v ahead, echoes %v: exposure is %.2f, not %.2f", i, d.offset, echoes, got, want)
		}
		limit := d.session.Limits.HardLimitMinutes
		said := deviationsOf(state.Deviations, pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED)
		// Without an echo a clock that is set looks like a queue.
		if said && want < limit && (echoes || !sets) || echoes && !said && want > limit+.1 {
			t.Errorf("till %d, echoes %v: %.2f minutes of %g, limit said to be passed: %v", i, echoes, want, limit, said)
		}
	}
}
