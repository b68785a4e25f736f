package rules

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// said is what one source says of relaxers: not asked, never, unsure, or how many
// days ago.
type said struct {
	answer pb.Answer
	days   int
}

func (s said) String() string {
	if s.answer == pb.Answer_ANSWER_YES {
		return fmt.Sprintf("%d days ago", s.days)
	}
	return s.answer.String()
}

func (s said) event() *pb.PastEvent {
	e := &pb.PastEvent{Happened: s.answer}
	if s.answer == pb.Answer_ANSWER_YES {
		e.LastTime = ago(time.Duration(s.days) * day)
	}
	return e
}

var (
	notAsked = said{}
	neverDid = said{answer: pb.Answer_ANSWER_NO}
	unsure   = said{answer: pb.Answer_ANSWER_UNSURE}
)

func daysAgo(n int) said { return said{pb.Answer_ANSWER_YES, n} }

// sources are the three: the answers for mid-strand and ends, the answer for the
// head, and the record, which can only show that something was done.
type sources struct {
	mid, ends, head, record said
	whole                   bool // the recorded service was on the whole head
}

// put makes the sources the history of a case.
func (of sources) put(in *pb.DecisionInputs) *pb.DecisionInputs {
	in = proto.CloneOf(in)
	c := in.GetConsultation()
	c.History.Relaxer = of.head.event()
	for i, s := range []said{of.mid, of.ends} {
		c.Hair.Zones[i+1].Hydroxide = s.event()
		c.Hair.Zones[i+1].HydroxideKind = pb.HydroxideKind_HYDROXIDE_KIND_SODIUM
	}
	c.Hair.Zones[0].HydroxideKind = pb.HydroxideKind_HYDROXIDE_KIND_SODIUM
	if of.record.answer == pb.Answer_ANSWER_YES {
		in.RecordedWork = []*pb.HistoryFact{recordedWork(pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE, of.record.days)}
		if !of.whole {
			in.RecordedWork[0].Zone = pb.Zone_ZONE_MID_STRAND
		}
	}
	return in
}

func recordedWork(work pb.ChemicalWork, days int) *pb.HistoryFact {
	at := ago(time.Duration(days) * day)
	return &pb.HistoryFact{
		Source: pb.HistorySource_HISTORY_SOURCE_RECORD_CARD, Work: work, Happened: pb.Answer_ANSWER_YES,
		EarliestTime: at, LatestTime: at, Session: fmt.Sprintf("chains/ebb-and-flow/clients/wren/sessions/%d", days),
	}
}

