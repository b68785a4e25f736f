package integration

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// The promise: no service begins without a decision that permits it; one that is under
// way is still recorded, as a deviation; none is completed before the hair is neutral;
// and watchers see what happens.

// TestNoServiceWithoutADecision tries every decision that does not permit a service.
func TestNoServiceWithoutADecision(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	used := c.proceedDecision(t)
	c.begin(t, used)
	onDraft := must(t, c.amara, c.eligibility.CheckEligibility, c.question(c.draft(t, c.client(t)).Name)).Decision
	asking := wantVerdict(t, c.decision(t, func(k *pb.Consultation) { k.Scalp.BrokenSkin = pb.Answer_ANSWER_UNSPECIFIED }), pb.Verdict_VERDICT_ASK)
	for _, try := range []struct {
		what, reason string
		decision     *pb.Decision
	}{
		{"a refusal", "DECISION_DOES_NOT_ALLOW", wantVerdict(t, c.decision(t, brokenSkin), pb.Verdict_VERDICT_REFUSE)},
		{"a referral", "DECISION_DOES_NOT_ALLOW", wantVerdict(t, c.decision(t, medication), pb.Verdict_VERDICT_REFER)},
		{"open questions", "DECISION_DOES_NOT_ALLOW", asking},
		{"a refusal with a denied override", "DECISION_DOES_NOT_ALLOW", c.deniedOverride(t)},
		{"a decision on a draft", "CONSULTATION_NOT_SUBMITTED", onDraft},
		{"a decision that was used", "DECISION_USED", used},
	} {
		before := s.tableDigests(t)
		begin := &pb.StartSessionRequest{Parent: parent(try.decision.Name), Decision: try.decision.Name, RequestId: newID()}
		wantError(t, try.what, mustFail(t, c.amara, c.processing.StartSession, begin), codes.FailedPrecondition, try.reason)
		wantSame(t, before, s.tableDigests(t))
		c.underWay(t, begin)
	}
	_, err := c.processing.StartSession(c.amara.calling(t), &pb.StartSessionRequest{Parent: parent(used.Name), RequestId: newID()})
	wantError(t, "no decision", err, codes.InvalidArgument, "INVALID_FIELD")
}

// deniedOverride is a refusal that the supervisor has tried to set aside.
func (c *chain) deniedOverride(t testing.TB) *pb.Decision {
	t.Helper()
	d := c.decision(t, brokenSkin)
	return must(t, c.imara, c.eligibility.OverrideDecision, c.override(d, d.Findings[0])).Decision
}

// underWay begins the service that was refused, because product is on the hair
// already: the fact is recorded as a deviation.
func (c *chain) underWay(t *testing.T, refused *pb.StartSessionRequest) {
	t.Helper()
	begin := again(refused)
	begin.UnderWay = true
	session := must(t, c.amara, c.processing.StartSession, begin).Session
	if session.Decision != "" || session.RefusedDecision != refused.Decision {
		t.Errorf("the service rests on %q and goes against %q, not %q", session.Decision, session.RefusedDecision, refused.Decision)
	}
	if !deviationsOf(session.State.Deviations, pb.DeviationKind_DEVIATION_KIND_NO_DECISION) {
		t.Errorf("to begin without leave is not a deviation: %v", session.State.Deviations)
	}
	entries := c.entries(t, fmt.Sprintf("session = %q AND reason != %q", session.Name, pb.DeviationKind_DEVIATION_KIND_SECOND_SESSION.String()))
	if len(entries) != 1 || entries[0].ReasonCode != pb.DeviationKind_DEVIATION_KIND_NO_DECISION.String() {
		t.Errorf("the log has %v of it", entries)
	}
}

// deviationsOf reports whether there is a deviation of a kind.
func deviationsOf(all []*pb.Deviation, kind pb.DeviationKind) bool {
	return slices.ContainsFunc(all, func(d *pb.Deviation) bool { return d.Kind == kind })
}

// TestDecisionsGrowOld: a decision lets a service begin for a day.
func TestDecisionsGrowOld(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	early, late := c.proceedDecision(t), c.proceedDecision(t)
	c.clock.advance(24 * time.Hour)
	c.begin(t, early)
	c.clock.advance(time.Second)
	_, err := c.processing.StartSession(c.amara.calling(t), &pb.StartSessionRequest{Parent: parent(late.Name), Decision: late.Name, RequestId: newID()})
	wantError(t, "a decision of yesterday", err, codes.FailedPrecondition, "DECISION_TOO_OLD")
}

