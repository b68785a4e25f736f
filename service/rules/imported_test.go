package rules

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/proto/fieldpath"
)

// importAll marks every answer of a case as imported.
func importAll(in *pb.DecisionInputs, paths ...string) *pb.DecisionInputs {
	in = proto.CloneOf(in)
	for _, p := range fieldpath.Answered(in) {
		if p.InConsultation() && (len(paths) == 0 || slices.Contains(paths, p.String())) {
			in.Consultation.Origins = append(in.Consultation.Origins, &pb.FieldOrigin{Field: p.String(), Origin: pb.AnswerOrigin_ANSWER_ORIGIN_IMPORTED})
		}
	}
	return in
}

// anyImported adds imported facts to a case.
func anyImported(t *rapid.T, in *pb.DecisionInputs) *pb.DecisionInputs {
	in = proto.CloneOf(in)
	at := rapid.SampledFrom([]time.Duration{time.Hour, 20 * day, 60 * day, 400 * day})
	for range rapid.IntRange(0, 3).Draw(t, "works") {
		f := &pb.HistoryFact{Source: pb.HistorySource_HISTORY_SOURCE_IMPORTED, Happened: pb.Answer_ANSWER_YES,
			Work: pb.ChemicalWork(rapid.IntRange(1, 6).Draw(t, "work")), Zone: pb.Zone(rapid.SampledFrom([]int{0, 2, 3}).Draw(t, "zone"))}
		if rapid.Bool().Draw(t, "dated") {
			f.LatestTime = ago(at.Draw(t, "at"))
			f.EarliestTime = f.LatestTime
		}
		in.RecordedWork = append(in.RecordedWork, f)
	}
	for range rapid.IntRange(0, 2).Draw(t, "incidents") {
		in.Incidents = append(in.Incidents, &pb.Incident{Name: "i" + rapid.StringMatching("[a-z]{8}").Draw(t, "name"), Origin: pb.IncidentOrigin_INCIDENT_ORIGIN_IMPORTED,
			Kind: pb.IncidentKind(rapid.IntRange(1, 8).Draw(t, "kind")), OccurTime: ago(at.Draw(t, "occurred"))})
	}
	in.BirthDateImported = in.BirthDate != "" && rapid.Bool().Draw(t, "birth date")
	in.ImportedWarnings = rapid.SliceOfNDistinct(rapid.SampledFrom([]pb.Warning{1, 2, 3, 4, 5}), 0, 3, rapid.ID).Draw(t, "warnings")
	for _, p := range fieldpath.Answered(in) {
		if p.InConsultation() && rapid.IntRange(0, 4).Draw(t, p.String()) == 0 {
			in.Consultation.Origins = append(in.Consultation.Origins, &pb.FieldOrigin{Field: p.String(), Origin: pb.AnswerOrigin_ANSWER_ORIGIN_IMPORTED})
		}
	}
	return in
}

// TestImportedFactsOnlyMakeStricter compares each case with the same case without anything
// imported: no finding, question or condition is missing, and the verdict is not milder.
func TestImportedFactsOnlyMakeStricter(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	stricter := 0
	rapid.Check(t, func(t *rapid.T) {
		in := anyImported(t, anyCase(t, e))
		with, bare := mustDecide(t, e, in), mustDecide(t, e, WithoutImported(in))
		if contract.CompareRank(with.Verdict, bare.Verdict) < 0 {
			t.Fatalf("with imported facts the verdict is %s, without %s", with.Verdict, bare.Verdict)
		}
		if contract.CompareRank(with.Verdict, bare.Verdict) > 0 {
			stricter++
		}
		for _, f := range bare.Findings {
			if !slices.ContainsFunc(with.Findings, func(g *pb.Finding) bool {
				return isOf(g, f.RuleId, f.Subject) && contract.CompareRank(g.Severity, f.Severity) >= 0
			}) {
				t.Fatalf("imported facts have taken away %s %s", f.RuleId, f.Subject)
			}
		}
		if with.RecommendedStrength.GetStrength() > bare.RecommendedStrength.GetStrength() {
			t.Fatalf("imported facts have raised the strength to %s", with.RecommendedStrength)
		}
		if before, after := needs(t, e, WithoutImported(in)), needs(t, e, in); with.Verdict == bare.Verdict {
			for _, path := range before {
				if !slices.Contains(after, path) && !hasNewFinding(with, bare) {
					t.Fatalf("imported facts have answered %s", path)
				}
			}
		}
	})
	if stricter == 0 {
		t.Error("no case became stricter: imported facts have no effect")
	}
}

// hasNewFinding tells whether a decision has a finding that another lacks; then its rule waits
// no longer.
func hasNewFinding(d, than *pb.Decision) bool {
	return slices.ContainsFunc(d.Findings, func(f *pb.Finding) bool { return findingOf(than, f.RuleId, f.Subject) == nil })
}