// What went ahead before the three sources were put together, and must not. The
// words beside each case are what happened on the way to the salon.
func TestThreeSourcesOfHistory(t *testing.T) {
	e := newEngine(t)
	for _, c := range []struct {
		name    string
		service pb.ServiceKind
		product pb.ProductKind
		of      sources
		verdict pb.Verdict
		rules   string // among the findings
	}{
		{"record 60 days ago, zones and head never", pb.ServiceKind_SERVICE_KIND_VIRGIN, 1,
			sources{neverDid, neverDid, neverDid, daysAgo(60), true}, pb.Verdict_VERDICT_REFUSE, "zone.already-relaxed history.contradiction"},
		{"head 60 days ago, zones never", pb.ServiceKind_SERVICE_KIND_VIRGIN, 1,
			sources{neverDid, neverDid, daysAgo(60), notAsked, false}, pb.Verdict_VERDICT_REFUSE, "zone.already-relaxed history.contradiction"},
		{"mid-strand 3 days ago, head never", pb.ServiceKind_SERVICE_KIND_CORRECTIVE, 1,
			sources{daysAgo(3), neverDid, neverDid, notAsked, false}, pb.Verdict_VERDICT_REFUSE, "wait.relaxer history.contradiction"},
		{"ends 7 days ago, head 63 days ago", pb.ServiceKind_SERVICE_KIND_RETOUCH, 1,
			sources{daysAgo(63), daysAgo(7), daysAgo(63), notAsked, false}, pb.Verdict_VERDICT_REFUSE, "wait.relaxer history.contradiction"},
		{"record 10 days ago, head 63 days ago", pb.ServiceKind_SERVICE_KIND_RETOUCH, 1,
			sources{daysAgo(63), daysAgo(63), daysAgo(63), daysAgo(10), false}, pb.Verdict_VERDICT_REFUSE, "wait.relaxer zone.already-relaxed history.contradiction"},
		{"head 60 days ago, mid-strand 90 days ago, ends never", pb.ServiceKind_SERVICE_KIND_RETOUCH, 1,
			sources{daysAgo(90), neverDid, daysAgo(60), notAsked, false}, pb.Verdict_VERDICT_ASK, "history.contradiction"},
		{"head 60 days ago, mid-strand never, ends 90 days ago", pb.ServiceKind_SERVICE_KIND_RETOUCH, 1,
			sources{neverDid, daysAgo(90), daysAgo(60), notAsked, false}, pb.Verdict_VERDICT_ASK, "history.contradiction"},
		{"thio over hair that only the head's answer calls relaxed", pb.ServiceKind_SERVICE_KIND_VIRGIN, 2,
			sources{neverDid, neverDid, daysAgo(400), notAsked, false}, pb.Verdict_VERDICT_REFUSE, "zone.hydroxide-under-thio history.contradiction"},
		{"thio over hair that only the record calls relaxed", pb.ServiceKind_SERVICE_KIND_VIRGIN, 2,
			sources{neverDid, neverDid, neverDid, daysAgo(400), true}, pb.Verdict_VERDICT_REFUSE, "zone.hydroxide-under-thio history.contradiction"},
		{"an ordinary retouch, all agree", pb.ServiceKind_SERVICE_KIND_RETOUCH, 1,
			sources{daysAgo(60), daysAgo(64), daysAgo(62), daysAgo(61), false}, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, "zone.protect-relaxed"},
		{"the last record is older than what the client says: another salon", pb.ServiceKind_SERVICE_KIND_RETOUCH, 1,
			sources{daysAgo(60), daysAgo(60), daysAgo(60), daysAgo(200), true}, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, "zone.protect-relaxed"},
		{"never anywhere", pb.ServiceKind_SERVICE_KIND_VIRGIN, 1,
			sources{neverDid, neverDid, neverDid, notAsked, false}, pb.Verdict_VERDICT_PROCEED, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := soundHead()
			in.ServiceKind, in.Consultation.Wishes.ServiceKind = c.service, c.service
			in.Product.Kind = c.product
			in.Consultation.Hair.NewGrowthMm = proto.Float64(18)
			d := mustDecide(t, e, c.of.put(in))
			if d.GetVerdict() != c.verdict {
				t.Errorf("%s, want %s", d.GetVerdict(), c.verdict)
			}
			for _, id := range strings.Fields(c.rules) {
				if !hasRule(d, id) {
					t.Errorf("no finding of %s", id)
				}
			}
			if hasRule(d, "history.contradiction") != strings.Contains(c.rules, "history.contradiction") {
				t.Errorf("contradiction: %v", d.GetFindings())
			}
		})
	}
}

