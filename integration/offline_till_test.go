package integration

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// The promise: events are recorded however late, in any order and however often a till
// sends them, and give the same state as if they had been sent at once. A malformed
// event does not affect others.

// eventful is a service with several mishaps: a section that nobody planned, a strand
// test that came late, a complaint, and no base under the crown.
func (c *chain) eventful(s *pb.Session) []*pb.Event {
	const minute = time.Minute
	return append(c.service(s),
		eventAt(s, 4*minute, applied("crown")),
		eventAt(s, 11*minute, &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{
			Comfort: pb.Comfort_COMFORT_TINGLING, SectionId: "crown"}}}),
		eventAt(s, 15*minute, &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}}),
		eventAt(s, 16*minute, note("the assistant was away")),
	)
}

// TestLateFactsComeToTheSameState reports one service as it happens, and the
// same facts of other sessions late: in order, and shuffled, in batches of any
// size, some of them twice, with nonsense among them.
func TestLateFactsComeToTheSameState(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 2))
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	live := c.session(t)
	facts := c.eventful(live)
	slices.SortStableFunc(facts, func(a, b *pb.Event) int { return a.OccurTime.AsTime().Compare(b.OccurTime.AsTime()) })
	ordered, shuffled := c.session(t), []*pb.Session{}
	for range 6 {
		shuffled = append(shuffled, c.session(t))
	}
	begin := live.StartTime.AsTime()
	for _, fact := range facts {
		c.clock.advance(fact.OccurTime.AsTime().Sub(c.clock.Now()))
		c.report(t, live, fact)
	}
	c.clock.advance(begin.Add(2 * time.Hour).Sub(c.clock.Now()))
	c.report(t, ordered, facts...)
	want := c.state(t, live)
	if len(want.Deviations) < 2 || !want.Neutral {
		t.Fatalf("the service shows too little: %v", want)
	}
	if got := c.state(t, ordered); !proto.Equal(got, want) {
		t.Errorf("sent late, in order, the state is\n%v\nsent as it happened it was\n%v", got, want)
	}
	for i, session := range shuffled {
		c.reportBadly(t, random, session, facts)
		if got := c.state(t, session); !proto.Equal(got, want) {
			t.Errorf("shuffle %d: sent late and in disorder, the state is\n%v\nsent as it happened it was\n%v", i, got, want)
		}
		logged := map[string]bool{}
		for _, e := range c.entries(t, fmt.Sprintf("session = %q", session.Name)) {
			logged[e.ReasonCode+" "+e.Summary] = true
		}
		for _, d := range want.Deviations {
			if !logged[d.Kind.String()+" "+d.Message] {
				t.Errorf("shuffle %d: the deviation %v is not on the log", i, d)
			}
		}
	}
}

// state is a session's state now.
func (c *chain) state(t testing.TB, session *pb.Session) *pb.SessionState {
	t.Helper()
	return must(t, c.till, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name}).Session.State
}

// reportBadly sends facts in disorder, and checks what it is told of each.
func (c *chain) reportBadly(t *testing.T, random *rand.Rand, session *pb.Session, facts []*pb.Event) {
	t.Helper()
	disorder := slices.Clone(facts)
	for range len(facts) / 2 {
		disorder = append(disorder, facts[random.IntN(len(facts))])
	}
	random.Shuffle(len(disorder), func(i, j int) { disorder[i], disorder[j] = disorder[j], disorder[i] })
	known := map[string]bool{}
	for len(disorder) > 0 {
		n := 1 + random.IntN(min(7, len(disorder)))
		batch := slices.Insert(slices.Clone(disorder[:n]), random.IntN(n+1), nonsense(session))
		disorder = disorder[n:]
		answer := must(t, c.till, c.processing.RecordEvents, &pb.RecordEventsRequest{Name: session.Name, Events: batch, Echo: c.echo(), RequestId: newID()})
		for i, result := range answer.Results {
			want := pb.EventStatus_EVENT_STATUS_RECORDED
			switch {
			case batch[i].Fact == nil:
				want = pb.EventStatus_EVENT_STATUS_REJECTED
			case known[batch[i].EventId]:
				want = pb.EventStatus_EVENT_STATUS_ALREADY_RECORDED
			}
			known[batch[i].EventId] = true
			if result.Status != want || result.EventId != batch[i].EventId || (result.Reason != "") != (want == pb.EventStatus_EVENT_STATUS_REJECTED) {
				t.Errorf("of %v was said %v, want %s", batch[i], result, want)
			}
		}
	}
}

// nonsense is a malformed event.
func nonsense(s *pb.Session) *pb.Event { return eventAt(s, 0, &pb.Event{}) }

