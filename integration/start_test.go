package integration

import (
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// The promise: a service begins only if the records permit it at that moment, and only
// one at a time on a head.

// starting is the request that begins a service on a decision.
func starting(d *pb.Decision) *pb.StartSessionRequest {
	return &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, RequestId: newID()}
}

// product changes the relaxer in the catalogue.
func (c *chain) product(t testing.TB, paths []string, change func(*pb.Product)) {
	t.Helper()
	p := proto.CloneOf(must(t, c.odile, c.catalog.GetProduct, &pb.GetProductRequest{Name: c.relaxer}).Product)
	change(p)
	must(t, c.odile, c.catalog.UpdateProduct, &pb.UpdateProductRequest{Product: p, UpdateMask: updateMask(paths...), RequestId: newID()})
}

// named is a name in the metadata of an error.
func named(err error, key string) string {
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok {
			return info.Metadata[key]
		}
	}
	return ""
}

// TestStartDecidesAgain: anything that has become stricter since the decision prevents
// the start. The new decision is kept although the call ends in an error, and a retry
// ends in the same error.
func TestStartDecidesAgain(t *testing.T) {
	t.Parallel()
	for _, since := range []struct {
		what    string
		change  func(*testing.T, *chain)
		changes string // part of what the new decision says has changed
		refused bool   // and not only stricter
		prepare func(*testing.T, *chain)
	}{
		{"the licence ended", func(t *testing.T, c *chain) {
			p := c.licensed(c.amara)
			p.Name, p.LicenceExpireTime = c.amara.name, timestamppb.New(c.clock.Now().Add(-time.Hour))
			must(t, c.odile, c.directory.UpdatePractitioner, &pb.UpdatePractitionerRequest{
				Practitioner: p, UpdateMask: updateMask("licence_expire_time"), RequestId: newID()})
		}, "new: practitioner.licence-expired", true, func(t *testing.T, c *chain) { c.moveVisitTo(t, pb.Jurisdiction_JURISDICTION_US_TEXAS) }},
		{"the directions were cut from 20 to 8 minutes", func(t *testing.T, c *chain) {
			c.product(t, []string{"directions"}, func(p *pb.Product) {
				p.Directions.MaximumMinutes, p.Directions.UsualMinutes = new(int32(8)), new(int32(6))
			})
		}, "longest time on the hair: 20 -> 8 minutes", true, nil},
		{"the directions were cut from 20 to 14 minutes", func(t *testing.T, c *chain) {
			c.product(t, []string{"directions"}, func(p *pb.Product) { p.Directions.MaximumMinutes = new(int32(14)) })
		}, "longest time on the hair: 20 -> 14 minutes", false, nil},
		{"the product has 5 % of sodium hydroxide", func(t *testing.T, c *chain) {
			c.product(t, []string{"ingredients", "declared_ph"}, func(p *pb.Product) { p.Ingredients[0].MassPercent, p.DeclaredPh = new(5.0), new(13.5) })
		}, "-> refuse", true, nil},
		{"the lot expired", func(t *testing.T, c *chain) {
			c.product(t, []string{"lots"}, func(p *pb.Product) { p.Lots[0].ExpireTime = timestamppb.New(c.clock.Now().Add(-time.Minute)) })
		}, "-> refuse", true, nil},
		{"the lot was recalled", func(t *testing.T, c *chain) {
			must(t, c.imara, c.catalog.RecallLot, &pb.RecallLotRequest{Name: c.relaxer, LotCode: c.relaxerLot, Reason: "a reaction", RequestId: newID()})
		}, "-> refuse", true, nil},
	} {
		t.Run(since.what, func(t *testing.T) {
			t.Parallel()
			c := newTestServer(t).newChain(t, "ebb-and-flow")
			c.product(t, []string{"directions"}, func(p *pb.Product) { p.Directions.MaximumMinutes = new(int32(20)) })
			if since.prepare != nil {
				since.prepare(t, c)
			}
			d := c.proceedDecision(t)
			since.change(t, c)
			start := starting(d)
			err := mustFail(t, c.amara, c.processing.StartSession, start)
			wantError(t, since.what, err, codes.FailedPrecondition, "DECISION_OUTDATED")
			kept := must(t, c.imara, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: named(err, "new_decision")}).Decision
			if kept.Replaces != d.Name || named(err, "decision") != d.Name || !strings.Contains(strings.Join(kept.Changes, "\n"), since.changes) {
				t.Errorf("the new decision replaces %s because of %q, want %q", kept.Replaces, kept.Changes, since.changes)
			}
			if refused := kept.Verdict == pb.Verdict_VERDICT_REFUSE; refused != since.refused {
				t.Errorf("the new decision is %s: %v", kept.Verdict, kept.Findings)
			}
			entries := c.entries(t, `decision = "`+kept.Name+`"`)
			if since.refused && (len(entries) != 1 || entries[0].Kind != pb.EntryKind_ENTRY_KIND_REFUSAL || entries[0].Actor != c.amara.name) {
				t.Errorf("%d on the log: %v", len(entries), entries)
			}
			if replayed := must(t, c.imara, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: kept.Name}); !replayed.Identical {
				t.Errorf("replayed it differs: %v", replayed.Differences)
			}
			c.wantSameRefusal(t, start, err)
			c.wantStillRecorded(t, d)
		})
	}
}

