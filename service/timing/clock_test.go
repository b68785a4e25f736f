package timing

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// world is a till with a clock of its own, a queue, and the server that it talks to.
// Minutes are true ones, from the start of the session.
type world struct {
	session *pb.Session
	stored  []*pb.StoredEvent
	offset  time.Duration // how far the till's clock is ahead now
	now     time.Duration // since the session was begun
	echoes  bool
	heard   *pb.ClockEcho // the newest server time, without elapsed
	heardAt time.Duration
	queue   []*pb.StoredEvent // noted, not sent
	noted   int64
	truth   map[string]time.Duration // first contacts, by section
	rinsed  time.Duration            // water on the whole head; zero: not yet
	set     bool                     // the clock was changed since the last reading
}

const tillName = "chains/ebb-and-flow/tills/one"

func newWorld(offset time.Duration, echoes bool) *world {
	w := &world{session: newTimeline(regular()).session, offset: offset, echoes: echoes, truth: map[string]time.Duration{}}
	w.session.StartTime, w.session.CreateTime = stamp(opening), stamp(opening)
	w.session.Clock = &pb.ClockState{}
	w.hear(0)
	return w
}

func (w *world) till() *timestamppb.Timestamp { return stamp(opening.Add(w.now + w.offset)) }

// hear receives an answer that took so long to come.
func (w *world) hear(took time.Duration) {
	server := stamp(opening.Add(w.now))
	w.now += took
	w.set = false
	w.heard, w.heardAt = &pb.ClockEcho{ServerTime: server, ReceiveTime: w.till()}, w.now
}

func (w *world) note(e *pb.Event) {
	w.noted++
	e.EventId, e.OccurTime, e.DeviceSequence = fmt.Sprintf("00000000-0000-4000-8000-%012d", w.noted), w.till(), &w.noted
	e.DeviceSequence = proto.Int64(w.noted)
	w.queue = append(w.queue, &pb.StoredEvent{Event: e, Sender: tillName})
}

// send sends what is queued; it arrives after so long, with the echo of when it was
// sent.
func (w *world) send(took time.Duration) {
	if len(w.queue) == 0 {
		return
	}
	var echo *pb.ClockEcho
	if w.echoes {
		echo = proto.CloneOf(w.heard)
		echo.ElapsedMs = proto.Int64((w.now - w.heardAt).Milliseconds())
	}
	sent := w.till()
	w.now += took
	received := opening.Add(w.now)
	w.session.TillClocks = MeasureClock(w.session.TillClocks, tillName, echo, sent, received)
	w.session.Clock = ClockStateOf(w.session.TillClocks, tillName)
	for i, e := range w.queue {
		e.RecordTime, e.Sequence = stamp(received), int64(len(w.stored)+i+1)
	}
	CorrectTimes(w.session, w.stored, w.queue)
	w.stored = append(w.stored, w.queue...)
	w.queue = nil
}

func (w *world) state() *pb.SessionState { return Fold(w.session, w.stored, opening.Add(w.now)) }

// recorded tells whether a fact of a section has reached the server.
func (w *world) recorded(is func(*pb.Event) bool) bool {
	return slices.ContainsFunc(w.stored, func(e *pb.StoredEvent) bool { return is(e.Event) })
}

// exposures compares what the state says of the sections that product is on, as far
// as the server can know, with the truth: the smallest and the largest difference.
func (w *world) exposures() (least, most time.Duration) {
	for id, since := range w.truth {
		if w.rinsed > 0 || !w.recorded(func(e *pb.Event) bool { return e.GetSectionApplied().GetSectionId() == id }) {
			continue
		}
		c := sectionOf(w.state(), id)
		by := minutes(c.GetExposureMinutes()) - (w.now - since)
		least, most = min(least, by), max(most, by)
	}
	return least, most
}

func sectionOf(s *pb.SessionState, id string) *pb.SectionState {
	i := slices.IndexFunc(s.Sections, func(c *pb.SectionState) bool { return c.SectionId == id })
	if i < 0 {
		return nil
	}
	return s.Sections[i]
}

func passed(s *pb.SessionState, kind pb.DeviationKind, section string) bool {
	return slices.ContainsFunc(s.Deviations, func(d *pb.Deviation) bool { return d.Kind == kind && d.SectionId == section })
}

// offsets are clocks from half a day behind to half a day ahead; small ones as often
// as large ones.
func drawOffset(t *rapid.T) time.Duration {
	most := rapid.SampledFrom([]time.Duration{5 * time.Second, 10 * time.Minute, 12 * time.Hour}).Draw(t, "most")
	return time.Duration(rapid.Int64Range(-int64(most), int64(most)).Draw(t, "offset")).Truncate(time.Millisecond)
}