// TestADecisionIsForOnePersonInOnePlace: licence, supervision and law were judged for
// the practitioner that the decision names. Another practitioner may not start a
// service on it; one that is under way is recorded as a service without a decision.
func TestADecisionIsForOnePersonInOnePlace(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d := c.proceedDecision(t)
	elsewhere := must(t, c.odile, c.directory.CreateSalon, &pb.CreateSalonRequest{Parent: c.name, SalonId: "mill-lane",
		Salon: &pb.Salon{DisplayName: "Mill Lane"}, RequestId: newID()}).Salon.Name
	before := &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, RequestId: newID(),
		StartTime: timestamppb.New(d.CreateTime.AsTime().Add(-6 * time.Minute))}
	wantError(t, "before it was decided", mustFail(t, c.amara, c.processing.StartSession, before), codes.FailedPrecondition, "BEGUN_BEFORE_DECISION")
	for what, begin := range map[string]*pb.StartSessionRequest{
		"a student": {Practitioner: c.teo.name},
		"elsewhere": {Salon: elsewhere},
	} {
		begin.Parent, begin.Decision, begin.RequestId = parent(d.Name), d.Name, newID()
		wantError(t, what, mustFail(t, c.imara, c.processing.StartSession, begin), codes.FailedPrecondition, "DECISION_FOR_ANOTHER")
	}
	under := must(t, c.teo, c.processing.StartSession, &pb.StartSessionRequest{
		Parent: parent(d.Name), Decision: d.Name, Practitioner: c.teo.name, UnderWay: true, RequestId: newID()}).Session
	if under.Decision != "" || under.RefusedDecision != d.Name || !deviationsOf(under.State.Deviations, pb.DeviationKind_DEVIATION_KIND_NO_DECISION) {
		t.Errorf("recorded as %v", under)
	}
	must(t, c.imara, c.outcome.RecordOutcome, brokenOff(under)) // one service at a time on a head
	if session := c.begin(t, d); session.Decision != d.Name {
		t.Errorf("the one it is for begins on %q", session.Decision)
	}
}

// TestAnOverrideLetsAServiceBegin: an accepted override counts, and the session
// then rests on the decision.
func TestAnOverrideLetsAServiceBegin(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d := wantVerdict(t, c.decision(t, c.shampooed), pb.Verdict_VERDICT_REFUSE)
	for _, f := range d.Findings {
		if f.Severity >= pb.Severity_SEVERITY_ASK {
			answer := must(t, c.imara, c.eligibility.OverrideDecision, c.override(d, f))
			if answer.Override.Denial != pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED {
				t.Fatalf("the override of %s is denied: %s", f.RuleId, answer.Override.Denial)
			}
			if answer.Decision.Verdict != d.Verdict || len(answer.Decision.Findings) != len(d.Findings) {
				t.Errorf("the override changed the decision: %v", answer.Decision)
			}
		}
	}
	session := c.begin(t, d)
	if session.Decision != d.Name || len(session.State.Deviations) != 0 || session.Plan == nil {
		t.Errorf("the service rests on %q with deviations %v and plan %v", session.Decision, session.State.Deviations, session.Plan)
	}
}

// TestOneServicePerDecision: of several that begin at once on one decision, one
// does.
func TestOneServicePerDecision(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c, twin := s.newChain(t, "ebb-and-flow"), s.startSecondServer(t)
	d := c.proceedDecision(t)
	errs := make(chan error)
	for i := range 6 {
		go func() {
			server := []*testServer{s, twin}[i%2]
			_, err := server.processing.StartSession(c.amara.calling(t), &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, RequestId: newID()})
			errs <- err
		}()
	}
	begun := 0
	for range 6 {
		if err := <-errs; err == nil {
			begun++
		} else {
			wantError(t, "a second service", err, codes.FailedPrecondition, "DECISION_USED")
		}
	}
	if begun != 1 {
		t.Errorf("%d services were begun on one decision", begun)
	}
}

// TestOnePolicyInForce: of policies that are put in force at once, one is at the
// end, and each was for a while, as the log says.
func TestOnePolicyInForce(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	var racers sync.WaitGroup
	for range 4 {
		policy := must(t, c.odile, c.catalog.CreateHousePolicy, c.uploaded()).HousePolicy.Name
		racers.Go(func() {
			must(t, c.odile, c.catalog.ActivateHousePolicy, &pb.ActivateHousePolicyRequest{Name: policy, RequestId: newID()})
		})
	}
	racers.Wait()
	states := map[pb.PolicyState]int{}
	for _, p := range must(t, c.odile, c.catalog.ListHousePolicies, &pb.ListHousePoliciesRequest{Parent: c.name}).HousePolicies {
		states[p.State]++
	}
	if states[pb.PolicyState_POLICY_STATE_ACTIVE] != 1 || states[pb.PolicyState_POLICY_STATE_RETIRED] != 3 {
		t.Errorf("of four policies the states are %v", states)
	}
	if entries := c.entries(t, `kind = "POLICY_ACTIVATED"`); len(entries) != 4 {
		t.Errorf("the log has %d changes of policy, not 4", len(entries))
	}
}

