package integration

import (
	"cmp"
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// The promise: the figures of a summary equal a recount of all records, whatever was
// written at the same time or sent twice, and whenever a server was killed.

// TestFiguresAreThoseOfTheRecords lets several callers do at random what makes
// entries, through two servers that count by turns, and sends requests twice.
func TestFiguresAreThoseOfTheRecords(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	there := *c
	there.testServer = s.startSecondServer(t)
	var writers sync.WaitGroup
	for i, at := range []*chain{c, &there, c} {
		random := rand.New(rand.NewPCG(seed, uint64(i)))
		writers.Go(func() {
			for range 12 {
				at.simulateVisit(t, random, at.clock.advance)
			}
		})
	}
	writers.Wait()
	c.wantFigures(t)
}

// simulateVisit is one visit: a decision, perhaps attempts to override it, perhaps a
// service with a deviation, perhaps an outcome, at times that move on.
func (c *chain) simulateVisit(t *testing.T, random *rand.Rand, advance func(time.Duration) time.Time) {
	advance(time.Duration(random.IntN(30)) * time.Hour / 2)
	chance := func(percent int) bool { return random.IntN(100) < percent }
	card := []func(*pb.Consultation){brokenSkin, medication, c.shampooed, c.shampooed, func(*pb.Consultation) {}}[random.IntN(5)]
	asked := c.question(c.submitted(t, c.client(t), card).Name)
	who := []person{c.amara, c.imara}[random.IntN(2)]
	asker := []person{who, c.imara}[random.IntN(2)] // a supervisor may ask for others
	asked.Practitioner = who.name
	d := twice(t, random, asker, c.eligibility.CheckEligibility, asked).Decision
	for range 2 {
		if len(d.Findings) > 0 && chance(60) {
			advance(time.Minute)
			d = twice(t, random, c.imara, c.eligibility.OverrideDecision, c.override(d, d.Findings[random.IntN(len(d.Findings))])).Decision
		}
	}
	if !chance(80) {
		return
	}
	start := &pb.StartSessionRequest{Parent: parent(d.Name), Decision: d.Name, UnderWay: true, RequestId: newID()}
	session := twice(t, random, who, c.processing.StartSession, start).Session
	// Without the base that the directions ask for; rinsed, so that nothing more is
	// called out while the records are read.
	if chance(60) {
		rinse := &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}}
		report := &pb.RecordEventsRequest{Name: session.Name, RequestId: newID(),
			Events: []*pb.Event{eventAt(session, time.Minute, applied("crown")), eventAt(session, 2*time.Minute, rinse)}}
		twice(t, random, c.till, c.processing.RecordEvents, report)
	}
	if chance(60) {
		outcome := brokenOff(session)
		if chance(50) {
			outcome.Outcome.ScalpChanged = yes
		}
		twice(t, random, who, c.outcome.RecordOutcome, outcome)
		return
	}
	// Closed without an outcome, so that the server logs nothing more of it while the
	// records are read. Days may have passed, and then the server was faster.
	_, err := c.processing.CloseSession(c.imara.calling(t), &pb.CloseSessionRequest{
		Name: session.Name, Practitioner: c.imara.name, Comment: "left open", RequestId: newID()})
	if err != nil && reasonOf(err) != "SESSION_CLOSED" {
		t.Errorf("closing: %v", err)
	}
}

// twice makes a call, and sometimes the same again.
func twice[Q, A proto.Message](t *testing.T, random *rand.Rand, who person,
	method func(context.Context, Q, ...grpc.CallOption) (A, error), req Q) A {
	t.Helper()
	answer := must(t, who, method, req)
	if random.IntN(3) == 0 {
		must(t, who, method, req)
	}
	return answer
}

// TestWhatWasNotCountedYetIsCountedLater kills a server together with its database
// right after it has answered; the next one counts what it has left.
func TestWhatWasNotCountedYetIsCountedLater(t *testing.T) {
	t.Parallel()
	dir := privateDir(t)
	for round := range 3 {
		server := startChild(t, dir)
		c := server.people(t)
		if round == 0 {
			c.create(t)
		}
		random := rand.New(rand.NewPCG(uint64(round), 1))
		real := func(time.Duration) time.Time { return c.clock.Now() } // of the server, which nobody moves
		for range 3 {
			c.simulateVisit(t, random, real)
		}
		server.killAll(dir)
	}
	server := startChild(t, dir)
	server.people(t).wantFigures(t)
	server.stop(t)
}

