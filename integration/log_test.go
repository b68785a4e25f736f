package integration

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// The promise: an auditor can search the log, count it, and copy it, and misses
// nothing while others write.

// TestFiltersFindWhatTheySay compares every kind of filter with a plain reading
// of the whole log.
func TestFiltersFindWhatTheySay(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	c.causes(t)
	// The session is left with an unheeded call to rinse, which the server enters
	// by itself; what is compared must stand still.
	eventually(t, "the call to rinse to be entered", func() bool { return len(c.entries(t, `kind = "ALARM"`)) > 0 })
	s.waitLogged(t)
	all := c.entries(t, "")
	refusal, middle := all[slices.IndexFunc(all, func(e *pb.AuditEntry) bool { return !changesOnly(e) })], all[len(all)/2].RecordTime.AsTime()
	rule := refusal.Rules[0].RuleId
	session := all[slices.IndexFunc(all, func(e *pb.AuditEntry) bool { return e.Session != "" })].Session
	instant := middle.Format(time.RFC3339Nano)
	has := func(e *pb.AuditEntry, id string) bool {
		return slices.ContainsFunc(e.Rules, func(r *pb.RuleRef) bool { return r.RuleId == id })
	}
	acted := func(who string) func(*pb.AuditEntry) bool {
		return func(e *pb.AuditEntry) bool { return e.Actor == who || e.OnBehalfOf == who }
	}
	not := func(holds func(*pb.AuditEntry) bool) func(*pb.AuditEntry) bool {
		return func(e *pb.AuditEntry) bool { return !holds(e) }
	}
	kind := func(kinds ...pb.EntryKind) func(*pb.AuditEntry) bool {
		return func(e *pb.AuditEntry) bool { return slices.Contains(kinds, e.Kind) }
	}
	version := func(id string, n int32) func(*pb.AuditEntry) bool {
		return func(e *pb.AuditEntry) bool {
			return slices.ContainsFunc(e.Rules, func(r *pb.RuleRef) bool { return r.RuleId == id && r.Version == n })
		}
	}
	under := func(policy string) func(*pb.AuditEntry) bool {
		return func(e *pb.AuditEntry) bool {
			return policy == "" && e.HousePolicy+e.PolicyDigest == "" || policy != "" && (e.HousePolicy == policy || e.PolicyDigest == policy)
		}
	}
	const refused, recalled = pb.EntryKind_ENTRY_KIND_REFUSAL, pb.EntryKind_ENTRY_KIND_LOT_RECALLED
	for filter, holds := range map[string]func(*pb.AuditEntry) bool{
		``:                            func(*pb.AuditEntry) bool { return true },
		`  `:                          func(*pb.AuditEntry) bool { return true },
		`kind = "REFUSAL"`:            kind(refused),
		`kind = "ENTRY_KIND_REFUSAL"`: kind(refused),
		`kind != "REFUSAL"`:           func(e *pb.AuditEntry) bool { return e.Kind != refused },
		`NOT kind = "REFUSAL"`:        func(e *pb.AuditEntry) bool { return e.Kind != refused },
		`-kind = "REFUSAL"`:           func(e *pb.AuditEntry) bool { return e.Kind != refused },
		`kind = "REFUSAL" OR kind = "LOT_RECALLED"`:                                      kind(refused, recalled),
		`kind = "REFUSAL" AND kind = "LOT_RECALLED"`:                                     func(*pb.AuditEntry) bool { return false },
		`(kind = "REFUSAL" OR kind = "LOT_RECALLED") AND actor = "` + c.imara.name + `"`: kind(recalled),
		`rule = "` + rule + `"`:                                                          func(e *pb.AuditEntry) bool { return has(e, rule) },
		`rule != "` + rule + `"`:                                                         func(e *pb.AuditEntry) bool { return !has(e, rule) },
		`NOT rule = "` + rule + `"`:                                                      func(e *pb.AuditEntry) bool { return !has(e, rule) },
		`salon = "` + c.salon + `"`:                                                      func(e *pb.AuditEntry) bool { return e.Salon == c.salon },
		`salon != "` + c.salon + `"`:                                                     func(e *pb.AuditEntry) bool { return e.Salon != c.salon },
		`salon = ""`:                                                                     func(e *pb.AuditEntry) bool { return e.Salon == "" },
		`salon != ""`:                                                                    func(e *pb.AuditEntry) bool { return e.Salon != "" },
		`rule = ""`:                                                                      func(e *pb.AuditEntry) bool { return len(e.Rules) == 0 },
		`rule != ""`:                                                                     func(e *pb.AuditEntry) bool { return len(e.Rules) > 0 },
		`client = "` + refusal.Client + `"`:                                              func(e *pb.AuditEntry) bool { return e.Client == refusal.Client },
		`decision = "` + refusal.Decision + `"`:                                          func(e *pb.AuditEntry) bool { return e.Decision == refusal.Decision },
		`session = "` + session + `"`:                                                    func(e *pb.AuditEntry) bool { return e.Session == session },
		`product = "` + c.relaxer + `"`:                                                  func(e *pb.AuditEntry) bool { return e.Product == c.relaxer },
		`reason = "R-2612"`:                                                              func(e *pb.AuditEntry) bool { return e.ReasonCode == "R-2612" },
		`reason = "RINSED_LATE"`:                                                         func(*pb.AuditEntry) bool { return false },
		`salon = "north-quay" AND actor = "amara"`:                                       func(e *pb.AuditEntry) bool { return e.Salon == c.salon && e.Actor == c.amara.name },
		`reason = "BASE_SKIPPED"`:                                                        func(e *pb.AuditEntry) bool { return e.ReasonCode == "DEVIATION_KIND_BASE_SKIPPED" },
		`rule = "` + rule + `@1"`:                                                        version(rule, 1),
		`rule != "` + rule + `@1"`:                                                       not(version(rule, 1)),
		`rule = "` + rule + `@77"`:                                                       func(*pb.AuditEntry) bool { return false },
		`policy = "` + refusal.PolicyDigest + `"`:                                        under(refusal.PolicyDigest),
		`policy != "` + refusal.PolicyDigest + `" OR kind = "REFUSAL"`:                   func(e *pb.AuditEntry) bool { return !under(refusal.PolicyDigest)(e) || e.Kind == refused },
		`NOT (policy = "` + refusal.PolicyDigest + `" AND kind = "REFUSAL")`:             func(e *pb.AuditEntry) bool { return !under(refusal.PolicyDigest)(e) || e.Kind != refused },
		`policy = "` + refusal.PolicyDigest[:12] + `"`:                                   under(refusal.PolicyDigest),
		`policy = ""`:                                                                    under(""),
		`till_version != ""`:                                                             func(e *pb.AuditEntry) bool { return e.TillVersion != "" },
		`practitioner = "` + c.amara.name + `"`:                                          acted(c.amara.name),
		`practitioner != "` + c.amara.name + `"`:                                         not(acted(c.amara.name)),
		`practitioner = "` + c.amara.name + `" AND actor != "` + c.amara.name + `"`: func(e *pb.AuditEntry) bool { return e.OnBehalfOf == c.amara.name },
		`service_practitioner = "` + c.amara.name + `"`:                             func(e *pb.AuditEntry) bool { return e.Practitioner == c.amara.name },
		`service_practitioner = ""`:                                                 func(e *pb.AuditEntry) bool { return e.Practitioner == "" },
		`lot = "R-2612"`:                                                            func(e *pb.AuditEntry) bool { return e.LotCode == "R-2612" },
		`lot != ""`:                                                                 func(e *pb.AuditEntry) bool { return e.LotCode != "" },
		`subject != ""`:                                                             func(e *pb.AuditEntry) bool { return len(e.Subjects) > 0 },
		`override_reason != "RINSED_ONLY"`:                                          func(e *pb.AuditEntry) bool { return e.OverrideReason != "RINSED_ONLY" },
		`override_reason != ""`:                                                     func(e *pb.AuditEntry) bool { return e.OverrideReason != "" },
		`till = "front desk 1"`:                                                     func(e *pb.AuditEntry) bool { return e.Till == "front desk 1" },
		`till != ""`:                                                                func(e *pb.AuditEntry) bool { return e.Till != "" },
		`NOT (kind = "REFUSAL" AND NOT actor = "` + c.amara.name + `")`: func(e *pb.AuditEntry) bool { return e.Kind != refused || e.Actor == c.amara.name },
		`record_time >= "` + instant + `"`:                              func(e *pb.AuditEntry) bool { return !e.RecordTime.AsTime().Before(middle) },
		`record_time > "` + instant + `"`:                               func(e *pb.AuditEntry) bool { return e.RecordTime.AsTime().After(middle) },
		`record_time < timestamp("` + instant + `")`: func(e *pb.AuditEntry) bool {
			return e.RecordTime.AsTime().Before(middle)
		},
		`occur_time <= "` + instant + `"`: func(e *pb.AuditEntry) bool { return !e.OccurTime.AsTime().After(middle) },
		`occur_time = "` + instant + `"`:  func(e *pb.AuditEntry) bool { return e.OccurTime.AsTime().Equal(middle) },
		`occur_time != "` + instant + `"`: func(e *pb.AuditEntry) bool { return !e.OccurTime.AsTime().Equal(middle) },
	} {
		var want []*pb.AuditEntry
		for _, e := range all {
			if holds(e) {
				want = append(want, e)
			}
		}
		wantEntries(t, filter, c.entries(t, filter), want)
		if n := must(t, c.odile, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: filter}).LeftOut; n != 0 {
			t.Errorf("%s: %d entries are said to have edited columns", filter, n)
		}
		exported := tamperedChain{chain: c}.exported(t, filter)
		for i, e := range exported { // reads by an auditor are entries that came since
			if i < len(want) && !proto.Equal(e, want[i]) || i >= len(want) && e.Kind != pb.EntryKind_ENTRY_KIND_AUDITOR_READ {
				t.Errorf("%s: entry %d of an export is %v", filter, i, e)
			}
		}
		if len(exported) < len(want) {
			t.Errorf("%s: an export has %d entries, want %d", filter, len(exported), len(want))
		}
	}
	for what, filter := range map[string]string{"lot": `lot != ""`, "practitioner": `service_practitioner != ""`, "override reason": `override_reason != ""`} {
		if len(c.entries(t, filter)) == 0 {
			t.Errorf("no entry has a %s, so its filter was not tested", what)
		}
	}
}