// TestNotCompletedBeforeRinsed: a service cannot be completed while an alarm calls for
// water or when no rinse was noted; it can be closed as broken off.
func TestNotCompletedBeforeRinsed(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	refused := func(what string, session *pb.Session, words string) {
		t.Helper()
		was := s.tableDigests(t)
		err := mustFail(t, c.amara, c.outcome.RecordOutcome, completed(session))
		wantError(t, what, err, codes.FailedPrecondition, "RINSE_FIRST")
		if !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v does not say %q", what, err, words)
		}
		wantSame(t, was, s.tableDigests(t))
		must(t, c.amara, c.outcome.RecordOutcome, brokenOff(session))
	}

	burnt := c.session(t)
	c.clock.advance(time.Hour)
	c.report(t, burnt, append(c.service(burnt), eventAt(burnt, 40*time.Minute, comfort(itBurns)))...)
	refused("completion while it burns", burnt, "It burns")

	c.clock.advance(24 * time.Hour)
	taken := c.session(t)
	c.clock.advance(time.Hour)
	c.report(t, taken, append(c.service(taken), eventAt(taken, 40*time.Minute, comfort(itBurns)),
		eventAt(taken, 41*time.Minute, waterOn(pb.Place_PLACE_HEAD)), eventAt(taken, 45*time.Minute, waterOff(pb.Place_PLACE_HEAD)))...)
	refused("completion with the water taken away", taken, "Put the water back on")

	c.clock.advance(24 * time.Hour)
	never := c.session(t)
	c.clock.advance(time.Hour)
	c.report(t, never, slices.DeleteFunc(c.service(never), func(e *pb.Event) bool {
		return e.GetRinseStarted() != nil || e.GetRinseFinished() != nil
	})...)
	refused("completion without a rinse", never, "No rinse is on record")
}

// TestNotCompletedBeforeNeutral: a service cannot be completed while the indicator
// shows alkali; it can be closed as broken off, as a deviation.
func TestNotCompletedBeforeNeutral(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	c.clock.advance(time.Hour)
	facts := c.service(session)
	before := until(session, 28, facts)
	after := facts[len(before):] // the third, clear lather and what follows
	c.report(t, session, before...)
	was := s.tableDigests(t)
	wantError(t, "completion with pink lather", mustFail(t, c.amara, c.outcome.RecordOutcome, completed(session)), codes.FailedPrecondition, "NOT_NEUTRALIZED")
	wantSame(t, was, s.tableDigests(t))
	c.report(t, session, after...)
	first := completed(session)
	done := must(t, c.amara, c.outcome.RecordOutcome, first)
	if done.Outcome.Session != session.Name || len(done.Outcome.Deviations) != 0 {
		t.Errorf("a service that went well came to %v", done.Outcome)
	}
	wantError(t, "a second outcome", mustFail(t, c.amara, c.outcome.RecordOutcome, completed(session)), codes.FailedPrecondition, "SESSION_CLOSED")

	stopped := c.session(t)
	c.clock.advance(time.Hour)
	c.report(t, stopped, until(stopped, 28, c.service(stopped))...)
	broken := must(t, c.amara, c.outcome.RecordOutcome, brokenOff(stopped)).Outcome
	if !deviationsOf(broken.Deviations, pb.DeviationKind_DEVIATION_KIND_NOT_NEUTRALIZED) {
		t.Errorf("a service closed with alkali in the hair has the deviations %v", broken.Deviations)
	}
	var reported, logged []string
	for _, d := range broken.Deviations {
		reported = append(reported, d.Kind.String()+" "+d.Message)
	}
	for _, e := range c.entries(t, fmt.Sprintf(`session = %q AND kind = "DEVIATION"`, stopped.Name)) {
		logged = append(logged, e.ReasonCode+" "+e.Summary)
	}
	slices.Sort(reported)
	slices.Sort(logged)
	if !slices.Equal(reported, logged) {
		t.Errorf("the deviations %v are on the log as %v", reported, logged)
	}
	silent := brokenOff(stopped)
	silent.Outcome.BrokenOffReason = ""
	wantError(t, "no reason", mustFail(t, c.amara, c.outcome.RecordOutcome, silent), codes.InvalidArgument, "INVALID_FIELD")
}

// display watches a session.
type display struct {
	stream pb.ProcessingService_WatchSessionClient
	leave  context.CancelFunc
	last   *pb.WatchSessionResponse
}

// watch opens a watch stream at a server and closes it with the test.
func watch(t testing.TB, at *testServer, who person, session, token string) *display {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), waitTimeout)
	t.Cleanup(cancel)
	stream, err := at.processing.WatchSession(who.identify(ctx), &pb.WatchSessionRequest{Name: session, ResumeToken: token})
	if err != nil {
		t.Fatal(err)
	}
	return &display{stream: stream, leave: cancel}
}

