package report

import (
	"bytes"
	"flag"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const (
	ebb        = "chains/ebb-and-flow"
	clientName = ebb + "/clients/5c6f"
)

// at is a time on the invented day.
func at(minutes int) time.Time {
	return time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC).Add(time.Duration(minutes) * time.Minute)
}

// facts is a small report: a refusal with a granted and a denied override, a
// referral whose client was erased, and a deviation.
func facts(t testing.TB) *Data {
	t.Helper()
	refused, erased := clientName+"/decisions/d1", ebb+"/clients/77aa/decisions/d2"
	salt := []byte("0123456789abcdef")
	entry := func(kind pb.EntryKind, minute int, actor string, role pb.Role, change func(*pb.AuditEntry)) *pb.AuditEntry {
		e := &pb.AuditEntry{Kind: kind, Format: 1, Salon: ebb + "/salons/north-quay", Actor: ebb + "/practitioners/" + actor, Role: role,
			Client: clientName, Decision: refused, Product: ebb + "/products/ebb-regular", Rules: []*pb.RuleRef{{RuleId: "zone.lightened", Version: 1}},
			OccurTime: timestamppb.New(at(minute)), RecordTime: timestamppb.New(at(minute))}
		change(e)
		return e
	}
	read := func(minute int, method string) *pb.AuditEntry {
		return &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_AUDITOR_READ, Actor: ebb + "/auditors/vesna", Role: pb.Role_ROLE_AUDITOR, Method: method,
			OccurTime: timestamppb.New(at(minute)), RecordTime: timestamppb.New(at(minute))}
	}
	all := []*pb.AuditEntry{
		entry(pb.EntryKind_ENTRY_KIND_REFUSAL, 0, "joss", pb.Role_ROLE_PRACTITIONER, func(e *pb.AuditEntry) {
			e.Summary = "Mid strand: lightened. Hydroxide on lightened hair is refused."
		}),
		entry(pb.EntryKind_ENTRY_KIND_OVERRIDE_DENIED, 3, "teo", pb.Role_ROLE_STUDENT, func(e *pb.AuditEntry) {
			e.Summary, e.ReasonCode = "override of finding zone.lightened denied: not one of the roles that may", "OVERRIDE_DENIAL_ROLE"
			e.CommentCommitment = ledger.Commit(salt, "it looks fine")
		}),
		entry(pb.EntryKind_ENTRY_KIND_OVERRIDE, 5, "imara", pb.Role_ROLE_SUPERVISOR, func(e *pb.AuditEntry) {
			e.Summary, e.ReasonCode = "finding zone.lightened overridden", "STRAND_TEST_SOUND"
			e.CommentCommitment = ledger.Commit(salt, "tested twice")
		}),
		entry(pb.EntryKind_ENTRY_KIND_REFERRAL, 20, "amara", pb.Role_ROLE_PRACTITIONER, func(e *pb.AuditEntry) {
			e.Summary = "The client takes medication that may bear on skin or hair. Ask for a doctor's word first."
			e.Client, e.Decision, e.Rules = ebb+"/clients/77aa", erased, []*pb.RuleRef{{RuleId: "medical.medication", Version: 1}}
		}),
		entry(pb.EntryKind_ENTRY_KIND_DEVIATION, 60, "amara", pb.Role_ROLE_PRACTITIONER, func(e *pb.AuditEntry) {
			e.Summary, e.ReasonCode = "water came on crown 1.9 minutes later than advised", "DEVIATION_KIND_RINSED_LATE"
			e.RecordTime, e.Name = timestamppb.New(at(61)), ebb+"/entries/late"
		}),
		entry(pb.EntryKind_ENTRY_KIND_INCIDENT, 62, "amara", pb.Role_ROLE_PRACTITIONER, func(e *pb.AuditEntry) { e.Summary = "an incident was recorded" }),
		entry(pb.EntryKind_ENTRY_KIND_FOLLOW_UP_OVERDUE, 63, "server", 0, func(e *pb.AuditEntry) { e.Summary = "follow-up 1 of an incident is overdue" }),
		entry(pb.EntryKind_ENTRY_KIND_WITHDRAWN, 64, "amara", pb.Role_ROLE_PRACTITIONER, func(e *pb.AuditEntry) {
			e.Summary, e.ReasonCode, e.Withdraws = "a deviation is withdrawn", "DEVIATION_KIND_RINSED_LATE", ebb+"/entries/late"
		}),
		entry(pb.EntryKind_ENTRY_KIND_PRODUCT_CHANGED, 65, "odile", pb.Role_ROLE_MANAGER, func(e *pb.AuditEntry) {
			e.Summary, e.ChangedFields = "product changed", []string{"directions.maximum_minutes"}
		}),
		entry(pb.EntryKind_ENTRY_KIND_COVERAGE, 66, "server", 0, func(e *pb.AuditEntry) { e.Summary, e.CoveredRecords = "records covered", 9 }),
		entry(pb.EntryKind_ENTRY_KIND_COVERAGE, 67, "server", 0, func(e *pb.AuditEntry) { e.Summary, e.CoveredRecords = "records covered", 3 }),
		read(70, "AuditService/ExportEntries"), read(71, "EligibilityService/GetDecision"), read(72, "EligibilityService/GetDecision"),
	}
	f := &Data{Chain: ebb, Period: Period{at(0).Truncate(24 * time.Hour), at(0).Truncate(24*time.Hour).AddDate(0, 0, 7)}, CreateTime: at(600),
		Figures: figures(), Decisions: map[string]*pb.Decision{refused: decision(refused, salt)}}
	for i, e := range all {
		f.Entries = append(f.Entries, Entry{e, int64(40 + i), ledger.LeafHash([]byte(e.Summary))})
	}
	f.Checkpoint = sealed(t, 54)
	f.Followed = []*pb.FollowedRefusal{{Entry: all[0], Session: clientName + "/sessions/s1", Salon: ebb + "/salons/mill-lane",
		Practitioner: ebb + "/practitioners/teo", StartTime: timestamppb.New(at(200)), AfterMinutes: 200, Overridden: true}}
	quarter := &pb.DiscomfortTimes{Key: ebb + "/salons/north-quay", Count: 4, WithoutWater: 1, Late: 2, MedianSeconds: new(40.0), P90Seconds: new(95.0), LongestSeconds: new(95.0)}
	f.Discomfort = &pb.SummarizeDiscomfortResponse{Rows: []*pb.DiscomfortTimes{quarter}, All: &pb.DiscomfortTimes{Count: 4, WithoutWater: 1, Late: 2,
		MedianSeconds: new(40.0), P90Seconds: new(95.0), LongestSeconds: new(95.0)}}
	return f
}