// wantEntries compares two lists of entries.
func wantEntries(t *testing.T, what string, got, want []*pb.AuditEntry) {
	t.Helper()
	if !slices.EqualFunc(got, want, func(a, b *pb.AuditEntry) bool { return proto.Equal(a, b) }) {
		t.Errorf("%s: entries\n%v\nwant\n%v", what, namesOf(got), namesOf(want))
	}
}

// namesOf is entries in short.
func namesOf(entries []*pb.AuditEntry) string {
	var lines []string
	for _, e := range entries {
		lines = append(lines, fmt.Sprint(last(e.Name), " ", e.Kind, " ", e.ReasonCode))
	}
	return strings.Join(lines, "\n")
}

// TestFiltersThatMakeNoSense are refused with what would be right.
func TestFiltersThatMakeNoSense(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	for _, filter := range []string{
		`kind`, `"REFUSAL"`, `kind = REFUSAL`, `kind = "REFUSAL" rule = "x"`, `kind = `, `= "REFUSAL"`, `kind = "REFUSAL" AND`, `(kind = "REFUSAL"`, `colour = "pink"`, `kind = "NONSENSE"`,
		`kind > "REFUSAL"`, `kind : "REFUSAL"`, `salon < "a"`, `record_time = "yesterday"`, `record_time : "2026"`, `kind = salon`,
		`"REFUSAL" = kind`, `rule.x = "a"`, `duration("1s")`, `NOT NOT`, `kind = 7`, `record_time > 7`, `kind = "a" = "b"`, `kind = true`,
		strings.Repeat("(", 500), strings.Repeat("NOT ", 200), `kind = "\`, `select 1`, `kind = "REFUSAL"; drop table audit_entries`,
		`timestamp("2026-11-01T00:00:00Z") = record_time`, `record_time = timestamp("x")`, `kind = "UNSPECIFIED_"`,
		`reason = "x' or 1 = 1 --"`, `client = "Ottoline Canary"`, `actor = "chains/ebb-and-flow/practitioners/émile"`, `reason = "	"`, `salon = "a b"`, `till = "a,b"`,
	} {
		_, err := c.audit.ListEntries(c.odile.calling(t), &pb.ListEntriesRequest{Parent: c.name, Filter: filter})
		wantError(t, filter, err, codes.InvalidArgument, "INVALID_FIELD")
		if violationsOf(err)["filter"] == "" {
			t.Errorf("%s: the error does not name the filter: %v", filter, err)
		}
	}
}

// attempts returns a function that attempts an override. One decision takes so
// many attempts and no more, so it takes a new one now and then.
func (c *chain) attempts(t testing.TB) func() {
	var refusal *pb.Decision
	made := 0
	return func() {
		if made%100 == 0 {
			refusal = c.decision(t, brokenSkin)
		}
		made++
		must(t, c.imara, c.eligibility.OverrideDecision, c.override(refusal, refusal.Findings[0]))
	}
}

// busy writes entries from several callers until stop is called.
func (c *chain) busy(t testing.TB) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	var writers sync.WaitGroup
	for range 4 {
		writers.Go(func() {
			attempt := c.attempts(t)
			for ctx.Err() == nil {
				attempt()
			}
		})
	}
	return func() {
		cancel()
		writers.Wait()
	}
}

// TestPagesOfTheLogStandStill: a caller who pages through the log while others write
// sees every earlier entry once and in order.
func TestPagesOfTheLogStandStill(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	c.causes(t)
	before := c.entries(t, "")
	stop := c.busy(t)
	seen := map[string]bool{}
	var order []*pb.AuditEntry
	for token, pages := "", 0; pages < 30; pages++ {
		page := must(t, c.odile, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, PageSize: 3, PageToken: token})
		for _, e := range page.Entries {
			if seen[e.Name] {
				t.Errorf("%s is shown twice", e.Name)
			}
			seen[e.Name] = true
			order = append(order, e)
		}
		if token = page.NextPageToken; token == "" {
			break
		}
	}
	stop()
	wantEntries(t, "the beginning of the log", order[:len(before)], before)
}

// TestCopiesMissNothing copies the log while others write, resuming each time
// with the last token: the copy ends up as the log, bytes and order.
func TestCopiesMissNothing(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	c.causes(t)
	stop := c.busy(t)
	copied := &logCopy{}
	for copied.exports = 0; copied.exports < 40; copied.exports++ {
		copied.take(t, c, 1+copied.exports%7)
	}
	stop()
	s.waitLogged(t)
	copied.take(t, c, 1<<30)
	wantEntries(t, "the copy", copied.entries, c.entries(t, ""))
	stored := bodies(t, s.sql, "select body from audit_entries order by position")
	if !slices.EqualFunc(copied.stored, stored, func(a, b []byte) bool { return string(a) == string(b) }) {
		t.Error("the bytes of the copy are not those that are stored")
	}
}

// logCopy is an auditor's copy of the log.
type logCopy struct {
	entries []*pb.AuditEntry
	stored  [][]byte
	token   string
	exports int
}

// take resumes the export, and hangs up after most entries. They come in the
// order of the log, with none left out.
func (k *logCopy) take(t *testing.T, c *chain, most int) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), waitTimeout)
	defer cancel()
	stream, err := c.audit.ExportEntries(c.odile.identify(ctx), &pb.ExportEntriesRequest{Parent: c.name, ResumeToken: k.token})
	if err != nil {
		t.Fatal(err)
	}
	for range most {
		sent, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		parsed := &pb.AuditEntry{}
		if err := proto.Unmarshal(sent.Stored, parsed); err != nil || !proto.Equal(parsed, sent.Entry) {
			t.Errorf("an entry is not what its bytes say: %v, %v", sent.Entry, parsed)
		}
		if sent.Index != int64(len(k.entries)) {
			t.Errorf("entry %d of the copy has index %d", len(k.entries), sent.Index)
		}
		k.entries, k.stored, k.token = append(k.entries, sent.Entry), append(k.stored, sent.Stored), sent.ResumeToken
	}
}

// TestCopiesAreFilteredToo: an export takes the same filters, and a token of
// one filter is of no use with another.
func TestCopiesAreFilteredToo(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	c.causes(t)
	s.waitLogged(t)
	export := func(filter, token string) (found []*pb.AuditEntry, next string, err error) {
		stream, err := c.audit.ExportEntries(c.odile.calling(t), &pb.ExportEntriesRequest{Parent: c.name, Filter: filter, ResumeToken: token})
		for err == nil {
			var sent *pb.ExportEntriesResponse
			if sent, err = stream.Recv(); err == nil {
				found, next = append(found, sent.Entry), sent.ResumeToken
			}
		}
		return found, next, err
	}
	found, token, err := export(`kind = "REFUSAL"`, "")
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	wantEntries(t, "refusals", found, c.entries(t, `kind = "REFUSAL"`))
	if found, _, err := export(`kind = "REFUSAL"`, token); len(found) != 0 || !errors.Is(err, io.EOF) {
		t.Errorf("resumed at the end: %v, %v", found, err)
	}
	_, _, err = export(`kind = "OVERRIDE"`, token)
	wantError(t, "a token of another filter", err, codes.InvalidArgument, "INVALID_FIELD")
	_, _, err = export(`kind = "REFUSAL"`, "nonsense")
	wantError(t, "a token that is none", err, codes.InvalidArgument, "INVALID_FIELD")
	if violationsOf(err)["resume_token"] == "" {
		t.Errorf("the error does not name resume_token: %v", err)
	}
	_, _, err = export(`nonsense`, "")
	wantError(t, "a filter that is none", err, codes.InvalidArgument, "INVALID_FIELD")
}
