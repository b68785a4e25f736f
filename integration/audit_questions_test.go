package integration

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// The promise: an auditor's questions are answered by one call each, the answers equal
// a recount of what happened, and a question about something that does not exist is
// told so.

// TestUnknownValuesInFilters: a value that nothing has is an error that says what there
// is, in every call that takes a filter.
func TestUnknownValuesInFilters(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	c.causes(t)
	c.counted(t, &pb.SummarizeEntriesRequest{Parent: c.name})
	elsewhere := s.newChain(t, "low-tide")
	for filter, want := range map[string]string{
		`salon = "north-key"`:                             "north-quay",
		`salon != "north-key"`:                            "north-quay",
		`kind = "REFUSAL" AND NOT (salon = "x")`:          "north-quay",
		`salon = "` + elsewhere.salon + `"`:               "north-quay",
		`actor = "nobody"`:                                "practitioners/amara",
		`practitioner = "nobody"`:                         "practitioners/teo",
		`service_practitioner = "vesna"`:                  "practitioners/teo",
		`product = "irregular"`:                           "products/regular",
		`lot = "R-1"`:                                     "R-2611",
		`rule = "scalp.broken"`:                           "scalp.broken-skin",
		`reason = "BASE_SKIPED"`:                          "DEVIATION_KIND_BASE_SKIPPED",
		`override_reason = "BECAUSE"`:                     "there are:",
		`client = "nobody"`:                               "clients/",
		`decision = "none"`:                               "/decisions/",
		`session = "` + c.name + `/clients/a/sessions/b"`: "/sessions/",
		`till = "front desk 2"`:                           "front desk 1",
		`till_version = "4.3.0"`:                          "nothing has one",
		`policy = "abc"`:                                  "there are:",
		`subject = "zone:moon"`:                           "in " + c.name,
	} {
		_, listed := c.audit.ListEntries(c.odile.calling(t), &pb.ListEntriesRequest{Parent: c.name, Filter: filter})
		_, summed := c.audit.SummarizeEntries(c.odile.calling(t), &pb.SummarizeEntriesRequest{Parent: c.name, Filter: filter})
		_, exported := c.export(t, c.odile, filter)
		for call, err := range map[string]error{"list": listed, "summary": summed, "export": exported} {
			wantError(t, call+" "+filter, err, codes.InvalidArgument, "INVALID_FIELD")
			if told := violationsOf(err)["filter"]; !strings.Contains(told, want) {
				t.Errorf("%s %s: the error is %q and does not say %q", call, filter, told, want)
			}
		}
	}
	if err := mustFail(t, c.odile, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: elsewhere.name, Filter: `salon = "x"`}); strings.Contains(err.Error(), "quay") {
		t.Errorf("another chain's salons are told: %v", err)
	}
}