// needs are the paths that a form asks for.
func needs(t rapid.TB, e *Engine, in *pb.DecisionInputs) (paths []string) {
	all, err := e.Needed(in)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range all {
		paths = append(paths, n.Path)
	}
	return paths
}

// TestImportedAnswerSatisfiesNothing takes a case that may go ahead, and marks one answer
// of each kind as imported: it counts as not given.
func TestImportedAnswerSatisfiesNothing(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	in := soundHead()
	if d := mustDecide(t, e, in); contract.AtLeast(d.Verdict, pb.Verdict_VERDICT_ASK) {
		t.Fatalf("the case does not go ahead: %v %v", d.Findings, d.OpenQuestions)
	}
	for _, path := range []string{"consultation.tests.strand", "consultation.tests.incompatibility", "consultation.tests.elasticity",
		"consultation.consent.agreed", "consultation.scalp.sores", "consultation.history.allergy"} {
		marked := importAll(in, path)
		if len(marked.Consultation.Origins) != 1 {
			t.Errorf("%s has no answer", path)
			continue
		}
		if d := mustDecide(t, e, marked); !contract.AtLeast(d.Verdict, pb.Verdict_VERDICT_ASK) {
			t.Errorf("an imported answer to %s was taken: %s", path, d.Verdict)
		}
		if !slices.Contains(needs(t, e, marked), path) {
			t.Errorf("the form does not ask for %s", path)
		}
		if d := decideAs(t, e, 2, marked); contract.AtLeast(d.Verdict, pb.Verdict_VERDICT_ASK) {
			t.Errorf("revision 2 did not judge origins, and %s is %s in it", path, d.Verdict)
		}
	}
}

// TestImportedBirthDateIsNoAge: the birth date of an imported client refuses a child, and
// does not spare the question for the age of anybody else.
func TestImportedBirthDateIsNoAge(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	in := soundHead()
	in.Consultation.Consent.AgeYears, in.BirthDate, in.BirthDateImported = nil, "1980-01-02", true
	if d := mustDecide(t, e, in); d.Verdict != pb.Verdict_VERDICT_ASK || !slices.Contains(needs(t, e, in), agePath) {
		t.Errorf("with an imported birth date and no age the verdict is %s", d.Verdict)
	}
	in.BirthDate = "2020-01-02"
	if d := mustDecide(t, e, in); d.Verdict != pb.Verdict_VERDICT_REFUSE {
		t.Errorf("a child by an imported birth date: %s", d.Verdict)
	}
}

// TestLinkedBirthDateOnlyMakesStricter: the birth date of a linked client refuses a child,
// whatever the client's own is, and does not spare the question for the age of a client
// without one. A message by it says so.
func TestLinkedBirthDateOnlyMakesStricter(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	in := soundHead()
	in.Consultation.Consent.AgeYears, in.LinkedBirthDate = nil, "1980-01-02"
	if d := mustDecide(t, e, in); d.Verdict != pb.Verdict_VERDICT_ASK || !slices.Contains(needs(t, e, in), agePath) {
		t.Errorf("with the birth date of a linked adult and no age the verdict is %s", d.Verdict)
	}
	for _, own := range []string{"", "1980-01-02"} {
		in.BirthDate, in.LinkedBirthDate = own, "2020-01-02"
		d := mustDecide(t, e, in)
		if d.Verdict != pb.Verdict_VERDICT_REFUSE || !strings.HasSuffix(d.Findings[0].Message, linkedText) {
			t.Errorf("own birth date %q, a child by that of a linked client: %s, %v", own, d.Verdict, d.Findings)
		}
	}
}

// TestImportedWordClearsNothing: a doctor's word that was imported is none.
func TestImportedWordClearsNothing(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	in := soundHead()
	in.Consultation.History.Allergy = pb.Answer_ANSWER_YES
	in.Consultation.History.DoctorsWords = []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_ALLERGY, GiveDate: dateAgo(day), Reference: "N 101"}}
	asked := mustDecide(t, e, in)
	for _, path := range []string{"consultation.history.doctors_words", "consultation.history.doctors_words[allergy]"} {
		if _, err := fieldpath.Parse(path); err != nil {
			continue
		}
		marked := proto.CloneOf(in)
		marked.Consultation.Origins = []*pb.FieldOrigin{{Field: path, Origin: pb.AnswerOrigin_ANSWER_ORIGIN_IMPORTED}}
		if d := mustDecide(t, e, marked); contract.CompareRank(d.Verdict, asked.Verdict) <= 0 || d.Verdict != pb.Verdict_VERDICT_REFER {
			t.Errorf("with an imported doctor's word (%s) the verdict is %s, with one that was shown %s", path, d.Verdict, asked.Verdict)
		}
		return
	}
	t.Error("no path names doctors' words")
}