func drawDelay(t *rapid.T) time.Duration {
	most := rapid.SampledFrom([]time.Duration{time.Second, time.Minute, 12 * time.Hour}).Draw(t, "longest")
	return time.Duration(rapid.Int64Range(int64(time.Second), int64(most)).Draw(t, "delay"))
}

// act is one thing that happens to a till: time passes, product is put on, a strand
// tested, the queue sent, the clock changed.
func (w *world) act(t *rapid.T, changes bool) {
	w.now += time.Duration(rapid.IntRange(1, 400).Draw(t, "seconds")) * time.Second
	section := rapid.SampledFrom([]string{"front", "crown", "nape"}).Draw(t, "section")
	switch rapid.IntRange(0, 7).Draw(t, "act") {
	case 0, 1:
		if _, on := w.truth[section]; !on && w.rinsed == 0 {
			w.truth[section] = w.now
			w.note(applied(section))
		}
	case 2:
		if _, on := w.truth[section]; on && w.rinsed == 0 {
			w.note(strand(section, 60))
		}
	case 3:
		w.note(&pb.Event{Fact: &pb.Event_Note{Note: &pb.Note{Text: "all is well"}}})
	case 4:
		w.now += drawDelay(t) // the network is away
	case 5:
		if changes && !w.set { // twice between two readings nobody can see
			w.set = true
			w.offset = drawOffset(t)
		}
	default:
		if len(w.queue) == 0 {
			w.note(&pb.Event{Fact: &pb.Event_Note{Note: &pb.Note{Text: "nothing new"}}})
		}
		w.send(time.Duration(rapid.IntRange(1, 400).Draw(t, "milliseconds")) * time.Millisecond)
		w.hear(time.Duration(rapid.IntRange(1, 400).Draw(t, "back")) * time.Millisecond)
	}
}

// tolerance is what is not corrected, and how long an answer takes.
const tolerance = 2*time.Second + 500*time.Millisecond

// A till that echoes and whose clock nobody changes is right within 2 s, however
// wrong the clock is and however long its queue; what is on the log is true, and
// nothing is missing from it.
func TestAnEchoMeasuresTheClock(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(drawOffset(t), true)
		for range rapid.IntRange(1, 25).Draw(t, "acts") {
			w.act(t, false)
			least, most := w.exposures()
			if least < -tolerance || most > tolerance {
				t.Fatalf("clock %v ahead: exposure is off by %v to %v\n%v", w.offset, least, most, w.state())
			}
		}
		w.checkLog(t, true)
	})
}

// checkLog: no limit is said to be passed that was not; with complete, none that was
// is left out. The clock is on the log when it is off by more than a minute.
func (w *world) checkLog(t *rapid.T, complete bool) {
	s := w.state()
	for id, since := range w.truth {
		if !w.recorded(func(e *pb.Event) bool { return e.GetSectionApplied().GetSectionId() == id }) {
			continue
		}
		over := w.now - since - minutes(w.session.Limits.HardLimitMinutes)
		said := passed(s, pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED, id)
		if said && over < -tolerance || complete && !said && over > tolerance {
			t.Fatalf("%s: %v beyond the limit, on the log: %v\n%v", id, over, said, s)
		}
	}
	if len(w.session.TillClocks) == 0 || !complete {
		return
	}
	off, said := w.offset.Abs(), passed(s, pb.DeviationKind_DEVIATION_KIND_CLOCK, "")
	if said && off < time.Minute-tolerance || !said && off > time.Minute+tolerance {
		t.Fatalf("the clock is off by %v, on the log: %v\n%v\n%v\n%v", w.offset, said, s.Deviations, w.session.TillClocks, w.stored)
	}
}

// The clock may be changed within a session: no exposure is ever taken for shorter
// than it is, and no limit is said to be passed that was not.
func TestAChangedClockUnderstatesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(drawOffset(t), true)
		for range rapid.IntRange(1, 25).Draw(t, "acts") {
			w.act(t, true)
			if least, _ := w.exposures(); least < -tolerance {
				t.Fatalf("exposure is too short by %v\n%v\n%v", -least, w.state(), w.session.TillClocks)
			}
			w.checkLog(t, false)
		}
	})
}

