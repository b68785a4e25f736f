package integration

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/grpc/metadata"

	pb "alkalog/proto/alkalogv1"
)

// comfort is an event in which the client says what they feel.
func comfort(c pb.Comfort) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: c}}}
}

func waterOn(p pb.Place) *pb.Event {
	return &pb.Event{Fact: &pb.Event_WaterOn{WaterOn: &pb.WaterOn{Place: p}}}
}

func waterOff(p pb.Place) *pb.Event {
	return &pb.Event{Fact: &pb.Event_WaterOff{WaterOff: &pb.WaterOff{Place: p}}}
}

// alarmOf is the first alarm of a kind; nil when there is none.
func alarmOf(s *pb.SessionState, kind pb.AlarmKind) *pb.Alarm {
	for _, a := range s.GetAlarms() {
		if a.Kind == kind {
			return a
		}
	}
	return nil
}

const (
	toRinse    = pb.AlarmKind_ALARM_KIND_RINSE_NOW
	flushing   = pb.AlarmKind_ALARM_KIND_FLUSH
	waterGone  = pb.AlarmKind_ALARM_KIND_WATER_OFF_TOO_SOON
	itBurns    = pb.Comfort_COMFORT_BURNING
	theLeftEye = pb.Place_PLACE_EYE_LEFT
)

// revisionOf is the state as a till reads it that was built by a revision.
func revisionOf(t *testing.T, c *chain, session, revision string) *pb.SessionState {
	t.Helper()
	ctx := c.till.calling(t)
	if revision != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "alkalog-revision", revision)
	}
	answer, err := c.processing.GetSession(ctx, &pb.GetSessionRequest{Name: session})
	if err != nil {
		t.Fatal(err)
	}
	return answer.Session.State
}

// TestBurningAgainCallsAgain: it burns, is rinsed for 20 seconds, and burns again;
// the water is taken away, the service is closed, and it burns at home.
func TestBurningAgainCallsAgain(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	at := func(after time.Duration, e *pb.Event) *pb.SessionState {
		c.clock.advance(session.StartTime.AsTime().Add(after).Sub(c.clock.Now()))
		return c.report(t, session, eventAt(session, after, e)).State
	}
	at(0, based())
	at(time.Minute, applied("front"))
	first := comfort(itBurns)
	if a := alarmOf(at(3*time.Minute, first), toRinse); a.GetEventId() != first.EventId || a.GetCause() != pb.AlarmCause_ALARM_CAUSE_DISCOMFORT {
		t.Errorf("it burns: %v", a)
	}
	state := at(3*time.Minute+10*time.Second, &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}})
	if alarmOf(state, toRinse) != nil || alarmOf(state, flushing) == nil {
		t.Errorf("water is on: %v", state.Alarms)
	}
	again := comfort(itBurns)
	if a := alarmOf(at(3*time.Minute+30*time.Second, again), toRinse); a.GetEventId() != again.EventId {
		t.Errorf("it burns again: %v", a)
	}
	at(4*time.Minute, waterOn(pb.Place_PLACE_HEAD))
	at(5*time.Minute, waterOff(pb.Place_PLACE_HEAD))
	if a := alarmOf(revisionOf(t, c, session.Name, "2"), waterGone); a == nil {
		t.Error("nobody is called to put the water back")
	}
	if a := alarmOf(revisionOf(t, c, session.Name, ""), toRinse); a == nil {
		t.Error("a till of before is not called to rinse")
	}
	c.clock.advance(30 * time.Minute)
	must(t, c.amara, c.outcome.RecordOutcome, &pb.RecordOutcomeRequest{Parent: parent(session.Name), RequestId: newID(),
		Outcome: &pb.Outcome{Session: session.Name, BrokenOffReason: "it burned", ScalpChanged: no}})
	late := comfort(itBurns)
	c.report(t, session, eventAt(session, 36*time.Minute, late))
	if a := alarmOf(revisionOf(t, c, session.Name, "2"), toRinse); a.GetEventId() != late.EventId {
		t.Errorf("reported after closing: %v", a)
	}
}