// TestWarningCountsUntilAnswered: a warning is a yes until the question is answered by
// itself, also beside a statement that none of its items applies.
func TestWarningCountsUntilAnswered(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	for warning := range pb.Warning_name {
		w := pb.Warning(warning)
		if w == 0 {
			continue
		}
		in := soundHead()
		in.ImportedWarnings = []pb.Warning{w}
		if d := mustDecide(t, e, in); contract.AtLeast(d.Verdict, pb.Verdict_VERDICT_ASK) {
			t.Errorf("%s outweighs an answer that was given today: %s", w, d.Verdict)
		}
		of := warnedOf[w]
		if of == nil {
			t.Errorf("%s stands for no answer", w)
			continue
		}
		*of(in.Consultation.History) = pb.Answer_ANSWER_UNSPECIFIED
		without := proto.CloneOf(in)
		without.ImportedWarnings = nil
		yes := proto.CloneOf(without)
		*of(yes.Consultation.History) = pb.Answer_ANSWER_YES
		d, answered := mustDecide(t, e, in), mustDecide(t, e, yes)
		for _, f := range answered.Findings {
			if findingOf(d, f.RuleId, f.Subject) == nil {
				t.Errorf("%s does not bring %s", w, f.RuleId)
			}
		}
		if len(d.Findings) == len(mustDecide(t, e, without).Findings) {
			t.Errorf("%s has no effect", w)
		}
	}
}

// TestImportedWorkIsNamed: a contradiction names the other system, and the history shows it.
func TestImportedWorkIsNamed(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	in := soundHead()
	in.RecordedWork = []*pb.HistoryFact{{Source: pb.HistorySource_HISTORY_SOURCE_IMPORTED, Work: pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE,
		Happened: pb.Answer_ANSWER_YES, EarliestTime: ago(30 * day), LatestTime: ago(30 * day)}}
	d := mustDecide(t, e, in)
	if !contract.AtLeast(d.Verdict, pb.Verdict_VERDICT_REFUSE) {
		t.Errorf("a relaxer of last month by an imported record: %s", d.Verdict)
	}
	if !slices.ContainsFunc(d.History, func(f *pb.HistoryFact) bool { return f.Source == pb.HistorySource_HISTORY_SOURCE_IMPORTED }) {
		t.Errorf("the history does not show it: %v", d.History)
	}
	at, ok, err := e.Earliest(in, today)
	if err != nil || !ok || !at.After(today) {
		t.Errorf("the wait after it is over at %s, %t, %v", at, ok, err)
	}
}

// TestEarliestWithAndWithoutImported: a booking waits for the later of the two ends, that of
// the case with imported facts and that of the case without. The waits between relaxers are 42
// days where new growth was measured and 56 where it was not, worked out by hand.
func TestEarliestWithAndWithoutImported(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	relaxed := func(days int) *pb.DecisionInputs {
		in := soundHead()
		in.ServiceKind, in.Consultation.Wishes.ServiceKind = pb.ServiceKind_SERVICE_KIND_RETOUCH, pb.ServiceKind_SERVICE_KIND_RETOUCH
		in.Consultation.Hair.NewGrowthMm = new(18.0)
		in.RecordedWork = []*pb.HistoryFact{recordedWork(pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE, days)}
		return in
	}
	elsewhere := relaxed(50)
	elsewhere.RecordedWork = append(elsewhere.RecordedWork, recordedWork(pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE, 30))
	elsewhere.RecordedWork[1].Source = pb.HistorySource_HISTORY_SOURCE_IMPORTED
	midnight := today.Truncate(day)
	for _, c := range []struct {
		name string
		in   *pb.DecisionInputs
		want time.Time
	}{
		{"our measured growth: 42 days are over", relaxed(45), today},
		{"an imported growth is none: 56 days", importAll(relaxed(45), "consultation.hair.new_growth_mm"), midnight.Add(11 * day)},
		{"an imported relaxer after ours: its 42 days", elsewhere, midnight.Add(12 * day)},
		{"both: the imported relaxer, and its 42 days are later than our 56", importAll(elsewhere, "consultation.hair.new_growth_mm"), midnight.Add(12 * day)},
	} {
		if at, ok, err := e.Earliest(c.in, today); err != nil || !ok || !at.Equal(c.want) {
			t.Errorf("%s: earliest %s, %t, %v; want %s", c.name, at, ok, err, c.want)
		}
	}
}

// TestWorkNumbers: an imported record's work becomes ChemicalWork by its number.
func TestWorkNumbers(t *testing.T) {
	t.Parallel()
	for n, name := range pb.ImportedWork_name {
		if got := pb.ChemicalWork_name[n]; got != "CHEMICAL_WORK"+name[len("IMPORTED_WORK"):] {
			t.Errorf("%s is %s", name, got)
		}
	}
}