// A contradiction names both facts with their dates, and the decision shows what
// counts.
func TestContradictionNamesBothFacts(t *testing.T) {
	in := sources{neverDid, neverDid, neverDid, daysAgo(60), true}.put(soundHead())
	d := mustDecide(t, newEngine(t), in)
	i := slices.IndexFunc(d.GetFindings(), func(f *pb.Finding) bool { return f.GetRuleId() == "history.contradiction" })
	f := d.GetFindings()[i]
	if want := "Ask the client which is right, and correct the other: the record of this chain shows a relaxer on 2026-01-01, but the answer for the whole head says never a relaxer"; !strings.HasPrefix(f.GetMessage(), want) {
		t.Errorf("%q, want it to begin with %q", f.GetMessage(), want)
	}
	if f.GetSeverity() != pb.Severity_SEVERITY_ASK || f.GetOverrideTerms().GetAllowed() || len(f.GetContradictions()) != 3 {
		t.Fatalf("%s, override %v, %d contradictions, want 3: with the head, mid-strand and ends", f.GetSeverity(), f.GetOverrideTerms(), len(f.GetContradictions()))
	}
	first, second := f.GetContradictions()[1].GetFirst(), f.GetContradictions()[1].GetSecond()
	if !proto.Equal(first, in.GetRecordedWork()[0]) || second.GetZone() != pb.Zone_ZONE_MID_STRAND || second.GetHappened() != pb.Answer_ANSWER_NO {
		t.Errorf("%v and %v", first, second)
	}
	if !slices.ContainsFunc(f.GetAnswers(), func(a *pb.SeenAnswer) bool {
		return a.GetField() == "recorded_work[0]" && a.GetValue() == "2026-01-01 10:00 UTC"
	}) {
		t.Errorf("the record is not among the answers: %v", f.GetAnswers())
	}
	for _, h := range d.GetHistory() {
		if h.GetZone() == pb.Zone_ZONE_ENDS && h.GetWork() == pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE {
			if h.GetSource() != pb.HistorySource_HISTORY_SOURCE_RECORD_CARD || h.GetSession() != in.GetRecordedWork()[0].GetSession() {
				t.Errorf("known of the ends: %v", h)
			}
			return
		}
	}
	t.Error("the decision says nothing of the ends")
}

// Correcting the wrong answer settles a contradiction.
func TestCorrectingSettles(t *testing.T) {
	in := soundHead()
	in.ServiceKind, in.Consultation.Wishes.ServiceKind = pb.ServiceKind_SERVICE_KIND_RETOUCH, pb.ServiceKind_SERVICE_KIND_RETOUCH
	wrong := mustDecide(t, newEngine(t), sources{daysAgo(60), daysAgo(60), daysAgo(300), daysAgo(60), false}.put(in))
	right := mustDecide(t, newEngine(t), sources{daysAgo(60), daysAgo(60), daysAgo(60), daysAgo(60), false}.put(in))
	if wrong.GetVerdict() != pb.Verdict_VERDICT_ASK || right.GetVerdict() != pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS {
		t.Errorf("%s, then %s", wrong.GetVerdict(), right.GetVerdict())
	}
}

// Where recorded work is on the hair of today: what was new growth then is
// mid-strand now and reaches the ends after a year; what grew since is untreated,
// but for the first four weeks.
func TestRecordedWorkGrowsOut(t *testing.T) {
	e := newEngine(t)
	for _, c := range []struct {
		zone pb.Zone // of the fact
		days int
		want string // new growth, mid-strand, ends
	}{
		{0, 7, "yes yes yes"}, {0, 27, "yes yes yes"}, {0, 28, "no yes yes"}, {0, 900, "no yes yes"},
		{pb.Zone_ZONE_MID_STRAND, 27, "yes yes no"}, {pb.Zone_ZONE_MID_STRAND, 60, "no yes no"},
		{pb.Zone_ZONE_MID_STRAND, 364, "no yes no"}, {pb.Zone_ZONE_MID_STRAND, 365, "no yes yes"},
	} {
		in := soundHead()
		in.RecordedWork = []*pb.HistoryFact{recordedWork(pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE, c.days)}
		in.RecordedWork[0].Zone = c.zone
		s := opened(t, e, e.withParameters(in))
		var got []string
		for _, z := range zones() {
			got = append(got, e.lang.answer(s.history().status[z.Zone][pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE].happened).text())
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s, %d days ago: %v, want %s", c.zone, c.days, got, c.want)
		}
	}
}

func anySaid(t *rapid.T, name string, choices ...said) said {
	return rapid.SampledFrom(append(choices, notAsked, daysAgo(3), daysAgo(20), daysAgo(41), daysAgo(57), daysAgo(63), daysAgo(400))).Draw(t, name)
}