// wantSameRefusal checks that a retry of a refused start is refused with the same
// words and changes nothing, and that no service has begun.
func (c *chain) wantSameRefusal(t *testing.T, start *pb.StartSessionRequest, first error) {
	t.Helper()
	before := c.tableDigests(t)
	again := mustFail(t, c.amara, c.processing.StartSession, start)
	if !proto.Equal(status.Convert(again).Proto(), status.Convert(first).Proto()) {
		t.Errorf("asked again: %v, at first: %v", again, first)
	}
	wantSame(t, before, c.tableDigests(t))
	if sessions := must(t, c.vesna, c.processing.ListSessions, &pb.ListSessionsRequest{Parent: start.Parent}).Sessions; len(sessions) > 0 {
		t.Errorf("begun all the same: %v", sessions)
	}
}

// wantStillRecorded checks that the service is recorded when it is under way.
func (c *chain) wantStillRecorded(t *testing.T, d *pb.Decision) {
	t.Helper()
	start := starting(d)
	start.UnderWay = true
	session := must(t, c.amara, c.processing.StartSession, start).Session
	if session.Decision != d.Name || session.NewerDecision == "" || !deviationsOf(session.State.Deviations, pb.DeviationKind_DEVIATION_KIND_DECISION_OUTDATED) {
		t.Errorf("recorded as %v", session)
	}
	newer := must(t, c.vesna, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: session.NewerDecision}).Decision
	if newer.Replaces != d.Name {
		t.Errorf("the newer decision replaces %q", newer.Replaces)
	}
	if maximum := float64(newer.Inputs.Product.Directions.GetMaximumMinutes()); session.Limits.HardLimitMinutes > maximum {
		t.Errorf("guided by a limit of %g minutes, the directions say %g", session.Limits.HardLimitMinutes, maximum)
	}
	if entries := c.entries(t, `session = "`+session.Name+`" AND reason = "DEVIATION_KIND_DECISION_OUTDATED"`); len(entries) != 1 {
		t.Errorf("on the log: %v", entries)
	}
}