// decision is the decision that was refused and overridden.
func decision(name string, salt []byte) *pb.Decision {
	terms := &pb.OverrideTerms{Allowed: true, Roles: []pb.Role{pb.Role_ROLE_SUPERVISOR},
		Reasons: []*pb.OverrideReason{{Code: "STRAND_TEST_SOUND", Description: "the strand test was sound"}}}
	try := func(role pb.Role, words string, denial pb.OverrideDenial) *pb.Override {
		return &pb.Override{RuleId: "zone.lightened", Role: role, ReasonCode: "STRAND_TEST_SOUND", Comment: words, CommentSalt: salt, Denial: denial}
	}
	return &pb.Decision{Name: name, Verdict: pb.Verdict_VERDICT_REFUSE,
		Findings: []*pb.Finding{
			{RuleId: "zone.lightened", RuleVersion: 1, Layer: pb.Layer_LAYER_BUILT_IN, Severity: pb.Severity_SEVERITY_REFUSE, Subject: "zone:mid-strand",
				Message: "Mid strand: lightened. Hydroxide on lightened hair is refused.", OverrideTerms: terms,
				Basis:   &pb.Basis{Kind: pb.BasisKind_BASIS_KIND_COMMON_PRACTICE, Source: "common practice"},
				Answers: []*pb.SeenAnswer{{Field: "consultation.hair.zones[mid-strand].lightened", Value: "60 days ago"}, {Field: "consultation.strand_test.result"}}},
			{RuleId: "care.base", RuleVersion: 1, Severity: pb.Severity_SEVERITY_CONDITION, Message: "Base the scalp."},
		},
		Overrides: []*pb.Override{
			try(pb.Role_ROLE_STUDENT, "it looks fine", pb.OverrideDenial_OVERRIDE_DENIAL_ROLE),
			try(pb.Role_ROLE_SUPERVISOR, "tested twice", pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED),
		}}
}