func anySources(t *rapid.T) sources {
	return sources{
		anySaid(t, "mid-strand", neverDid, unsure), anySaid(t, "ends", neverDid, unsure), anySaid(t, "head", neverDid, unsure),
		anySaid(t, "record"), rapid.Bool().Draw(t, "whole head"),
	}
}

func anyService(t *rapid.T) *pb.DecisionInputs {
	in := soundHead()
	in.ServiceKind = pb.ServiceKind(rapid.IntRange(1, 5).Draw(t, "service"))
	in.Consultation.Wishes.ServiceKind = in.ServiceKind
	in.Product.Kind = pb.ProductKind(rapid.IntRange(1, 4).Draw(t, "product"))
	if rapid.Bool().Draw(t, "strand not tested") {
		in.Consultation.Tests.Strand = pb.StrandReading_STRAND_READING_NOT_DONE
	}
	return in
}

// Whatever the three sources say together, the verdict is never milder than with
// any one of them alone. The zones are one source; alone means that the others were
// not asked, or hold nothing. What is missing then is a question of its own and does
// not count.
func TestNeverMilderThanOneSource(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		all, in := anySources(t), anyService(t)
		together := mustDecide(t, e, all.put(in))
		for name, alone := range map[string]sources{
			"zones":  {mid: all.mid, ends: all.ends},
			"head":   {head: all.head},
			"record": {record: all.record, whole: all.whole},
		} {
			one := mustDecide(t, e, alone.put(in))
			worst := pb.Verdict_VERDICT_PROCEED
			for _, f := range one.GetFindings() {
				worst = contract.MostSevere(worst, verdictOf(f.GetSeverity()))
			}
			if !contract.AtLeast(together.GetVerdict(), worst) {
				t.Errorf("%+v together gives %s; %s alone gives %s", all, together.GetVerdict(), name, worst)
			}
		}
	})
}

// Answering more about the history never makes a verdict milder, except that a
// question is gone.
func TestMoreHistoryIsNeverMilder(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		all, in := anySources(t), anyService(t)
		less := all
		for _, s := range []*said{&less.mid, &less.ends, &less.head, &less.record} {
			if rapid.Bool().Draw(t, "left out") {
				*s = notAsked
			}
		}
		before, after := mustDecide(t, e, less.put(in)), mustDecide(t, e, all.put(in))
		worst := pb.Verdict_VERDICT_PROCEED
		for _, f := range before.GetFindings() {
			worst = contract.MostSevere(worst, verdictOf(f.GetSeverity()))
		}
		if !contract.AtLeast(after.GetVerdict(), worst) {
			t.Errorf("%+v gives %s; then %+v gives %s", less, worst, all, after.GetVerdict())
		}
	})
}

// The verdict of a record alone, without any answer, is that of its chemical work:
// also a service that is still open counts from first contact on.
func TestDateOfAMonthCountsFromItsEnd(t *testing.T) {
	e := newEngine(t)
	for _, c := range []struct {
		given *date.Date
		want  bool
	}{
		{&date.Date{Year: 2026, Month: 1}, true},          // until 31 January: 30 days
		{&date.Date{Year: 2025, Month: 12}, false},        // until 31 December: 61 days
		{&date.Date{Year: 2026, Month: 1, Day: 5}, false}, // 56 days
		{&date.Date{Year: 2026, Month: 1, Day: 6}, true},  // 55 days
		{&date.Date{Year: 2025}, false},                   // until 31 December
		{&date.Date{Year: 2026}, true},                    // until now
	} {
		in := retouch()
		in.RecordCard, in.Consultation.Hair.NewGrowthMm = nil, nil // not measured: 56 days
		in.Consultation.History.Relaxer = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastDate: c.given}
		if d := mustDecide(t, e, in); hasRule(d, "wait.relaxer") != c.want {
			t.Errorf("%v: waits is %v, want %v", c.given, !c.want, c.want)
		}
	}
}