// TestStartOnTheSameOrMilder: if nothing has become stricter, the service begins.
func TestStartOnTheSameOrMilder(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	same, milder := c.proceedDecision(t), c.proceedDecision(t)
	c.clock.advance(20 * time.Minute)
	if session := c.begin(t, same); session.Decision != same.Name || session.NewerDecision != "" || len(session.State.Deviations) > 0 {
		t.Errorf("begun as %v", session)
	}
	c.product(t, []string{"directions"}, func(p *pb.Product) { p.Directions.MaximumMinutes = new(int32(19)) })
	start := starting(milder)
	answer, err := c.processing.StartSession(c.amara.calling(t), start)
	if err != nil {
		t.Fatalf("longer directions: %v: %q", err, must(t, c.vesna, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: named(err, "new_decision")}).Decision.Changes)
	}
	session := answer.Session
	if session.Decision != milder.Name || session.Limits.HardLimitMinutes != 18 {
		t.Errorf("begun on %s with a limit of %g minutes, want that of the decision", session.Decision, session.Limits.HardLimitMinutes)
	}
}

// TestOverridesHoldForTheNewDecision: a supervisor who has set a finding aside need
// not do it again because something else changed.
func TestOverridesHoldForTheNewDecision(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	d := c.decision(t, c.shampooed)
	d = must(t, c.imara, c.eligibility.OverrideDecision, c.override(d, overridable(t, d))).Decision
	if d.StandingVerdict > pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS {
		t.Fatalf("stands at %s: %v", d.StandingVerdict, d.Findings)
	}
	c.product(t, []string{"directions"}, func(p *pb.Product) {
		p.Directions.MaximumMinutes, p.Directions.UsualMinutes = new(int32(14)), new(int32(13))
	})
	err := mustFail(t, c.amara, c.processing.StartSession, starting(d))
	wantError(t, "shorter directions", err, codes.FailedPrecondition, "DECISION_OUTDATED")
	again := must(t, c.vesna, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: named(err, "new_decision")}).Decision
	if len(again.Overrides) != 1 || !proto.Equal(again.Overrides[0], d.Overrides[0]) || again.StandingVerdict != d.StandingVerdict {
		t.Errorf("the new decision stands at %s with the overrides %v", again.StandingVerdict, again.Overrides)
	}
	if session := c.begin(t, again); session.Limits.HardLimitMinutes != 14 {
		t.Errorf("begun with a limit of %g minutes", session.Limits.HardLimitMinutes)
	}
	if n := len(c.entries(t, `kind = "OVERRIDE"`)); n != 1 {
		t.Errorf("%d overrides on the log, one was given", n)
	}
}

// TestOneOpenSessionPerHead: a second service does not begin while one is open; one
// that is under way is recorded beside it.
func TestOneOpenSessionPerHead(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	first, second := c.proceedDecision(t), (*pb.Decision)(nil)
	second = c.decisionFor(t, parent(first.Name))
	third := c.decisionFor(t, parent(first.Name))
	open := c.begin(t, first)
	start := starting(second)
	err := mustFail(t, c.amara, c.processing.StartSession, start)
	wantError(t, "a second service", err, codes.FailedPrecondition, "SESSION_OPEN")
	if named(err, "session") != open.Name {
		t.Errorf("the error names %q, open is %s", named(err, "session"), open.Name)
	}
	underWay := again(start)
	underWay.UnderWay = true
	session := must(t, c.amara, c.processing.StartSession, underWay).Session
	if session.OtherSession != open.Name || !deviationsOf(session.State.Deviations, pb.DeviationKind_DEVIATION_KIND_SECOND_SESSION) {
		t.Errorf("recorded as %v", session)
	}
	for _, name := range []string{session.Name, open.Name} {
		must(t, c.imara, c.processing.CloseSession, &pb.CloseSessionRequest{Name: name, Practitioner: c.imara.name, Comment: "a mistake", RequestId: newID()})
	}
	if session := c.begin(t, third); session.OtherSession != "" {
		t.Errorf("begun as %v, with all others closed", session)
	}
}