// TestWhoIsOutOfLineIsTold: a practitioner whose decisions are always overridden, and
// one whose decisions never are, after a few decisions and after many.
func TestWhoIsOutOfLineIsTold(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	client := c.client(t)
	asked := c.question(c.submitted(t, client, c.shampooed).Name)
	reported := ""
	for n := range 12 {
		for _, who := range []person{c.amara, c.imara} {
			asked.Practitioner = who.name
			d := must(t, who, c.eligibility.CheckEligibility, again(asked)).Decision
			if who == c.amara {
				must(t, c.imara, c.eligibility.OverrideDecision, c.override(d, overridable(t, d)))
			}
		}
		if n != 4 && n != 11 {
			continue
		}
		for _, p := range c.counted(t, &pb.SummarizeEntriesRequest{Parent: c.name}).Practitioners {
			reported += fmt.Sprintf("%s %d of %d, %.2f to %.2f, %t; ", last(p.Practitioner), p.Overrides.Count, p.Overrides.Of, p.Overrides.Low, p.Overrides.High, p.OutOfLine)
		}
	}
	// With all of n the lower end is n/(n + 3.84), with none the upper 3.84/(n + 3.84),
	// by the formula of the interval.
	if want := "amara 5 of 5, 0.57 to 1.00, false; imara 0 of 5, 0.00 to 0.43, false; " +
		"amara 12 of 12, 0.76 to 1.00, true; imara 0 of 12, 0.00 to 0.24, true; "; reported != want {
		t.Errorf("told %s\nwant %s", reported, want)
	}
}

// recorded is everything that was recorded of a chain, as callers can read it.
type recorded struct {
	entries   []*pb.AuditEntry
	decisions []*pb.Decision
	begun     map[string]string      // by decision, the session
	outcomes  map[string]*pb.Outcome // by session
}

// readAll reads it, page by page.
func (c *chain) readAll(t *testing.T) recorded {
	t.Helper()
	all := recorded{begun: map[string]string{}, outcomes: map[string]*pb.Outcome{}}
	every(func(token string) string {
		page := must(t, c.odile, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, PageSize: 7, PageToken: token})
		all.entries = append(all.entries, page.Entries...)
		return page.NextPageToken
	})
	every(func(token string) string {
		page := must(t, c.odile, c.consultation.ListClients, &pb.ListClientsRequest{Parent: c.name, PageToken: token})
		for _, client := range page.Clients {
			all.readClient(t, c, client.Name)
		}
		return page.NextPageToken
	})
	return all
}

// every calls read with the token of each page.
func every(read func(token string) (next string)) {
	for token := read(""); token != ""; {
		token = read(token)
	}
}

// readClient adds what was recorded of a client.
func (all *recorded) readClient(t *testing.T, c *chain, client string) {
	t.Helper()
	all.decisions = append(all.decisions, must(t, c.odile, c.eligibility.ListDecisions, &pb.ListDecisionsRequest{Parent: client}).Decisions...)
	for _, session := range must(t, c.odile, c.processing.ListSessions, &pb.ListSessionsRequest{Parent: client}).Sessions {
		if session.Decision != "" {
			all.begun[session.Decision] = session.Name
		}
	}
	for _, o := range must(t, c.odile, c.outcome.ListOutcomes, &pb.ListOutcomesRequest{Parent: client}).Outcomes {
		all.outcomes[o.Session] = o
	}
}

// counted waits until all that was recorded is counted, and returns the figures.
func (c *chain) counted(t testing.TB, req *pb.SummarizeEntriesRequest) (figures *pb.SummarizeEntriesResponse) {
	t.Helper()
	eventually(t, "everything to be counted", func() bool {
		figures = must(t, c.odile, c.audit.SummarizeEntries, req)
		return figures.Uncounted == 0
	})
	return figures
}

// wantFigures compares summaries of all dimensions and of several times with the
// records.
func (c *chain) wantFigures(t *testing.T) {
	t.Helper()
	all := c.readAll(t)
	if len(all.entries) < 5 || len(all.decisions) < 5 {
		t.Errorf("only %d entries and %d decisions", len(all.entries), len(all.decisions))
	}
	first, last := all.entries[len(all.entries)/4].RecordTime, all.entries[len(all.entries)*3/4].RecordTime
	midnight := timestamppb.New(last.AsTime().Truncate(24 * time.Hour))
	for _, within := range [][2]*timestamppb.Timestamp{{nil, nil}, {first, nil}, {nil, last}, {first, last}, {nil, midnight}, {midnight, nil}} {
		for dimension := range keysOf {
			req := &pb.SummarizeEntriesRequest{Parent: c.name, StartTime: within[0], EndTime: within[1], Dimension: dimension}
			got, want := plain(c.counted(t, req)), all.within(within).summary(dimension)
			if !proto.Equal(got, want) {
				t.Errorf("%s within %v:\n got %v\nwant %v", dimension, within, got, want)
			}
		}
	}
}