// until receives until a state is right, and returns it.
func (d *display) until(t testing.TB, what string, right func(*pb.SessionState) bool) *pb.SessionState {
	t.Helper()
	for {
		message, err := d.stream.Recv()
		if err != nil {
			t.Fatalf("the display waited for %s and got %v; last %v", what, err, d.last)
		}
		d.last = message
		if state := message.GetState(); state != nil && right(state) {
			return state
		}
	}
}

// after is a state made from so many events.
func after(n int64) func(*pb.SessionState) bool {
	return func(s *pb.SessionState) bool { return s.Sequence == n }
}

// TestWatchersSeeWhatHappensElsewhere: displays on two servers see at once what
// is recorded through either, and a display that hung up resumes.
func TestWatchersSeeWhatHappensElsewhere(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c, twin := s.newChain(t, "ebb-and-flow"), s.startSecondServer(t)
	session := c.session(t)
	here, there := watch(t, s, c.till, session.Name, ""), watch(t, twin, c.till, session.Name, "")
	for _, d := range []*display{here, there} {
		if first := d.until(t, "the state now", after(0)); first.Phase != pb.SessionPhase_SESSION_PHASE_PREPARING {
			t.Errorf("the state at first is %v", first)
		}
	}
	c.report(t, session, eventAt(session, 0, based()))
	there.until(t, "what was recorded at the other server", after(1))
	here.until(t, "what was recorded here", after(1))
	elsewhere := &chain{testServer: twin, name: c.name, till: c.till}
	c.clock.advance(time.Minute)
	elsewhere.report(t, session, eventAt(session, 0, applied("front")))
	seen := here.until(t, "what was recorded at the other server", after(2))
	if seen.Phase != pb.SessionPhase_SESSION_PHASE_PROCESSING {
		t.Errorf("with product on the hair the phase is %s", seen.Phase)
	}
	shown := must(t, c.till, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name}).Session.State
	if !proto.Equal(seen, shown) {
		t.Errorf("the display shows\n%v\nthe session is\n%v", seen, shown)
	}

	token := here.last.ResumeToken
	here.leave()
	c.report(t, session, eventAt(session, 0, note("while nobody watched")))
	resumed := watch(t, twin, c.till, session.Name, token)
	resumed.until(t, "what it missed, at the other server", after(3))
	_, err := watch(t, s, c.till, session.Name, "nonsense").stream.Recv()
	wantError(t, "a token that is none", err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = watch(t, s, c.till, session.Name+"0", "").stream.Recv()
	wantError(t, "an unknown session", err, codes.NotFound, "NOT_FOUND")
}

// TestQuietWatchesAreAlive: a watcher of a quiet session gets heartbeats with the
// server's time.
func TestQuietWatchesAreAlive(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	display := watch(t, s, c.till, c.session(t).Name, "")
	display.until(t, "the state now", after(0))
	token := display.last.ResumeToken
	for range 3 {
		message, err := display.stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if message.GetHeartbeat() == nil || !message.GetHeartbeat().AsTime().Equal(c.clock.Now()) || message.ResumeToken != token {
			t.Errorf("while nothing happens comes %v, behind the token %s", message, token)
		}
	}
}

// TestWatchersAreCalledToRinse: a complaint reaches every display as a call to
// rinse; water ends it.
func TestWatchersAreCalledToRinse(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c, twin := s.newChain(t, "ebb-and-flow"), s.startSecondServer(t)
	session := c.session(t)
	c.report(t, session, eventAt(session, 0, based()), eventAt(session, 0, applied("front")))
	display := watch(t, twin, c.amara, session.Name, "")
	calls := func(s *pb.SessionState) bool {
		return slices.ContainsFunc(s.Alarms, func(a *pb.Alarm) bool { return a.Kind == pb.AlarmKind_ALARM_KIND_RINSE_NOW })
	}
	c.clock.advance(2 * time.Minute)
	c.report(t, session, eventAt(session, 2*time.Minute, &pb.Event{Fact: &pb.Event_ComfortCheck{
		ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_BURNING}}}))
	display.until(t, "the call to rinse", calls)
	c.clock.advance(20 * time.Second)
	c.report(t, session, eventAt(session, 140*time.Second, &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}}))
	state := display.until(t, "the end of the call", func(s *pb.SessionState) bool { return !calls(s) })
	if deviationsOf(state.Deviations, pb.DeviationKind_DEVIATION_KIND_RINSE_AFTER_DISCOMFORT_LATE) {
		t.Errorf("water after 20 seconds is called late: %v", state.Deviations)
	}
}