// export reads an export with a filter.
func (c *chain) export(t testing.TB, who person, filter string) (all []*pb.AuditEntry, err error) {
	stream, err := c.audit.ExportEntries(who.calling(t), &pb.ExportEntriesRequest{Parent: c.name, Filter: filter})
	for err == nil {
		var sent *pb.ExportEntriesResponse
		if sent, err = stream.Recv(); err == nil {
			all = append(all, sent.Entry)
		}
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return all, err
}

// questionKeys are the values of an entry in the dimensions that are counted from entries.
var questionKeys = map[pb.SummaryDimension]func(*pb.AuditEntry) []string{
	pb.SummaryDimension_SUMMARY_DIMENSION_ANY_RULE: func(e *pb.AuditEntry) (ids []string) {
		for _, r := range e.Rules {
			ids = append(ids, r.RuleId)
		}
		return ids
	},
	pb.SummaryDimension_SUMMARY_DIMENSION_PRACTITIONER: func(e *pb.AuditEntry) []string { return []string{e.Practitioner} },
	pb.SummaryDimension_SUMMARY_DIMENSION_PRODUCT:      func(e *pb.AuditEntry) []string { return []string{e.Product} },
	pb.SummaryDimension_SUMMARY_DIMENSION_LOT:          func(e *pb.AuditEntry) []string { return []string{e.LotCode} },
	pb.SummaryDimension_SUMMARY_DIMENSION_POLICY: func(e *pb.AuditEntry) []string {
		if e.HousePolicy != "" {
			return []string{e.HousePolicy}
		}
		return []string{e.PolicyDigest}
	},
	pb.SummaryDimension_SUMMARY_DIMENSION_TILL:         func(e *pb.AuditEntry) []string { return []string{e.Till} },
	pb.SummaryDimension_SUMMARY_DIMENSION_TILL_VERSION: func(e *pb.AuditEntry) []string { return []string{e.TillVersion} },
	pb.SummaryDimension_SUMMARY_DIMENSION_RULE: func(e *pb.AuditEntry) []string {
		if len(e.Rules) == 0 {
			return nil
		}
		return []string{e.Rules[0].RuleId}
	},
	pb.SummaryDimension_SUMMARY_DIMENSION_SALON: func(e *pb.AuditEntry) []string { return []string{e.Salon} },
	pb.SummaryDimension_SUMMARY_DIMENSION_WEEK:  func(e *pb.AuditEntry) []string { return []string{weekOf(e.RecordTime)} },
}

// TestSummariesByWhatWasAsked: counts by every dimension, with and without a filter, are
// those of the listed entries.
func TestSummariesByWhatWasAsked(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	c.causes(t)
	random := rand.New(rand.NewPCG(seed, 1))
	for range 6 {
		c.simulateVisit(t, random, c.clock.advance)
	}
	for by, keys := range questionKeys {
		for _, filter := range []string{"", `kind = "OVERRIDE" AND service_practitioner = "amara"`, `product = "regular" OR kind = "LOT_RECALLED"`, `policy != ""`} {
			if filter == "" && (by == pb.SummaryDimension_SUMMARY_DIMENSION_RULE || by == pb.SummaryDimension_SUMMARY_DIMENSION_SALON || by == pb.SummaryDimension_SUMMARY_DIMENSION_WEEK) {
				continue // from counters, with rates: TestFiguresAreThoseOfTheRecords
			}
			entries := c.entries(t, filter)
			if len(entries) == 0 && !strings.Contains(filter, "OVERRIDE") {
				t.Errorf("%s finds nothing, so its counts show nothing", filter)
			}
			got := must(t, c.odile, c.audit.SummarizeEntries, &pb.SummarizeEntriesRequest{Parent: c.name, Dimension: by, Filter: filter})
			want := recount(entries, keys)
			if got.Total != int64(len(entries)) || !slices.EqualFunc(got.Rows, want, func(a, b *pb.SummaryRow) bool { return proto.Equal(a, b) }) {
				t.Errorf("%s of %s:\n got %d %v\nwant %d %v", by, filter, got.Total, got.Rows, len(entries), want)
			}
		}
	}
	// The deciding rule is one of all: no rule is counted less often by any than by deciding.
	deciding := c.counted(t, &pb.SummarizeEntriesRequest{Parent: c.name, Dimension: pb.SummaryDimension_SUMMARY_DIMENSION_RULE})
	anyRule := must(t, c.odile, c.audit.SummarizeEntries, &pb.SummarizeEntriesRequest{Parent: c.name, Dimension: pb.SummaryDimension_SUMMARY_DIMENSION_ANY_RULE})
	for _, d := range deciding.Rows {
		i := slices.IndexFunc(anyRule.Rows, func(r *pb.SummaryRow) bool { return r.Kind == d.Kind && r.Key == d.Key })
		if i < 0 || anyRule.Rows[i].Count < d.Count {
			t.Errorf("%s decided %d times and stands in fewer entries", d.Key, d.Count)
		}
	}
}

// recount counts entries by kind and key.
func recount(entries []*pb.AuditEntry, keys func(*pb.AuditEntry) []string) (rows []*pb.SummaryRow) {
	type cell struct {
		kind pb.EntryKind
		key  string
	}
	counts := map[cell]int64{}
	for _, e := range entries {
		of := slices.Compact(slices.Sorted(slices.Values(keys(e))))
		if len(of) == 0 {
			of = []string{""}
		}
		for _, key := range of {
			counts[cell{e.Kind, key}]++
		}
	}
	for k, n := range counts {
		rows = append(rows, &pb.SummaryRow{Kind: k.kind, Key: k.key, Count: n})
	}
	slices.SortFunc(rows, func(a, b *pb.SummaryRow) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Key, b.Key))
	})
	return rows
}