// plain is figures without the statistics, in a fixed order.
func plain(figures *pb.SummarizeEntriesResponse) *pb.SummarizeEntriesResponse {
	bare := func(p *pb.Proportion) {
		if p != nil {
			p.Low, p.High = 0, 0
		}
	}
	for _, row := range figures.Rows {
		bare(row.Rate)
	}
	bare(figures.Overrides.RefusalsOverridden)
	bare(figures.Overrides.FollowedByDeviation)
	bare(figures.Overrides.FollowedByBadOutcome)
	for _, p := range figures.Practitioners {
		bare(p.Overrides)
		bare(p.Others)
		p.OutOfLine = false
	}
	slices.SortFunc(figures.Practitioners, byName)
	figures.Check = nil // of the log
	return figures
}

// byName is the order of practitioners by name.
func byName(a, b *pb.PractitionerFigures) int { return cmp.Compare(a.Practitioner, b.Practitioner) }

// part is a count in relation, without statistics.
func part(count, of int64) *pb.Proportion { return &pb.Proportion{Count: count, Of: of} }

// keysOf is what entries, and decisions, are counted by.
var keysOf = map[pb.SummaryDimension]struct {
	entry    func(*pb.AuditEntry) string
	decision func(*pb.Decision) string
}{
	pb.SummaryDimension_SUMMARY_DIMENSION_UNSPECIFIED: {func(e *pb.AuditEntry) string { return e.Kind.String() }, noKey},
	pb.SummaryDimension_SUMMARY_DIMENSION_KIND:        {func(e *pb.AuditEntry) string { return e.Kind.String() }, noKey},
	pb.SummaryDimension_SUMMARY_DIMENSION_SALON:       {(*pb.AuditEntry).GetSalon, func(d *pb.Decision) string { return d.Inputs.Salon.Name }},
	pb.SummaryDimension_SUMMARY_DIMENSION_ACTOR:       {(*pb.AuditEntry).GetActor, (*pb.Decision).GetActor},
	pb.SummaryDimension_SUMMARY_DIMENSION_REASON:      {(*pb.AuditEntry).GetReasonCode, noKey},
	pb.SummaryDimension_SUMMARY_DIMENSION_RULE: {func(e *pb.AuditEntry) string {
		if len(e.Rules) == 0 {
			return ""
		}
		return e.Rules[0].RuleId
	}, noKey},
	pb.SummaryDimension_SUMMARY_DIMENSION_WEEK: {
		func(e *pb.AuditEntry) string { return weekOf(e.RecordTime) }, func(d *pb.Decision) string { return weekOf(d.CreateTime) }},
}

// noKey is the key when decisions are not grouped.
func noKey(*pb.Decision) string { return "" }

// weekOf is the ISO week of an instant.
func weekOf(t *timestamppb.Timestamp) string {
	year, week := t.AsTime().ISOWeek()
	return fmt.Sprintf("%d-W%02d", year, week)
}

// within is what was recorded on the days of a time; what came of the decisions
// of these days is kept, whenever it came.
func (all recorded) within(span [2]*timestamppb.Timestamp) timed {
	in := func(t *timestamppb.Timestamp) bool {
		at, day := t.AsTime(), 24*time.Hour
		return (span[0] == nil || !at.Before(span[0].AsTime().Truncate(day))) &&
			(span[1] == nil || at.Before(span[1].AsTime().Add(day-1).Truncate(day)))
	}
	cut := timed{recorded: all}
	for _, e := range all.entries {
		if in(e.RecordTime) {
			cut.counted = append(cut.counted, e)
		}
	}
	for _, d := range all.decisions {
		if in(d.CreateTime) {
			cut.made = append(cut.made, d)
		}
	}
	return cut
}

// timed is what was recorded, with what counts of it.
type timed struct {
	recorded
	counted []*pb.AuditEntry
	made    []*pb.Decision
}