// Without an echo nobody knows the clock: guidance takes the longest exposure that
// fits and says so.
func TestAnUnknownClockUnderstatesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(drawOffset(t), false)
		for range rapid.IntRange(1, 25).Draw(t, "acts") {
			w.act(t, true)
			least, most := w.exposures()
			if least < -tolerance {
				t.Fatalf("exposure is too short by %v\n%v", -least, w.state())
			}
			if most > tolerance && w.state().Clock.Assumption == "" {
				t.Fatalf("exposure is too long by %v and nothing says so", most)
			}
		}
	})
}

// Without an echo the smallest difference between receiving and sending bounds the
// clock: one batch that waited does not make it slow.
func TestTheBoundIsTheSessions(t *testing.T) {
	over := func(w *world) bool { return passed(w.state(), pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED, "front") }
	remark := func() *pb.Event { return &pb.Event{Fact: &pb.Event_Note{Note: &pb.Note{Text: "all is well"}}} }
	for _, offset := range []time.Duration{0, 10 * time.Minute, -10 * time.Minute} {
		w := newWorld(offset, false)
		w.now = time.Minute
		w.note(applied("front"))
		w.send(40 * time.Minute) // waits somewhere
		w.note(remark())
		w.send(time.Second)
		if !over(w) {
			t.Errorf("%v ahead: 40 minutes are not beyond the limit: %v", offset, w.state())
		}
		w = newWorld(offset, false)
		w.now = time.Minute
		w.note(applied("front"))
		w.send(time.Second)
		w.now = 13 * time.Minute
		w.note(remark())
		w.send(time.Second)
		if over(w) {
			t.Errorf("%v ahead: 12 minutes are beyond the limit: %v", offset, w.state())
		}
		if clock := passed(w.state(), pb.DeviationKind_DEVIATION_KIND_CLOCK, ""); clock != (offset > 0) {
			t.Errorf("%v ahead: a deviation of the clock: %v", offset, clock)
		}
	}
}

// A clock that was set back says the same time twice; the order of the device tells
// which is meant. Without it the earlier one is assumed.
func TestTheOrderOfTheDeviceTellsTimesApart(t *testing.T) {
	for _, numbered := range []bool{true, false} {
		w := newWorld(0, true)
		at := func(m time.Duration, offset time.Duration, section string) {
			w.now, w.offset = m*time.Minute, offset
			w.truth[section] = w.now
			w.note(applied(section))
			if !numbered {
				w.queue[len(w.queue)-1].Event.DeviceSequence = nil
			}
			w.send(time.Millisecond)
			w.hear(time.Millisecond)
		}
		at(1, 0, "front")
		at(30, 0, "crown")
		at(35, -20*time.Minute, "nape")
		w.now = 40 * time.Minute
		least, most := w.exposures()
		if least < -tolerance || numbered && most > tolerance || !numbered && most < 19*time.Minute {
			t.Errorf("numbered %v: exposure is off by %v to %v", numbered, least, most)
		}
		if assumed := w.state().Clock.Assumption != ""; assumed == numbered {
			t.Errorf("numbered %v: the state says %v", numbered, w.state().Clock)
		}
	}
}

// The same holds within one batch: each event limits the times that fit for the next.
func TestTheOrderOfTheDeviceHoldsWithinABatch(t *testing.T) {
	w := newWorld(0, true)
	note := func(m time.Duration, offset time.Duration, section string) {
		w.now, w.offset = m*time.Minute, offset
		w.truth[section] = w.now
		w.note(applied(section))
	}
	note(1, 0, "front")
	w.send(time.Millisecond)
	w.hear(time.Millisecond)
	note(30, 0, "crown")
	note(35, -20*time.Minute, "nape")
	w.send(time.Millisecond)
	w.hear(time.Millisecond)
	w.now = 40 * time.Minute
	if least, most := w.exposures(); least < -tolerance || most > tolerance {
		t.Errorf("exposure is off by %v to %v", least, most)
	}
}

// An echo that cannot be tells nothing.
func TestAnEchoThatCannotBe(t *testing.T) {
	good := func() *pb.ClockEcho {
		return &pb.ClockEcho{ServerTime: stamp(minute(1)), ReceiveTime: stamp(minute(61)), ElapsedMs: proto.Int64(1000)}
	}
	received := minute(1).Add(time.Second)
	for what, spoil := range map[string]func(*pb.ClockEcho){
		"no server time":          func(e *pb.ClockEcho) { e.ServerTime = nil },
		"no time of receiving":    func(e *pb.ClockEcho) { e.ReceiveTime = nil },
		"a time yet to come":      func(e *pb.ClockEcho) { e.ServerTime = stamp(minute(2)) },
		"a time of two years ago": func(e *pb.ClockEcho) { e.ServerTime = stamp(minute(-60 * 24 * 730)) },
	} {
		e := good()
		spoil(e)
		if c := MeasureClock(nil, tillName, e, nil, received); len(c) != 0 {
			t.Errorf("%s: %v", what, c)
		}
	}
	if c := MeasureClock(nil, tillName, good(), stamp(minute(61).Add(time.Second)), received); len(c) != 1 || len(c[0].Readings) != 2 || c[0].Readings[1].OffsetMs != 3_600_000 {
		t.Errorf("a good one: %v", c)
	}
	long := good()
	long.ElapsedMs = proto.Int64(60_000) // longer ago than it was received
	if c := MeasureClock(nil, tillName, long, stamp(minute(62)), received); len(c[0].Readings) != 1 {
		t.Errorf("an elapsed time that cannot be: %v", c)
	}
}