// TestSplashInAnEye: only water on that eye answers, minutes are counted, and the alarm
// goes on after 15 of them.
func TestSplashInAnEye(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	c.report(t, session, eventAt(session, 0, based()))
	state := c.report(t, session, eventAt(session, 0, &pb.Event{Fact: &pb.Event_Splash{Splash: &pb.Splash{Place: theLeftEye}}}),
		eventAt(session, 0, waterOn(pb.Place_PLACE_HEAD))).State
	if a := alarmOf(state, toRinse); a.GetPlace() != theLeftEye || a.GetCause() != pb.AlarmCause_ALARM_CAUSE_SPLASH {
		t.Errorf("product in the eye: %v", state.Alarms)
	}
	c.report(t, session, eventAt(session, 0, waterOn(theLeftEye)))
	c.clock.advance(20 * time.Minute)
	state = revisionOf(t, c, session.Name, "2")
	if alarmOf(state, flushing) == nil || len(state.Flushes) != 1 || state.Flushes[0].GetFlushedMinutes() != 20 {
		t.Errorf("after 20 minutes of water: %v %v", state.Alarms, state.Flushes)
	}
	c.report(t, session, eventAt(session, 20*time.Minute, &pb.Event{Fact: &pb.Event_HelpCalled{HelpCalled: &pb.HelpCalled{
		Kind: pb.HelpKind_HELP_KIND_EMERGENCY, TookOver: true}}}))
	if a := alarmOf(revisionOf(t, c, session.Name, "2"), flushing); a != nil {
		t.Errorf("help took over: %v", a)
	}
}

// TestLateRinseWithdraws: a till was offline, the log has an alarm that the limit was
// passed, and then the rinse is uploaded.
func TestLateRinseWithdraws(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	c.report(t, session, eventAt(session, 0, based()), eventAt(session, 0, applied("front")))
	c.clock.advance(time.Hour)
	const limit = pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED
	reported := c.report(t, session, eventAt(session, time.Hour, note("the till is back"))).NewDeviations
	i := slices.IndexFunc(reported, func(d *pb.Deviation) bool { return d.Kind == limit })
	if i < 0 || reported[i].Entry == "" {
		t.Fatalf("told of %v", reported)
	}
	answer := c.report(t, session, eventAt(session, 5*time.Minute, &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}}))
	if !deviationsOf(answer.WithdrawnDeviations, limit) || deviationsOf(answer.State.Deviations, limit) {
		t.Errorf("withdrawn are %v, what stands is %v", answer.WithdrawnDeviations, answer.State.Deviations)
	}
	var withdraws []string
	for _, e := range must(t, c.odile, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: `kind = "WITHDRAWN"`}).Entries {
		withdraws = append(withdraws, e.Withdraws)
	}
	if !slices.Contains(withdraws, reported[i].Entry) {
		t.Errorf("the log withdraws %v, want %s among them", withdraws, reported[i].Entry)
	}
	again := c.report(t, session, eventAt(session, time.Hour, note("nothing new")))
	if len(again.NewDeviations)+len(again.WithdrawnDeviations) > 0 {
		t.Errorf("told twice: %v", again)
	}
}

// TestClearLathersCanBeClosed: no lather was ever coloured, so nobody has to note a
// coloured one.
func TestClearLathersCanBeClosed(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	c.clock.advance(time.Hour)
	var facts []*pb.Event
	for _, e := range c.service(session) {
		if lather := e.GetShampoo(); lather != nil {
			lather.Number, lather.Indicator = nil, pb.IndicatorColour_INDICATOR_COLOUR_CLEAR
		}
		if test := e.GetStrandTest(); test != nil {
			test.SectionId, test.RemainingCurlPercent, test.Reading = "", nil, pb.CurlReading_CURL_READING_PARTLY
		}
		facts = append(facts, e)
	}
	c.report(t, session, facts...)
	closed := must(t, c.amara, c.outcome.RecordOutcome, completed(session)).Outcome
	if closed.NeutralProof != pb.NeutralProof_NEUTRAL_PROOF_NOT_SHOWN || deviationsOf(closed.Deviations, pb.DeviationKind_DEVIATION_KIND_NOT_NEUTRALIZED) {
		t.Errorf("closed with %v %v", closed.NeutralProof, closed.Deviations)
	}
}