// of are the entries of a decision, in order.
func (all recorded) of(decision string) (found []*pb.AuditEntry) {
	for _, e := range all.entries {
		if e.Decision == decision {
			found = append(found, e)
		}
	}
	return found
}

// summary is what the answer must be.
func (all timed) summary(by pb.SummaryDimension) *pb.SummarizeEntriesResponse {
	type cell struct {
		kind pb.EntryKind
		key  string
	}
	counts, came, made := map[cell]int64{}, map[cell]int64{}, map[string]int64{}
	for _, e := range all.counted {
		counts[cell{e.Kind, keysOf[by].entry(e)}]++
	}
	overridden := func(k pb.EntryKind) bool {
		return k == pb.EntryKind_ENTRY_KIND_OVERRIDE || k == pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED
	}
	rated := func(k pb.EntryKind) bool {
		return k == pb.EntryKind_ENTRY_KIND_REFUSAL || k == pb.EntryKind_ENTRY_KIND_REFERRAL ||
			overridden(k) && by != pb.SummaryDimension_SUMMARY_DIMENSION_ACTOR
	}
	for _, d := range all.made {
		made[keysOf[by].decision(d)]++
		once := map[cell]bool{}
		for _, e := range all.of(d.Name) {
			k := cell{e.Kind, keysOf[by].entry(e)}
			if by == pb.SummaryDimension_SUMMARY_DIMENSION_WEEK {
				k.key = weekOf(d.CreateTime)
			}
			if rated(e.Kind) && !once[k] {
				once[k] = true
				came[k]++
				counts[k] += 0 // a row although the entry is of another time
			}
		}
	}
	want := &pb.SummarizeEntriesResponse{Total: int64(len(all.counted)), Decisions: int64(len(all.made))}
	for k, n := range counts {
		of := want.Decisions
		if _, reported := made[""]; !reported {
			of = made[k.key]
		}
		row := &pb.SummaryRow{Kind: k.kind, Key: k.key, Count: n}
		if rated(k.kind) && of > 0 {
			row.Rate = part(came[k], of)
		}
		want.Rows = append(want.Rows, row)
	}
	slices.SortFunc(want.Rows, func(a, b *pb.SummaryRow) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Key, b.Key))
	})
	all.follow(want)
	return want
}

// follow adds what became of the decisions.
func (all timed) follow(want *pb.SummarizeEntriesResponse) {
	var turned, turnedBack, begun, deviated, closed, bad int64
	type person struct{ overridable, overridden int64 }
	people, everybody := map[string]person{}, person{}
	for _, d := range all.made {
		first := slices.IndexFunc(all.entries, func(e *pb.AuditEntry) bool {
			return e.Decision == d.Name && e.Kind == pb.EntryKind_ENTRY_KIND_OVERRIDE
		})
		p := people[d.Inputs.Practitioner.Name]
		if slices.ContainsFunc(d.Findings, func(f *pb.Finding) bool { return f.GetOverrideTerms().GetAllowed() }) {
			p.overridable++
			everybody.overridable++
		}
		if d.Verdict >= pb.Verdict_VERDICT_REFER {
			turned++
		}
		if first >= 0 {
			p.overridden++
			everybody.overridden++
			if d.Verdict >= pb.Verdict_VERDICT_REFER {
				turnedBack++
			}
			session, isBegun := all.begun[d.Name]
			if isBegun {
				begun++
			}
			if isBegun && slices.ContainsFunc(all.entries[first:], func(e *pb.AuditEntry) bool {
				return e.Session == session && e.Kind == pb.EntryKind_ENTRY_KIND_DEVIATION
			}) {
				deviated++
			}
			if o := all.outcomes[session]; isBegun && o != nil {
				closed++
				if o.ScalpChanged == yes {
					bad++
				}
			}
		}
		people[d.Inputs.Practitioner.Name] = p
	}
	want.Overrides = &pb.OverrideFigures{RefusalsOverridden: part(turnedBack, turned),
		FollowedByDeviation: part(deviated, begun), FollowedByBadOutcome: part(bad, closed)}
	for name, p := range people {
		if p.overridable > 0 {
			want.Practitioners = append(want.Practitioners, &pb.PractitionerFigures{Practitioner: name,
				Overrides: part(p.overridden, p.overridable), Others: part(everybody.overridden-p.overridden, everybody.overridable-p.overridable)})
		}
	}
	slices.SortFunc(want.Practitioners, byName)
}