// servedIn records a service of a client in a salon that begins now, and ends it.
func (c *chain) servedIn(t testing.TB, client, salon string) *pb.Session {
	t.Helper()
	session := must(t, c.amara, c.processing.StartSession, &pb.StartSessionRequest{
		Parent: client, Salon: salon, Practitioner: c.amara.name, UnderWay: true, RequestId: newID()}).Session
	must(t, c.amara, c.outcome.RecordOutcome, brokenOff(session))
	return session
}

// TestFollowedRefusals: a refusal after which the client was served in another salon
// within the hours asked for is found with the first such service; other services, of
// others, earlier, later or in the same salon, are not taken for it.
func TestFollowedRefusals(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	other := c.secondSalon(t)
	amara := must(t, c.odile, c.directory.GetPractitioner, &pb.GetPractitionerRequest{Name: c.amara.name}).Practitioner
	amara.Salons = append(amara.Salons, other)
	must(t, c.odile, c.directory.UpdatePractitioner, &pb.UpdatePractitionerRequest{Practitioner: amara, UpdateMask: updateMask("salons"), RequestId: newID()})
	type case_ struct {
		refused *pb.Decision
		session string
		minutes int64
	}
	var elsewhere, within48, anywhere []case_
	refuse := func() (string, *pb.Decision) {
		client := c.client(t)
		return client, c.decisionFor(t, client, brokenSkin)
	}
	// Served elsewhere before, and 3 hours after; then once more.
	client, _ := refuse()
	c.servedIn(t, client, other)
	c.clock.advance(time.Hour)
	d := c.decisionFor(t, client, brokenSkin)
	c.clock.advance(3 * time.Hour)
	s := c.servedIn(t, client, other).Name
	first := c.decisionsOf(t, client)
	elsewhere = append(elsewhere, case_{first[0], "", 0}, case_{d, s, 180})
	c.clock.advance(time.Hour)
	c.servedIn(t, client, other)
	// After 30 hours.
	client, d = refuse()
	c.clock.advance(30 * time.Hour)
	within48 = append(within48, case_{d, c.servedIn(t, client, other).Name, 1800})
	// In the same salon.
	client, d = refuse()
	c.clock.advance(time.Hour)
	anywhere = append(anywhere, case_{d, c.servedIn(t, client, c.salon).Name, 60})
	// Somebody else was served.
	refuse()
	c.servedIn(t, c.client(t), other)

	look := func(req *pb.ListFollowedRefusalsRequest) (found []*pb.FollowedRefusal, looked int64) {
		req.Parent = c.name
		for {
			page := must(t, c.vesna, c.audit.ListFollowedRefusals, req)
			found, looked = append(found, page.FollowedRefusals...), looked+page.LookedAt
			if req.PageToken = page.NextPageToken; req.PageToken == "" {
				return found, looked
			}
		}
	}
	check := func(what string, found []*pb.FollowedRefusal, want []case_) {
		t.Helper()
		slices.SortFunc(want, func(a, b case_) int { return a.refused.CreateTime.AsTime().Compare(b.refused.CreateTime.AsTime()) })
		if len(found) != len(want) {
			t.Errorf("%s: %d refusals were followed, want %d: %v", what, len(found), len(want), found)
			return
		}
		for i, f := range found {
			if f.Entry.Decision != want[i].refused.Name || want[i].session != "" && f.Session != want[i].session || f.AfterMinutes != want[i].minutes || f.Practitioner != c.amara.name {
				t.Errorf("%s: %v is not the refusal %s with %s after %d minutes", what, f, want[i].refused.Name, want[i].session, want[i].minutes)
			}
		}
	}
	found, looked := look(&pb.ListFollowedRefusalsRequest{})
	check("elsewhere within a day", found, elsewhere)
	if looked != 5 {
		t.Errorf("%d refusals were looked at, not 5", looked)
	}
	found, _ = look(&pb.ListFollowedRefusalsRequest{WithinHours: proto.Int32(48), PageSize: 1})
	check("elsewhere within two days", found, append(slices.Clone(elsewhere), within48...))
	found, _ = look(&pb.ListFollowedRefusalsRequest{SameSalon: true})
	check("anywhere within a day", found, append(slices.Clone(elsewhere), anywhere...))
	found, _ = look(&pb.ListFollowedRefusalsRequest{StartTime: within48[0].refused.CreateTime, WithinHours: proto.Int32(48)})
	check("since the second", found, within48)

	// Entered a second time in the other salon, and linked later.
	client, d = refuse()
	c.clock.advance(2 * time.Hour)
	double := c.client(t)
	second := c.servedIn(t, double, other).Name
	found, _ = look(&pb.ListFollowedRefusalsRequest{})
	check("entered twice", found, elsewhere)
	must(t, c.odile, c.consultation.LinkClients, &pb.LinkClientsRequest{Name: client, Client: double, RequestId: newID()})
	found, _ = look(&pb.ListFollowedRefusalsRequest{})
	check("entered twice and linked", found, append(slices.Clone(elsewhere), case_{d, second, 120}))

	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: parent(elsewhere[0].refused.Name), RequestId: newID()})
	erased := must(t, c.vesna, c.audit.ListFollowedRefusals, &pb.ListFollowedRefusalsRequest{Parent: c.name})
	if len(erased.FollowedRefusals) != 1 || erased.Unreadable != 2 {
		t.Errorf("of an erased client: %v", erased)
	}
}