// TestMalformedFactsCostNoOthers breaks every field of every kind of fact. Each
// broken one is rejected by name; the sound one beside them is recorded, and so is
// one whose value only a newer till knows.
func TestMalformedFactsCostNoOthers(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	broken, known := invalidCases(eventAt(session, 0, note("sound"))), 0
	for batch := range slices.Chunk(broken, 100) {
		req := &pb.RecordEventsRequest{Name: session.Name, RequestId: newID()}
		for _, b := range batch {
			e := b.req.(*pb.Event)
			if !strings.HasPrefix(b.field, "event_id") {
				e.EventId = newID()
			}
			req.Events = append(req.Events, e)
		}
		req.Events = append(req.Events, eventAt(session, 0, note("sound")))
		answer := must(t, c.till, c.processing.RecordEvents, req)
		for i, b := range batch {
			got := answer.Results[i]
			if strings.HasSuffix(b.how, "n unknown value") || b.how == "a negative value" { // a newer till's
				switch { // what else is missing is told, but not that the value is unknown
				case got.Status == pb.EventStatus_EVENT_STATUS_NOT_UNDERSTOOD:
					known++
				case got.Status != pb.EventStatus_EVENT_STATUS_REJECTED, strings.Contains(got.Reason, b.field+": "):
					t.Errorf("%s %s: %v", b.field, b.how, got)
				}
				continue
			}
			if got.Status != pb.EventStatus_EVENT_STATUS_REJECTED || !strings.Contains(got.Reason, b.field+": ") || !strings.Contains(got.Reason, "must ") {
				t.Errorf("%s %s: %v", b.field, b.how, got)
			}
		}
		if sound := answer.Results[len(batch)]; sound.Status != pb.EventStatus_EVENT_STATUS_RECORDED {
			t.Errorf("the sound fact among broken ones: %v", sound)
		}
	}
	kept := must(t, c.till, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name, WithEvents: true})
	if want := (len(broken)+99)/100 + known; known == 0 || len(kept.Events) != want {
		t.Errorf("%d facts are kept, not the %d that are sound or of a newer till", len(kept.Events), want)
	}
}

// TestAnEventIDIsOneFact: the id of a recorded fact is of no use for another,
// and a fact is never altered.
func TestAnEventIDIsOneFact(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	first := eventAt(session, 0, note("first"))
	c.report(t, session, first)
	altered := proto.CloneOf(first)
	altered.GetNote().Text = "altered"
	answer := must(t, c.till, c.processing.RecordEvents, &pb.RecordEventsRequest{
		Name: session.Name, Events: []*pb.Event{altered, first, first}, RequestId: newID()})
	for i, want := range []pb.EventStatus{pb.EventStatus_EVENT_STATUS_REJECTED,
		pb.EventStatus_EVENT_STATUS_ALREADY_RECORDED, pb.EventStatus_EVENT_STATUS_ALREADY_RECORDED} {
		if answer.Results[i].Status != want {
			t.Errorf("fact %d: %v, want %s", i, answer.Results[i], want)
		}
	}
	kept := must(t, c.till, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name, WithEvents: true})
	if len(kept.Events) != 1 || !proto.Equal(kept.Events[0].Event, first) {
		t.Errorf("kept is %v", kept.Events)
	}
}

// TestTillsReportAtOnce: two tills, at two servers, send overlapping batches of
// one service at the same time. Each fact has one place.
func TestTillsReportAtOnce(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c, twin := s.newChain(t, "ebb-and-flow"), s.startSecondServer(t)
	session := c.session(t)
	var facts []*pb.Event
	for i := range 40 {
		facts = append(facts, eventAt(session, time.Duration(i)*time.Second, note(fmt.Sprint("remark ", i))))
	}
	c.clock.advance(time.Minute)
	var tills sync.WaitGroup
	for till := range 4 {
		tills.Go(func() {
			server := []*testServer{s, twin}[till%2]
			for batch := range slices.Chunk(facts, 3+till) {
				must(t, c.till, server.processing.RecordEvents, &pb.RecordEventsRequest{Name: session.Name, Events: batch, Echo: c.echo(), RequestId: newID()})
			}
		})
	}
	tills.Wait()
	kept := must(t, c.till, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name, WithEvents: true})
	places := map[string]int64{}
	for i, e := range kept.Events {
		if e.Sequence != int64(i+1) {
			t.Errorf("fact %d has place %d", i+1, e.Sequence)
		}
		places[e.Event.EventId] = e.Sequence
	}
	if len(places) != len(facts) || len(kept.Events) != len(facts) || kept.Session.Sequence != int64(len(facts)) {
		t.Errorf("of %d facts %d are kept at %v, the session counts %d", len(facts), len(kept.Events), slices.Sorted(maps.Values(places)), kept.Session.Sequence)
	}
}
