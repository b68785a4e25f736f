package integration

import (
	"fmt"
	"testing"
	"time"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// The promise: a server whose clock is wrong uses the database's clock: alarms come
// neither too late nor too early, and health reports the wrong clock.

// newServerWithClockOffset starts a server whose machine's clock is ahead by that much. The salon's
// clock of the site stands at the true time.
func newServerWithClockOffset(t testing.TB, ahead time.Duration) *testServer {
	t.Helper()
	s := &testServer{clock: &clock{now: time.Now()}, database: storagetest.NewDatabase(t), keys: newKeys(t)}
	s.sql = s.database.SQL(t, "")
	reference := s.database.Open(t, storage.Config{})
	s.configure = func(cfg *serve.Config) {
		cfg.Clock, cfg.Reference = func() time.Time { return time.Now().Add(ahead) }, reference.Time
	}
	s.start(t)
	return s
}

func TestAServerWithAWrongClock(t *testing.T) {
	t.Parallel()
	for _, ahead := range []time.Duration{-time.Hour, time.Hour, 0} {
		t.Run(ahead.String(), func(t *testing.T) {
			t.Parallel()
			s := newServerWithClockOffset(t, ahead)
			c := s.newChain(t, "ebb-and-flow")
			wantClockHealth(t, s, ahead == 0)
			over := c.contactAgo(t, 25*time.Minute)
			if _, calls := rinseNow(over, "front"); !calls || !deviationsOf(over.Deviations, pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED) {
				t.Errorf("25 minutes, and nothing calls: %v, %v", over.Alarms, over.Deviations)
			}
			fresh := c.contactAgo(t, time.Minute)
			if a, calls := rinseNow(fresh, "front"); calls || deviationsOf(fresh.Deviations, pb.DeviationKind_DEVIATION_KIND_LIMIT_PASSED) {
				t.Errorf("one minute, and it calls: %v, %v", a, fresh.Deviations)
			}
			for state, minutes := range map[*pb.SessionState]float64{over: 25, fresh: 1} {
				// The test itself takes a while.
				if got := exposure(state, "front"); got < minutes-2./60 || got > minutes+2 {
					t.Errorf("exposure is %.2f minutes, not %g", got, minutes)
				}
				clock := state.GetClock()
				if clock.ServerOffsetMs == nil || (time.Duration(clock.GetServerOffsetMs())*time.Millisecond-ahead).Abs() > time.Second {
					t.Errorf("the state says of the server's clock: %v", clock)
				}
			}
		})
	}
}

// contactAgo is the state of a service that was under way when it was begun, with
// product on for so long.
func (c *chain) contactAgo(t *testing.T, ago time.Duration) *pb.SessionState {
	t.Helper()
	now := time.Now()
	d := c.proceedDecision(t)
	session := must(t, c.amara, c.processing.StartSession, &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, UnderWay: true,
		StartTime: timestamppb.New(now.Add(-ago)), RequestId: newID()}).Session
	contact := eventAt(session, 0, applied("front"))
	contact.OccurTime = timestamppb.New(now.Add(-ago))
	must(t, c.till, c.processing.RecordEvents, &pb.RecordEventsRequest{Name: session.Name, Events: []*pb.Event{contact}, RequestId: newID(),
		Echo: &pb.ClockEcho{ServerTime: timestamppb.New(now), ReceiveTime: timestamppb.New(now)}})
	return c.state(t, session)
}

// rinseNow finds the call to rinse a section.
func rinseNow(s *pb.SessionState, section string) (*pb.Alarm, bool) {
	for _, a := range s.Alarms {
		if a.Kind == pb.AlarmKind_ALARM_KIND_RINSE_NOW && (a.SectionId == section || a.SectionId == "") {
			return a, true
		}
	}
	return nil, false
}