// decisionsOf returns the decisions of a client, oldest first.
func (c *chain) decisionsOf(t testing.TB, client string) []*pb.Decision {
	t.Helper()
	all := must(t, c.odile, c.eligibility.ListDecisions, &pb.ListDecisionsRequest{Parent: client}).Decisions
	slices.Reverse(all)
	return all
}

// TestTimesFromDiscomfortToWater: median, 90th percentile and the slowest cases are those
// of the times at which facts were reported.
func TestTimesFromDiscomfortToWater(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	start := c.clock.timestamp()
	water := []time.Duration{20 * time.Second, 95 * time.Second, 45 * time.Second, 50 * time.Second, 10 * time.Second, -1}
	for _, after := range water {
		session := c.session(t)
		facts := until(session, 4, c.service(session))
		facts = append(facts, eventAt(session, 5*time.Minute, comfort(itBurns)))
		if after >= 0 {
			facts = append(facts, eventAt(session, 5*time.Minute+after, &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}}))
		}
		c.clock.advance(10 * time.Minute)
		c.report(t, session, facts...)
	}
	// Felt before any product came on, and without product: no water was due.
	idle := c.session(t)
	c.clock.advance(10 * time.Minute)
	c.report(t, idle, eventAt(idle, time.Minute, comfort(pb.Comfort_COMFORT_TINGLING)), eventAt(idle, 2*time.Minute, comfort(pb.Comfort_COMFORT_COMFORTABLE)))

	got := must(t, c.vesna, c.audit.SummarizeDiscomfort, &pb.SummarizeDiscomfortRequest{Parent: c.name, Dimension: pb.SummaryDimension_SUMMARY_DIMENSION_SALON})
	want := &pb.DiscomfortTimes{Count: 6, WithoutWater: 1, Late: 2,
		MedianSeconds: proto.Float64(45), P90Seconds: proto.Float64(95), LongestSeconds: proto.Float64(95)}
	if !proto.Equal(got.All, want) {
		t.Errorf("times are %v\nwant %v", got.All, want)
	}
	want.Key = c.salon
	if len(got.Rows) != 1 || !proto.Equal(got.Rows[0], want) {
		t.Errorf("by salon: %v", got.Rows)
	}
	order := []time.Duration{-1, 95 * time.Second, 50 * time.Second, 45 * time.Second, 20 * time.Second, 10 * time.Second}
	for i, k := range got.Cases {
		seconds := math.Inf(1)
		if k.Seconds != nil {
			seconds = *k.Seconds
		}
		if (order[i] < 0) != math.IsInf(seconds, 1) || order[i] >= 0 && seconds != order[i].Seconds() || k.Late != (order[i] < 0 || order[i] > time.Minute) || k.Salon != c.salon || k.Practitioner != c.amara.name {
			t.Errorf("case %d is %v, want %s", i, k, order[i])
		}
	}
	none := must(t, c.vesna, c.audit.SummarizeDiscomfort, &pb.SummarizeDiscomfortRequest{Parent: c.name, EndTime: start})
	if none.All.Count != 0 || none.All.MedianSeconds != nil || len(none.Rows) != 0 {
		t.Errorf("before the first: %v", none)
	}
	part := must(t, c.vesna, c.audit.SummarizeDiscomfort, &pb.SummarizeDiscomfortRequest{Parent: c.name, StartTime: got.Cases[1].ReportTime})
	if part.All.Count != 5 {
		t.Errorf("from the second report on there are %d, not 5", part.All.Count)
	}
	_, err := c.audit.SummarizeDiscomfort(c.vesna.calling(t), &pb.SummarizeDiscomfortRequest{Parent: c.name, Dimension: pb.SummaryDimension_SUMMARY_DIMENSION_REASON})
	wantError(t, "by reason", err, codes.InvalidArgument, "INVALID_FIELD")
}