// figures are invented; the intervals are Wilson's for these counts.
func figures() map[pb.SummaryDimension]*pb.SummarizeEntriesResponse {
	row := func(kind pb.EntryKind, key string, count int64, rate *pb.Proportion) *pb.SummaryRow {
		return &pb.SummaryRow{Kind: kind, Key: key, Count: count, Rate: rate}
	}
	const refusal, referral, override, deviation = pb.EntryKind_ENTRY_KIND_REFUSAL, pb.EntryKind_ENTRY_KIND_REFERRAL, pb.EntryKind_ENTRY_KIND_OVERRIDE, pb.EntryKind_ENTRY_KIND_DEVIATION
	one := &pb.Proportion{Count: 1, Of: 24, Low: 0.0074, High: 0.2024}
	response := func(rows ...*pb.SummaryRow) *pb.SummarizeEntriesResponse {
		return &pb.SummarizeEntriesResponse{Rows: rows, Total: 5, Decisions: 24}
	}
	kinds := response(row(refusal, "REFUSAL", 1, one), row(referral, "REFERRAL", 1, one), row(override, "OVERRIDE", 1, one), row(deviation, "DEVIATION", 1, nil))
	kinds.Overrides = &pb.OverrideFigures{RefusalsOverridden: &pb.Proportion{Count: 1, Of: 2, Low: 0.0945, High: 0.9055}, FollowedByDeviation: &pb.Proportion{}}
	kinds.Practitioners = []*pb.PractitionerFigures{
		{Practitioner: ebb + "/practitioners/joss", OutOfLine: true, Overrides: &pb.Proportion{Count: 11, Of: 14, Low: 0.5241, High: 0.9243}, Others: &pb.Proportion{Count: 2, Of: 40, Low: 0.0138, High: 0.165}},
		{Practitioner: ebb + "/practitioners/amara", Overrides: &pb.Proportion{Count: 0, Of: 3, High: 0.5615}, Others: &pb.Proportion{Count: 13, Of: 51, Low: 0.1555, High: 0.3886}},
	}
	return map[pb.SummaryDimension]*pb.SummarizeEntriesResponse{
		pb.SummaryDimension_SUMMARY_DIMENSION_KIND:   kinds,
		pb.SummaryDimension_SUMMARY_DIMENSION_WEEK:   response(row(refusal, "2026-W45", 1, one), row(deviation, "2026-W45", 2, nil), row(refusal, "2026-W47", 4, nil)),
		pb.SummaryDimension_SUMMARY_DIMENSION_SALON:  response(row(refusal, ebb+"/salons/north-quay", 4, one), row(deviation, ebb+"/salons/mill-lane", 1, nil)),
		pb.SummaryDimension_SUMMARY_DIMENSION_ACTOR:  response(row(refusal, ebb+"/practitioners/joss", 1, one)),
		pb.SummaryDimension_SUMMARY_DIMENSION_RULE:   response(row(refusal, "zone.lightened", 1, one)),
		pb.SummaryDimension_SUMMARY_DIMENSION_REASON: response(row(override, "STRAND_TEST_SOUND", 1, one)),
	}
}

// sealed is a checkpoint that is signed with a key made from a fixed seed.
func sealed(t testing.TB, size int64) *pb.GetCheckpointResponse {
	t.Helper()
	key, err := ledger.NewPrivateKey("example.org/alkalog/ebb-and-flow", bytes.Repeat([]byte{7}, 32))
	if err != nil {
		t.Fatal(err)
	}
	text, err := ledger.Checkpoint{Origin: key.Name(), Head: ledger.Head{Size: size, Root: ledger.LeafHash([]byte("root"))}}.Sign([]ledger.PrivateKey{key})
	if err != nil {
		t.Fatal(err)
	}
	return &pb.GetCheckpointResponse{Checkpoint: string(text), Keys: []string{key.Public().String()}, TreeSize: size}
}

// page returns the report as text.
func page(t testing.TB, f *Data) string {
	t.Helper()
	var out strings.Builder
	if err := Write(&out, f); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func TestPage(t *testing.T) {
	got := page(t, facts(t))
	golden := filepath.Join("testdata", "report.html")
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the page differs from testdata/report.html; if that is intended, run with -update and look at it in a browser")
	}
}