// Events of one instant are in the order of their device, else of recording, and
// never of their ids: water answers what was reported before it.
func TestOneInstantHasAnOrder(t *testing.T) {
	for name, c := range map[string]struct {
		sequences [2]*int64
		answered  bool
	}{
		"recorded before the water": {[2]*int64{nil, nil}, true},
		"noted before the water":    {[2]*int64{proto.Int64(1), proto.Int64(2)}, true},
		"noted after the water":     {[2]*int64{proto.Int64(2), proto.Int64(1)}, false},
	} {
		for _, ids := range [][2]string{{"a", "b"}, {"b", "a"}} {
			s := newTimeline(regular())
			s.at(0, applied("hairline")).at(5, says("hairline", pb.Comfort_COMFORT_TINGLING)).at(5, water(""))
			for i, e := range s.events[1:] {
				e.Event.EventId, e.Event.DeviceSequence = ids[i], c.sequences[i]
			}
			answered := !slices.ContainsFunc(s.stateAt(5).Alarms, func(a *pb.Alarm) bool { return a.Cause == pb.AlarmCause_ALARM_CAUSE_DISCOMFORT })
			if answered != c.answered {
				t.Errorf("tingling %s, ids %v: answered is %v", name, ids, answered)
			}
		}
	}
}

// Values that only a newer till knows are taken at their most severe meaning.
func TestUnknownValuesAreTakenAtTheirWorst(t *testing.T) {
	s := newTimeline(regular())
	s.at(0, applied("hairline")).at(1, says("hairline", 9))
	state := s.stateAt(1)
	if len(state.Alarms) == 0 || state.Alarms[0].Kind != pb.AlarmKind_ALARM_KIND_RINSE_NOW || len(state.FactsNotUnderstood) != 1 {
		t.Errorf("a comfort that is not known: %v, %v", state.Alarms, state.FactsNotUnderstood)
	}
	lather := shampoo(1, 9)
	if got := withSeverestValues(lather).GetShampoo().Indicator; got != pb.IndicatorColour_INDICATOR_COLOUR_ALKALI || lather.GetShampoo().Indicator != 9 {
		t.Errorf("a colour that is not known counts as %v, the event holds %v", got, lather.GetShampoo().Indicator)
	}
}

// Where two times fit, guidance goes by the longer exposure and the log by the
// shorter.
func TestTheLogGoesByTheShorterExposure(t *testing.T) {
	w := newWorld(0, true)
	w.now = 40 * time.Minute
	w.note(applied("front"))
	w.now, w.offset = 41*time.Minute, 30*time.Minute // set ahead
	w.send(time.Second)
	s := w.state()
	if got := sectionOf(s, "front").GetExposureMinutes(); got < 31 || got > 32 {
		t.Errorf("guidance goes by %.2f minutes, not 31", got)
	}
	if passed(s, pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED, "front") || s.Clock.Assumption == "" {
		t.Errorf("one minute, and on the log is %v; the state says %v", s.Deviations, s.Clock)
	}
}

// A time that no measured clock explains is a deviation, and its exposure counts
// from the start of the session.
func TestATimeThatNoClockExplains(t *testing.T) {
	w := newWorld(3*time.Hour, true)
	w.now = 10 * time.Minute
	w.note(applied("front"))
	w.queue[0].Event.OccurTime = stamp(minute(-60 * 24 * 3650)) // ten years ago
	w.send(time.Second)
	s := w.state()
	clock := slices.ContainsFunc(s.Deviations, func(d *pb.Deviation) bool {
		return d.Kind == pb.DeviationKind_DEVIATION_KIND_CLOCK && d.EventId == w.stored[0].Event.EventId
	})
	if got := sectionOf(s, "front").GetExposureMinutes(); got < 10 || !clock {
		t.Errorf("exposure is %.2f minutes, deviations %v", got, s.Deviations)
	}
}