// TestReportIsOneRead: all that a report is made of comes by one call, which is one entry
// on the log, and equals what the single calls give.
func TestReportIsOneRead(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	c.causes(t)
	for range 8 {
		c.decisionFor(t, c.client(t), brokenSkin)
	}
	c.counted(t, &pb.SummarizeEntriesRequest{Parent: c.name})
	s.waitLogged(t)
	head := must(t, c.odile, c.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: c.name})
	stream, err := c.audit.ExportReport(c.vesna.calling(t), &pb.ExportReportRequest{Parent: c.name})
	if err != nil {
		t.Fatal(err)
	}
	var parts []*pb.ExportReportResponse
	for {
		part, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		parts = append(parts, part)
	}
	if reads := c.entries(t, `kind = "AUDITOR_READ"`); len(reads) != 1 || reads[0].Method != "AuditService/ExportReport" {
		t.Errorf("one report made %d entries about itself: %v", len(reads), reads)
	}
	counts, wantDecisions := map[string]int64{}, map[string]bool{}
	for i, part := range parts {
		counts[fmt.Sprintf("%T", part.Part)]++
		switch p := part.Part.(type) {
		case *pb.ExportReportResponse_Checkpoint:
			if i != 0 || p.Checkpoint.TreeSize < head.TreeSize {
				t.Errorf("part %d is %v", i, p.Checkpoint)
			}
		case *pb.ExportReportResponse_Entry:
			if slices.Contains([]pb.EntryKind{pb.EntryKind_ENTRY_KIND_REFUSAL, pb.EntryKind_ENTRY_KIND_REFERRAL, pb.EntryKind_ENTRY_KIND_OVERRIDE, pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED}, p.Entry.Entry.Kind) {
				wantDecisions[p.Entry.Entry.Decision] = true
			}
		case *pb.ExportReportResponse_Decision:
			if stored := must(t, c.odile, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: p.Decision.Name}).Decision; !proto.Equal(stored, p.Decision) {
				t.Errorf("a decision is\n%v\nGetDecision gives\n%v", p.Decision, stored)
			}
		case *pb.ExportReportResponse_Complete:
			if i != len(parts)-1 || p.Complete.Entries != counts["*alkalogv1.ExportReportResponse_Entry"] || p.Complete.Decisions != counts["*alkalogv1.ExportReportResponse_Decision"] {
				t.Errorf("part %d of %d: %v of %v", i, len(parts), p.Complete, counts)
			}
		}
	}
	if n := counts["*alkalogv1.ExportReportResponse_Entry"]; n != parts[0].GetCheckpoint().TreeSize {
		t.Errorf("%d entries of a checkpoint of %d", n, parts[0].GetCheckpoint().TreeSize)
	}
	if n := counts["*alkalogv1.ExportReportResponse_Decision"]; n != int64(len(wantDecisions)) || n < 8 {
		t.Errorf("%d decisions, want %d", n, len(wantDecisions))
	}
	if counts["*alkalogv1.ExportReportResponse_Complete"] != 1 || counts["*alkalogv1.ExportReportResponse_Discomfort"] != 1 || counts["*alkalogv1.ExportReportResponse_Followed"] != 1 {
		t.Errorf("the parts are %v", counts)
	}
}