// TestPageContent checks that the page contains what an auditor looks for.
func TestPageContent(t *testing.T) {
	text := page(t, facts(t))
	for _, part := range []string{
		"zone.lightened, version 1", "common practice", "consultation.hair.zones[mid-strand].lightened: 60 days ago", "consultation.strand_test.result: not answered",
		"the strand test was sound (STRAND_TEST_SOUND)", "denied (role); reason given: the strand test was sound", "it matches the commitment", "by supervisor",
		"can no longer be read: its client was erased", "A difference is not an accusation", "yes, look", "it is signed by a key below", "only conditions are not shown: 1.",
		"alkalog audit verify copy --against kept", "What the log cannot prove", "The manufacturer&#39;s directions come first", `href="#entry-40"`, "2026-W46",
		"All 14 entries are listed below: 2 refusals and referrals, 2 overrides, 5 others, 3 reads by auditors, and 2 that cover records", "The figures count 4. The two totals differ because",
		"(rinsed late)", ">strand test sound<", "follow-up overdue", "deviation withdrawn", "product created or changed", "changed: directions: maximum minutes",
		`<a href="#entry-44">withdraws entry 44</a>`, "2 more entries, from index 49 to 50, cover 12 stored records",
		`<td>EligibilityService/GetDecision</td><td class="n">2</td><td>3 Nov 2026 10:11:00 UTC</td><td>3 Nov 2026 10:12:00 UTC</td>`,
	} {
		if !strings.Contains(text, part) && !strings.Contains(text, strings.ReplaceAll(part, "&#39;", "'")) {
			t.Errorf("the page does not contain %q", part)
		}
	}
	if strings.Contains(text, "tested twice") || strings.Contains(text, "it looks fine") {
		t.Error("the page shows the comment of an override")
	}
}

// TestPageIsSelfContained checks that the page loads nothing, runs nothing and has
// no links to other places, so that it can be kept and opened anywhere.
func TestPageIsSelfContained(t *testing.T) {
	f := facts(t)
	f.Decisions[clientName+"/decisions/d1"].Findings[0].Basis.Source = "https://example.org/source"
	text := page(t, f)
	for _, bad := range []string{"<script", "<link", "<img", "<iframe", "<object", "<embed", "<base", "<form", " src=", "srcset", "url(", "@import", "javascript:", " on", "http-equiv=\"refresh"} {
		for i, line := range strings.Split(text, "\n") {
			if strings.Contains(strings.ToLower(line), bad) && (bad != " on" || regexp.MustCompile(`<[^>]* on[a-z]+=`).MatchString(line)) {
				t.Errorf("line %d has %q: %s", i+1, bad, line)
			}
		}
	}
	for _, ref := range regexp.MustCompile(`href="?([^" >]*)`).FindAllStringSubmatch(text, -1) {
		if !strings.HasPrefix(ref[1], "#") {
			t.Errorf("the page leads to %s", ref[1])
		}
		if !strings.Contains(text, `id="`+strings.TrimPrefix(ref[1], "#")+`"`) {
			t.Errorf("%s is nowhere on the page", ref[1])
		}
	}
}