// TestRacingStarts: of several starts at the same moment on one head, one begins.
func TestRacingStarts(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	twin := *c
	twin.testServer = c.startSecondServer(t)
	client := c.client(t)
	var decisions []*pb.Decision
	for range 6 {
		decisions = append(decisions, c.decisionFor(t, client))
	}
	errs := make([]error, len(decisions))
	var starts sync.WaitGroup
	for i, d := range decisions {
		at := []*chain{c, &twin}[i%2]
		starts.Go(func() { _, errs[i] = at.processing.StartSession(c.amara.calling(t), starting(d)) })
	}
	starts.Wait()
	begun := 0
	for _, err := range errs {
		if err == nil {
			begun++
		} else {
			wantError(t, "one of many", err, codes.FailedPrecondition, "SESSION_OPEN")
		}
	}
	if sessions := must(t, c.vesna, c.processing.ListSessions, &pb.ListSessionsRequest{Parent: client}).Sessions; begun != 1 || len(sessions) != 1 {
		t.Errorf("%d of %d starts began %d services", begun, len(errs), len(sessions))
	}
}

// TestCloseSession: a supervisor of the salon closes what was left open; that is a
// deviation, and the next service can begin.
func TestCloseSession(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session := c.session(t)
	next := c.decisionFor(t, parent(session.Name))
	closing := &pb.CloseSessionRequest{Name: session.Name, Practitioner: c.imara.name, Comment: "nobody was there at closing time", RequestId: newID()}
	wantError(t, "a practitioner", mustFail(t, c.amara, c.processing.CloseSession, again(closing)), codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	elsewhere := c.licensed(c.imara)
	elsewhere.Name, elsewhere.Salons = c.imara.name, []string{c.otherSalon(t)}
	salons := func(p *pb.Practitioner) {
		must(t, c.odile, c.directory.UpdatePractitioner, &pb.UpdatePractitionerRequest{Practitioner: p, UpdateMask: updateMask("salons"), RequestId: newID()})
	}
	salons(elsewhere)
	wantError(t, "a supervisor of another salon", mustFail(t, c.imara, c.processing.CloseSession, again(closing)), codes.FailedPrecondition, "SUPERVISOR_OF_ANOTHER_SALON")
	elsewhere.Salons = nil
	salons(elsewhere)
	closed := must(t, c.imara, c.processing.CloseSession, closing).Session
	if closed.Closing.GetReason() != pb.ClosingReason_CLOSING_REASON_LEFT_OPEN || closed.Closing.GetActor() != c.imara.name ||
		closed.State.GetPhase() != pb.SessionPhase_SESSION_PHASE_CLOSED {
		t.Errorf("closed as %v in %s", closed.Closing, closed.State.GetPhase())
	}
	entries := c.entries(t, `session = "`+session.Name+`"`)
	if len(entries) != 1 || entries[0].Deviation != pb.DeviationKind_DEVIATION_KIND_LEFT_OPEN || entries[0].Actor != c.imara.name {
		t.Errorf("on the log: %v", entries)
	}
	wantError(t, "closed twice", mustFail(t, c.imara, c.processing.CloseSession, again(closing)), codes.FailedPrecondition, "SESSION_CLOSED")
	c.begin(t, next)
	c.report(t, session, eventAt(session, 0, note("found the note on the trolley"))) // what happened is always recorded
	must(t, c.amara, c.outcome.RecordOutcome, brokenOff(session))
}

// otherSalon makes a salon beside the chain's first.
func (c *chain) otherSalon(t testing.TB) string {
	t.Helper()
	return must(t, c.odile, c.directory.CreateSalon, &pb.CreateSalonRequest{Parent: c.name, SalonId: freshID(), RequestId: newID(),
		Salon: &pb.Salon{DisplayName: "Mill Lane", Jurisdiction: pb.Jurisdiction_JURISDICTION_UK, TimeZone: "Europe/London"}}).Salon.Name
}

// TestOverridesThatComeTooLate: each is denied as an answer, and on the log.
func TestOverridesThatComeTooLate(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	deny := func(what string, d *pb.Decision, want pb.OverrideDenial) {
		t.Helper()
		override := must(t, c.imara, c.eligibility.OverrideDecision, c.override(d, overridable(t, d))).Override
		if override.Denial != want {
			t.Errorf("%s: %s, want %s", what, override.Denial, want)
		}
		entries := c.entries(t, `kind = "OVERRIDE_DENIED" AND decision = "`+d.Name+`"`)
		if len(entries) != 1 || entries[0].ReasonCode != want.String() {
			t.Errorf("%s, on the log: %v", what, entries)
		}
	}
	aside := c.decision(t, c.shampooed)
	must(t, c.imara, c.eligibility.OverrideDecision, c.override(aside, overridable(t, aside)))
	deny("set aside already", aside, pb.OverrideDenial_OVERRIDE_DENIAL_SET_ASIDE_ALREADY)

	against := c.decision(t, c.shampooed)
	underWay := starting(against)
	underWay.UnderWay = true
	must(t, c.amara, c.processing.StartSession, underWay)
	deny("after the service began in spite of it", against, pb.OverrideDenial_OVERRIDE_DENIAL_SERVICE_BEGAN)

	elsewhere := c.question(c.submitted(t, c.client(t), c.shampooed).Name)
	elsewhere.Salon = c.otherSalon(t)
	deny("somebody of another salon", must(t, c.imara, c.eligibility.CheckEligibility, elsewhere).Decision, pb.OverrideDenial_OVERRIDE_DENIAL_OTHER_SALON)

	old := c.decision(t, c.shampooed)
	c.clock.advance(24*time.Hour + time.Second)
	deny("a day later", old, pb.OverrideDenial_OVERRIDE_DENIAL_EXPIRED)
}

// TestTimeSheet: the answer to a start has everything that a till or a printed sheet
// needs to continue without the server.
func TestTimeSheet(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	d := c.proceedDecision(t)
	answer := must(t, c.amara, c.processing.StartSession, starting(d))
	sheet, plan := answer.TimeSheet, answer.Session.Plan
	if len(sheet.GetSections()) != len(plan.Sections) || sheet.GetEmergencyNumber() == "" || len(sheet.FirstAid) == 0 {
		t.Fatalf("the time sheet is %v", sheet)
	}
	begun := answer.Session.StartTime.AsTime()
	for i, at := range sheet.Sections {
		planned := plan.Sections[i]
		apply := begun.Add(time.Duration(planned.StartMinute * float64(time.Minute)))
		limit := apply.Add(time.Duration(planned.HardLimitMinute * float64(time.Minute)))
		for _, stage := range plan.Stages {
			together := begun.Add(time.Duration((stage.StartMinute + stage.RinseByMinute) * float64(time.Minute)))
			if slices.Contains(stage.SectionIds, planned.SectionId) && together.Before(limit) {
				limit = together // the sections of a stage are rinsed together
			}
		}
		if at.SectionId != planned.SectionId || !at.ApplyTime.AsTime().Equal(apply) || !at.HardLimitTime.AsTime().Equal(limit) ||
			at.LatestRinseTime.AsTime().After(limit) || at.TestTime.AsTime().Before(apply) {
			t.Errorf("section %s: %v, planned as %v", planned.SectionId, at, planned)
		}
		local := at.LatestRinseTime.AsTime().In(time.FixedZone("London in November", 0)).Format("15:04")
		if !strings.Contains(at.Text, "rinse by "+local) {
			t.Errorf("in words: %q, want the local time %s", at.Text, local)
		}
	}
	if again := must(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: answer.Session.Name}).Session; !slices.EqualFunc(
		again.Conditions, d.Conditions, func(a *pb.ConditionState, b *pb.Condition) bool {
			return a.ConditionId == b.ConditionId && a.BeforeContact == b.BeforeContact && a.Text == b.Text
		}) {
		t.Errorf("the conditions are %v, decided were %v", again.Conditions, d.Conditions)
	}
}