func wantClockHealth(t *testing.T, s *testServer, right bool) {
	t.Helper()
	answer, err := healthpb.NewHealthClient(s.conn).Check(t.Context(), &healthpb.HealthCheckRequest{Service: serve.ClockHealth})
	if err != nil || (answer.Status == healthpb.HealthCheckResponse_SERVING) != right {
		t.Errorf("health of the clock: %v, %v", answer, err)
	}
}

// TestEventsOfNewerTills is recorded and obeyed at its most severe meaning, and the
// till is told that it was not understood.
func TestEventsOfNewerTills(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	other := func(rinse bool) *pb.Event {
		return &pb.Event{Fact: &pb.Event_OtherFact{OtherFact: &pb.OtherFact{Fact: "hair_shed", Content: "a strand in the comb", RinseNow: rinse}}}
	}
	// Field 90 of the facts is none; two bytes of a message in it.
	later := &pb.Event{}
	later.ProtoReflect().SetUnknown([]byte{0xd2, 0x05, 0x02, 0x08, 0x07})
	test := &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{SectionId: "front", RemainingCurlPercent: new(80.)}}}
	test.GetStrandTest().ProtoReflect().SetUnknown([]byte{0xd0, 0x05, 0x01})
	for _, try := range []struct {
		what  string
		fact  *pb.Event
		named string // in the state
		kind  pb.AlarmKind
		cause pb.AlarmCause
		place pb.Place
	}{
		{"another fact", other(false), "hair_shed", 0, 0, 0},
		{"another fact that calls for water", other(true), "hair_shed", pb.AlarmKind_ALARM_KIND_RINSE_NOW, pb.AlarmCause_ALARM_CAUSE_OTHER_FACT, pb.Place_PLACE_HEAD},
		{"a fact of a later revision", later, "field_90", 0, 0, 0},
		{"a field of a later revision", test, "", 0, 0, 0},
		{"a comfort of a later revision", &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: 9}}}, "ComfortCheck.comfort",
			pb.AlarmKind_ALARM_KIND_RINSE_NOW, pb.AlarmCause_ALARM_CAUSE_DISCOMFORT, pb.Place_PLACE_HEAD},
		{"a splash on a place of a later revision", &pb.Event{Fact: &pb.Event_Splash{Splash: &pb.Splash{Place: 9}}}, "Splash.place",
			pb.AlarmKind_ALARM_KIND_RINSE_NOW, pb.AlarmCause_ALARM_CAUSE_SPLASH, 9},
	} {
		d := c.device(t, 0)
		d.send(t, d.batch(d.note(applied("front"))))
		sent := d.note(try.fact)
		answer := d.send(t, d.batch(sent))
		if r := answer.Results[0]; r.Status != pb.EventStatus_EVENT_STATUS_NOT_UNDERSTOOD || r.Reason != "" {
			t.Errorf("%s: %v", try.what, r)
		}
		if names := answer.State.FactsNotUnderstood; fmt.Sprint(names) != fmt.Sprint([]string{try.named}) && try.named != "" {
			t.Errorf("%s: the state names %v", try.what, names)
		}
		kept := must(t, c.till, c.processing.GetSession, &pb.GetSessionRequest{Name: d.session.Name, WithEvents: true}).Events[1]
		if !kept.NotUnderstood || string(kept.Event.ProtoReflect().GetUnknown()) != string(sent.ProtoReflect().GetUnknown()) || kept.Event.EventId != sent.EventId {
			t.Errorf("%s: kept is %v", try.what, kept)
		}
		found := try.kind == 0
		for _, a := range answer.State.Alarms {
			found = found || a.Kind == try.kind && a.Cause == try.cause && a.Place == try.place
		}
		if !found {
			t.Errorf("%s: the alarms are %v", try.what, answer.State.Alarms)
		}
	}
	d := c.device(t, 0)
	for what, fact := range map[string]*pb.Event{"no fact": {}, "no comfort": {Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{}}}} {
		if r := d.send(t, d.batch(d.note(fact))).Results[0]; r.Status != pb.EventStatus_EVENT_STATUS_REJECTED || r.Reason == "" {
			t.Errorf("%s: %v", what, r)
		}
	}
}