// TestHostileText checks that texts of records are shown as text, and that
// characters that change the direction of text are spelled out.
func TestHostileText(t *testing.T) {
	const hostile = "</p><script>alert('x')</script>\"' onload=x \u202egnp.exe\u202c \x1b[31m \u2066"
	f := facts(t)
	for _, e := range f.Entries {
		e.Summary, e.ReasonCode, e.Salon, e.Actor, e.Query, e.Method, e.Client, e.Product = hostile, hostile, hostile, hostile, hostile, hostile, hostile, hostile
		e.Rules = []*pb.RuleRef{{RuleId: hostile}}
	}
	for _, d := range f.Decisions {
		for _, finding := range d.Findings {
			finding.Message, finding.RuleId, finding.Subject, finding.Basis = hostile, hostile, hostile, &pb.Basis{Source: hostile}
			finding.Answers = []*pb.SeenAnswer{{Field: hostile, Value: hostile}}
		}
		for _, o := range d.Overrides {
			o.ReasonCode = hostile
		}
	}
	for _, s := range f.Figures {
		for _, r := range s.Rows {
			r.Key = hostile
		}
		for _, p := range s.Practitioners {
			p.Practitioner = hostile
		}
	}
	f.Chain, f.Checkpoint.Checkpoint, f.Checkpoint.Keys = hostile, hostile, []string{hostile}
	text := page(t, f)
	for _, bad := range []string{"<script", "alert('x')", "\u202e", "\u202c", "\u2066", "\x1b"} {
		if strings.Contains(text, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	if tags := regexp.MustCompile(`"[^"]*"`).ReplaceAllString(text, `""`); regexp.MustCompile(`<[^>]* onload=`).MatchString(tags) {
		t.Error("text of a record is part of a tag")
	}
	if !strings.Contains(text, "[U+202E]gnp.exe") || !strings.Contains(text, "does NOT match the keys") {
		t.Error("the page does not show the problem")
	}
}

// TestQuietPeriod checks the page of a period without entries.
func TestQuietPeriod(t *testing.T) {
	text := page(t, &Data{Chain: ebb, CreateTime: at(0), Checkpoint: sealed(t, 0)})
	for _, part := range []string{"the beginning", "the end of the log", "None in the period.", "There are no figures for the period."} {
		if !strings.Contains(text, part) {
			t.Errorf("the page does not contain %q", part)
		}
	}
	if strings.Contains(text, "NaN") || strings.Contains(text, "<svg class=\"columns\"") {
		t.Error("a chart without data is drawn")
	}
}

// TestCommentThatDoesNotMatch checks that a comment that was replaced in the record
// is reported.
func TestCommentThatDoesNotMatch(t *testing.T) {
	f := facts(t)
	f.Decisions[clientName+"/decisions/d1"].Overrides[1].Comment = "as somebody would have it"
	if text := page(t, f); !strings.Contains(text, "NOT in the record") {
		t.Error("the page does not report the replaced comment")
	}
}

// TestSameLastSegment checks that rows whose names end alike are shown with longer
// names.
func TestSameLastSegment(t *testing.T) {
	row := func(who string, n int64) *pb.SummaryRow {
		return &pb.SummaryRow{Kind: pb.EntryKind_ENTRY_KIND_OVERRIDE, Key: who, Count: n}
	}
	g := newGroup("By who acted", "Who", &pb.SummarizeEntriesResponse{Rows: []*pb.SummaryRow{
		row("chains/ebb/practitioners/ada", 1), row("chains/ebb/auditors/ada", 2), row("operators/ada", 3), row("chains/ebb/practitioners/noor", 4)}})
	var keys []string
	for _, r := range g.Rows {
		keys = append(keys, r.Key)
	}
	if want := []string{"noor", "operators/ada", "auditors/ada", "practitioners/ada"}; !slices.Equal(keys, want) {
		t.Errorf("keys are %v, want %v", keys, want)
	}
}

func TestFollowingWeek(t *testing.T) {
	for week, want := range map[string]string{
		"2026-W45": "2026-W46", "2026-W53": "2027-W01", "2025-W52": "2026-W01", "2020-W52": "2020-W53", "week": "",
	} {
		if got := nextWeek(week); got != want {
			t.Errorf("the week after %s is %q, want %q", week, got, want)
		}
	}
}

// TestContrast checks the contrast with the background, in light and dark mode: at
// least 4.5 to 1 for text and 3 to 1 for graphics (W3C, Web Content Accessibility Guidelines 2.2,
// 1.4.3 and 1.4.11; relative luminance and contrast ratio as defined there).
func TestContrast(t *testing.T) {
	schemes := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(pageText, -1)
	if len(schemes) != 2 {
		t.Fatalf("there are %d schemes of colours", len(schemes))
	}
	for i, scheme := range schemes {
		light := map[string]float64{}
		for _, c := range regexp.MustCompile(`--(\w+): #(\w\w)(\w\w)(\w\w);`).FindAllStringSubmatch(scheme[1], -1) {
			light[c[1]] = 0.2126*channel(t, c[2]) + 0.7152*channel(t, c[3]) + 0.0722*channel(t, c[4])
		}
		for _, behind := range []string{"page", "panel"} {
			least := map[string]float64{"ink": 4.5, "soft": 4.5, "link": 4.5}
			for _, c := range classes {
				least[c.Name] = 3
			}
			for name, least := range least {
				if _, found := light[name]; !found {
					t.Errorf("scheme %d has no colour %s", i, name)
				}
				lighter, darker := max(light[name], light[behind]), min(light[name], light[behind])
				if ratio := (lighter + 0.05) / (darker + 0.05); ratio < least {
					t.Errorf("scheme %d: %s on %s has %.2f to 1", i, name, behind, ratio)
				}
			}
		}
	}
}

// TestKindsAreDistinct checks that each kind of entry has a text of its own, and each
// class a letter and a pattern, so that nobody depends on colours.
func TestKindsAreDistinct(t *testing.T) {
	letters, patterns := map[string]string{}, map[string]string{}
	for _, c := range classes {
		if other, taken := letters[c.Letter]; taken || len(c.Letter) != 1 {
			t.Errorf("the letter of %s is %q, as that of %s", c.Title, c.Letter, other)
		}
		pattern := regexp.MustCompile(`(?m)^span\.` + c.Name + ` \{ (.*) \}$`).FindStringSubmatch(pageText)
		if pattern == nil {
			t.Fatalf("%s has no pattern", c.Title)
		}
		if other, taken := patterns[pattern[1]]; taken {
			t.Errorf("the pattern of %s is that of %s", c.Title, other)
		}
		letters[c.Letter], patterns[pattern[1]] = c.Title, c.Title
	}
	said := map[string]pb.EntryKind{}
	for number := range pb.EntryKind_name {
		kind := pb.EntryKind(number)
		text := kindWords(kind)
		if other, taken := said[text]; taken || strings.ContainsAny(text, "_ABCDEFGHIJKLMNOPQRSTUVWXYZ") {
			t.Errorf("the text of %s is %q, the same as of %s or not in words", kind, text, other)
		}
		said[text] = kind
	}
	if got := kindWords(pb.EntryKind_ENTRY_KIND_RECORDS_IMPORTED); got != "records imported from another system" {
		t.Errorf("imported records are %q, which does not say from where", got)
	}
	for kind, want := range map[pb.EntryKind]string{
		pb.EntryKind_ENTRY_KIND_INCIDENT: "incident", pb.EntryKind_ENTRY_KIND_FOLLOW_UP: "follow-up", pb.EntryKind_ENTRY_KIND_FOLLOW_UP_OVERDUE: "follow-up",
		pb.EntryKind_ENTRY_KIND_ANSWER_CHANGED: "correction", pb.EntryKind_ENTRY_KIND_WITHDRAWN: "correction", pb.EntryKind_ENTRY_KIND_VISIT_MOVED: "correction",
		pb.EntryKind_ENTRY_KIND_PRODUCT_CHANGED: "set-up", pb.EntryKind_ENTRY_KIND_POLICY_ACTIVATED: "set-up", pb.EntryKind_ENTRY_KIND_LOT_RECALLED: "set-up",
		pb.EntryKind_ENTRY_KIND_RECORDS_IMPORTED: "set-up",
		pb.EntryKind_ENTRY_KIND_COVERAGE:         "other", pb.EntryKind(999): "other",
	} {
		if got := classOf(kind).Title; got != want {
			t.Errorf("%s is of class %q, want %q", kind, got, want)
		}
	}
}

// TestCodesInWords checks that codes are formatted in words and other texts are
// unchanged.
func TestCodesInWords(t *testing.T) {
	for code, want := range map[string]string{
		"DEVIATION_KIND_RINSED_LATE": "rinsed late", "ALARM_KIND_FLUSH": "flush", "OVERRIDE_DENIAL_ROLE": "role", "STRAND_TEST_SOUND": "strand test sound",
		"R-2611": "R-2611", "LOT7": "LOT7", "": "",
	} {
		if got := codeWords(code); got != want {
			t.Errorf("%q in words is %q, want %q", code, got, want)
		}
	}
}

// channel returns the linear value of a colour's channel.
func channel(t *testing.T, hex string) float64 {
	n, err := strconv.ParseUint(hex, 16, 8)
	if err != nil {
		t.Fatal(err)
	}
	if c := float64(n) / 255; c > 0.04045 {
		return math.Pow((c+0.055)/1.055, 2.4)
	} else {
		return c / 12.92
	}
}
