package rules

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// candidates are the values tried for a field: every word of an enum, and for
// numbers and times values on both sides of every threshold of the policy.
func candidates(f protoreflect.FieldDescriptor) []protoreflect.Value {
	var values []protoreflect.Value
	if f.Name() == "doctors_words" {
		return doctorsWords(f)
	}
	switch f.Kind() {
	case protoreflect.EnumKind:
		for i := 1; i < f.Enum().Values().Len(); i++ {
			values = append(values, protoreflect.ValueOfEnum(f.Enum().Values().Get(i).Number()))
		}
	case protoreflect.DoubleKind:
		for _, n := range []float64{1, 8, 15, 30, 45, 60, 70, 90} {
			values = append(values, protoreflect.ValueOfFloat64(n))
		}
	case protoreflect.Int32Kind:
		for _, n := range []int32{3, 15, 16, 17, 18, 40} {
			values = append(values, protoreflect.ValueOfInt32(n))
		}
	case protoreflect.StringKind:
		for _, s := range []string{regularLye().GetName(), "chains/ebb-and-flow/products/other", "L1", "L2", "L3"} {
			values = append(values, protoreflect.ValueOfString(s))
		}
	case protoreflect.MessageKind:
		for _, d := range []time.Duration{time.Hour, 30 * time.Hour, 8 * day, 20 * day, 60 * day, 100 * day, 400 * day} {
			values = append(values, protoreflect.ValueOfMessage(ago(d).ProtoReflect()))
		}
	}
	return values
}

// doctorsWords are a word for each cause, good and undated, and a good one for all.
func doctorsWords(f protoreflect.FieldDescriptor) []protoreflect.Value {
	var values []protoreflect.Value
	every := &pb.ClientHistory{}
	for cause := pb.ClearanceCause_CLEARANCE_CAUSE_PREGNANCY; cause <= pb.ClearanceCause_CLEARANCE_CAUSE_SCALP; cause++ {
		good, undated := &pb.DoctorsWord{Cause: cause, GiveDate: dateAgo(day), Reference: "N 101"}, &pb.DoctorsWord{Cause: cause, Reference: "N 101"}
		every.DoctorsWords = append(every.DoctorsWords, good)
		for _, word := range []*pb.DoctorsWord{good, undated} {
			one := &pb.ClientHistory{DoctorsWords: []*pb.DoctorsWord{word}}
			values = append(values, one.ProtoReflect().Get(f))
		}
	}
	return append(values, every.ProtoReflect().Get(f))
}

// locate finds the message and field that a path of the inputs names, making the
// messages on the way.
func locate(in *pb.DecisionInputs, path string) (protoreflect.Message, protoreflect.FieldDescriptor) {
	m := in.ProtoReflect()
	parts := strings.Split(path, ".")
	for i, part := range parts {
		name, key, isElement := strings.Cut(part, "[")
		f := m.Descriptor().Fields().ByName(protoreflect.Name(name))
		switch {
		case isElement:
			m = element(in, name, strings.TrimSuffix(key, "]"))
		case i == len(parts)-1:
			return m, f
		default:
			m = m.Mutable(f).Message()
		}
	}
	return nil, nil
}

func element(in *pb.DecisionInputs, list, key string) protoreflect.Message {
	hair := in.GetConsultation().GetHair()
	if list == "sections" {
		i := slices.IndexFunc(hair.GetSections(), func(s *pb.HeadSection) bool { return s.GetSectionId() == key })
		return hair.GetSections()[i].ProtoReflect()
	}
	zone := pb.Zone(pb.Zone_value["ZONE_"+strings.ToUpper(strings.ReplaceAll(key, "-", "_"))])
	for _, z := range hair.GetZones() {
		if z.GetZone() == zone {
			return z.ProtoReflect()
		}
	}
	in.Consultation.Hair.Zones = append(in.Consultation.Hair.Zones, &pb.HairZone{Zone: zone})
	return in.Consultation.Hair.Zones[len(in.Consultation.Hair.Zones)-1].ProtoReflect()
}

// askedPaths are the paths of every answer that the inputs could hold.
func askedPaths(e *Engine, in *pb.DecisionInputs) []string {
	var paths []string
	add := func(from, to int, about subject) {
		for i := from; i < to; i++ {
			if f := e.lang.fields[i]; f.asked && f.path != "section.texture" && f.path != "section.curl_type" {
				paths = append(paths, e.lang.pathOf(i, about))
			}
		}
	}
	s, err := e.lang.open(in)
	if err != nil {
		panic(err)
	}
	defer s.close()
	add(0, e.lang.zones, subject{})
	s.forEachSubject(pb.RuleScope_RULE_SCOPE_ZONE, func(about subject) { add(e.lang.zones, e.lang.sections, about) })
	s.forEachSubject(pb.RuleScope_RULE_SCOPE_SECTION, func(about subject) { add(e.lang.sections, len(e.lang.fields), about) })
	return paths
}

// unanswered lists the answers that the inputs do not hold.
func unansweredPaths(e *Engine, in *pb.DecisionInputs) []string {
	return slices.DeleteFunc(askedPaths(e, in), func(path string) bool {
		m, f := locate(proto.CloneOf(in), path)
		return m.Has(f)
	})
}

// anyCase draws a case: the sound head with products, people and places changed,
// some answers changed and some taken away.
func anyCase(t *rapid.T, e *Engine) *pb.DecisionInputs {
	in := soundHead()
	in.ServiceKind = pb.ServiceKind(rapid.IntRange(1, 5).Draw(t, "service"))
	in.Salon.Jurisdiction = pb.Jurisdiction(rapid.IntRange(0, 6).Draw(t, "place"))
	in.Product.Strength = pb.Strength(rapid.IntRange(1, 3).Draw(t, "strength"))
	in.Product.Kind = rapid.SampledFrom([]pb.ProductKind{1, 1, 1, 2, 3, 4}).Draw(t, "kind")
	in.Product.UseTier = pb.UseTier(rapid.IntRange(1, 2).Draw(t, "tier"))
	in.Product.Directions.AllowedOnColoured = pb.Answer(rapid.IntRange(1, 2).Draw(t, "coloured"))
	in.Product.Directions.StrandTestRequired = pb.Answer(rapid.IntRange(1, 2).Draw(t, "strand test"))
	if rapid.Bool().Draw(t, "a recalled lot") {
		in.Product.Lots = append(in.Product.Lots, &pb.Lot{LotCode: "L2", RecallTime: ago(day)})
	}
	for range rapid.SampledFrom([]int{0, 0, 0, 1, 2}).Draw(t, "incidents") {
		in.Incidents = append(in.Incidents, &pb.Incident{
			Name: "i1", Kind: pb.IncidentKind(rapid.IntRange(1, 8).Draw(t, "what went wrong")),
			Blister:   pb.Answer(rapid.IntRange(0, 3).Draw(t, "a blister")),
			OccurTime: ago(rapid.SampledFrom([]time.Duration{time.Minute, 12 * time.Hour, 9 * day, 300 * day}).Draw(t, "how long ago")),
		})
	}
	paths := askedPaths(e, in)
	for range rapid.IntRange(0, 12).Draw(t, "changes") {
		m, f := locate(in, rapid.SampledFrom(paths).Draw(t, "change"))
		m.Set(f, rapid.SampledFrom(candidates(f)).Draw(t, "to"))
	}
	for range rapid.SampledFrom([]int{0, 1, 2, 5, 40}).Draw(t, "gaps") {
		m, f := locate(in, rapid.SampledFrom(paths).Draw(t, "gap"))
		m.Clear(f)
	}
	return in
}

// opened is the state of a case, left to the garbage collector.
func opened(t rapid.TB, e *Engine, in *pb.DecisionInputs) *state {
	t.Helper()
	s, err := e.lang.open(in)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func mustDecide(t rapid.TB, e *Engine, in *pb.DecisionInputs) *pb.Decision {
	t.Helper()
	return decideAs(t, e, Revision, in)
}

func decideAs(t rapid.TB, e *Engine, revision int32, in *pb.DecisionInputs) *pb.Decision {
	t.Helper()
	d, err := e.DecideAs(revision, in)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// Answering a listed question never reveals a rule that the question did not
// name.
func TestAnswerRevealsNoUnknownRule(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		before := mustDecide(t, e, in)
		if len(before.GetOpenQuestions()) == 0 {
			return
		}
		q := rapid.SampledFrom(before.GetOpenQuestions()).Draw(t, "question")
		m, f := locate(in, q.GetField())
		m.Set(f, rapid.SampledFrom(candidates(f)).Draw(t, "answer"))
		for _, finding := range mustDecide(t, e, in).GetFindings() {
			if !has(before.GetFindings(), finding) && !slices.Contains(q.GetRuleIds(), finding.GetRuleId()) {
				t.Errorf("answering %s revealed %s %s", q.GetField(), finding.GetRuleId(), finding.GetSubject())
			}
		}
	})
}

func has(findings []*pb.Finding, wanted *pb.Finding) bool {
	return slices.ContainsFunc(findings, func(f *pb.Finding) bool {
		return f.GetRuleId() == wanted.GetRuleId() && f.GetSubject() == wanted.GetSubject()
	})
}

// Answering a question that is not listed never changes the verdict.
func TestUnlistedAnswerChangesNothing(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		before := mustDecide(t, e, in)
		unlisted := slices.DeleteFunc(unansweredPaths(e, in), func(path string) bool {
			// The time of one test takes the place of the time of all tests: it answers
			// that question, or corrects its answer, and is never asked by itself.
			if path == "consultation.tests.strand_time" || path == "consultation.tests.incompatibility_time" {
				return true
			}
			// A doctor's word is new evidence: it may clear a referral that asks nothing.
			return path == wordsPath || path == anyWord || slices.ContainsFunc(before.GetOpenQuestions(), func(q *pb.OpenQuestion) bool { return q.GetField() == path })
		})
		if len(unlisted) == 0 {
			return
		}
		path := rapid.SampledFrom(unlisted).Draw(t, "field")
		m, f := locate(in, path)
		m.Set(f, rapid.SampledFrom(candidates(f)).Draw(t, "answer"))
		if after := mustDecide(t, e, in); after.GetVerdict() != before.GetVerdict() {
			t.Errorf("answering %s, which was not asked for, turned %s into %s", path, before.GetVerdict(), after.GetVerdict())
		}
	})
}

// A question is listed only if some answer makes one of its rules fire as
// severely as it says.
func TestListedAnswerMatters(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		open := mustDecide(t, e, in).GetOpenQuestions()
		if len(open) == 0 {
			return
		}
		for _, path := range askedPaths(e, in) {
			if m, f := locate(in, path); isFollowUp(e, path) {
				m.Clear(f)
			}
		}
		q := rapid.SampledFrom(open).Draw(t, "question")
		if !couldFire(t, e, in, q, q.GetField(), 3) {
			t.Errorf("%s is asked for %v at %s, and no answer makes one fire", q.GetField(), q.GetRuleIds(), q.GetWorstSeverity())
		}
	})
}

// isFollowUp tells whether a question is asked only after another was answered,
// behind a condition; its answer counts only then.
func isFollowUp(e *Engine, path string) bool {
	return strings.HasSuffix(path, ".medical_clearance") || path == wordsPath || slices.ContainsFunc(e.lang.fields, func(f field) bool {
		_, end, _ := strings.Cut(f.path, ".")
		return f.follows != "" && strings.HasSuffix(path, end)
	})
}

// couldFire searches for answers, first to the field and then to what its rules
// wait for next, that make one of the question's rules fire at its worst.
func couldFire(t rapid.TB, e *Engine, in *pb.DecisionInputs, q *pb.OpenQuestion, path string, depth int) bool {
	m, f := locate(in, path)
	for _, value := range candidates(f) {
		m.Set(f, value)
		d := mustDecide(t, e, in)
		if slices.ContainsFunc(d.GetFindings(), func(f *pb.Finding) bool {
			return slices.Contains(q.GetRuleIds(), f.GetRuleId()) && f.GetSeverity() == q.GetWorstSeverity()
		}) {
			return true
		}
		for _, next := range d.GetOpenQuestions() {
			shared := slices.ContainsFunc(next.GetRuleIds(), func(id string) bool { return slices.Contains(q.GetRuleIds(), id) })
			if shared && depth > 1 && couldFire(t, e, in, q, next.GetField(), depth-1) {
				return true
			}
		}
	}
	m.Clear(f)
	return false
}

// A complete consultation never yields ASK: complete is that every question is
// answered for certain, every test done and the risks explained.
func TestCompleteNeverAsks(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		for _, path := range askedPaths(e, in) {
			m, f := locate(in, path)
			settled := slices.DeleteFunc(candidates(f), func(v protoreflect.Value) bool { return unsettled(path, f, v) })
			if !m.Has(f) || unsettled(path, f, m.Get(f)) {
				m.Set(f, rapid.SampledFrom(settled).Draw(t, "answer"))
			}
		}
		d := mustDecide(t, e, in)
		if s := opened(t, e, d.GetInputs()); hasRule(d, "history.contradiction") || hasRule(d, "scalp.seen-too-long-ago") ||
			isNotDone(s, "known.strand") || isNotDone(s, "known.incompatibility") {
			return // a contradiction, an old look at the scalp and a test that does not count are tasks too
		}
		if d.GetVerdict() == pb.Verdict_VERDICT_ASK || len(d.GetOpenQuestions()) > 0 {
			t.Errorf("%s: %v %v", d.GetVerdict(), d.GetFindings(), d.GetOpenQuestions())
		}
	})
}

func isNotDone(s *state, path string) bool {
	w, ok := s.value(s.lang.index[path]).(*enumValue)
	return ok && w.shortName == "NOT_DONE"
}

func hasRule(d *pb.Decision, id string) bool {
	return slices.ContainsFunc(d.GetFindings(), func(f *pb.Finding) bool { return f.GetRuleId() == id })
}

// unsettled tells whether an answer is itself a task: a doubt, a test not done,
// risks not explained yet.
func unsettled(path string, f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
	if f.Kind() != protoreflect.EnumKind {
		return false
	}
	name := string(f.Enum().Values().ByNumber(v.Enum()).Name())
	return strings.HasSuffix(name, "_UNSURE") || strings.HasSuffix(name, "_NOT_DONE") ||
		path == "consultation.consent.explained" && v.Enum() == protoreflect.EnumNumber(pb.Answer_ANSWER_NO)
}

// A doubt is never treated better than the answer that lets the service go ahead.
func TestDoubtIsNoAnswer(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		path := rapid.SampledFrom(slices.DeleteFunc(askedPaths(e, in), func(path string) bool {
			_, f := locate(proto.CloneOf(in), path)
			return f.Enum() == nil || f.Enum().FullName() != "alkalog.v1.Answer"
		})).Draw(t, "question")
		m, f := locate(in, path)
		verdict := func(a pb.Answer) pb.Verdict {
			m.Set(f, protoreflect.ValueOfEnum(a.Number()))
			return mustDecide(t, e, in).GetVerdict()
		}
		no, yes, unsure := verdict(pb.Answer_ANSWER_NO), verdict(pb.Answer_ANSWER_YES), verdict(pb.Answer_ANSWER_UNSURE)
		if unsure < min(no, yes) {
			t.Errorf("%s: no gives %s, yes gives %s, and not sure gives %s", path, no, yes, unsure)
		}
		if fires := max(no, yes); fires > min(no, yes) && fires >= pb.Verdict_VERDICT_REFER && unsure == pb.Verdict_VERDICT_PROCEED {
			t.Errorf("%s: no gives %s, yes gives %s, and not sure lets the service go ahead", path, no, yes)
		}
	})
}

// Taking an answer away never lets a service go ahead that some answer forbids.
func TestSilenceIsNotSafe(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		path := rapid.SampledFrom(askedPaths(e, in)).Draw(t, "question")
		m, f := locate(in, path)
		worst := pb.Verdict_VERDICT_PROCEED
		for _, v := range candidates(f) {
			m.Set(f, v)
			worst = max(worst, mustDecide(t, e, in).GetVerdict())
		}
		m.Clear(f)
		silent := mustDecide(t, e, in).GetVerdict()
		if silent < min(worst, pb.Verdict_VERDICT_ASK) && !strings.HasSuffix(path, "_time") {
			t.Errorf("%s unanswered gives %s, and some answer gives %s", path, silent, worst)
		}
	})
}

// anyHouse draws a house policy, however badly written.
func anyHouse(t *rapid.T) *pb.HousePolicy {
	atoms := []string{
		"true", "false", "consultation.scalp.redness == Answer.YES", "consultation.scalp.redness != Answer.NO", "zone.porosity == Porosity.POROUS",
		"consultation.consent.age_years < 21", "1 / 0 == 1", "product.lots[7].lot_code == 'x'", "this is not CEL", "consultation.remarks == ''",
		"consultation.hair.texture", "section.fragile == Answer.YES", "product.lots.exists(l, product.lots.exists(k, k.lot_code == l.lot_code))",
		"decide_time - consultation.history.shampoo.last_time < hours(200)", "practitioner.role == Role.STUDENT", "",
	}
	expression := rapid.Custom(func(t *rapid.T) string {
		a, b := rapid.SampledFrom(atoms).Draw(t, "a"), rapid.SampledFrom(atoms).Draw(t, "b")
		return rapid.SampledFrom([]string{a, "!(" + a + ")", a + " && " + b, a + " || " + b, a + " ? " + b + " : false"}).Draw(t, "form")
	})
	p := &pb.HousePolicy{Parameters: &pb.PolicyParameters{}}
	for i := range rapid.IntRange(0, 4).Draw(t, "rules") {
		p.Rules = append(p.Rules, &pb.Rule{
			RuleId: fmt.Sprintf("house.rule-%d", i), Version: 1, Expression: expression.Draw(t, "when"), Message: "as the house has it",
			Severity: pb.Severity(rapid.IntRange(-1, 6).Draw(t, "severity")), Scope: pb.RuleScope(rapid.IntRange(0, 4).Draw(t, "scope")),
		})
	}
	fields := p.Parameters.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		n := rapid.IntRange(-5, 400).Draw(t, "number")
		if f := fields.Get(i); f.Kind() == protoreflect.Int32Kind {
			p.Parameters.ProtoReflect().Set(f, protoreflect.ValueOfInt32(int32(n)))
		} else {
			p.Parameters.ProtoReflect().Set(f, protoreflect.ValueOfFloat64(float64(n)))
		}
	}
	return p
}

// No house policy, however written, makes a verdict milder, takes a finding away
// or leaves a decision undecided.
func TestHouseCannotLoosen(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		without := mustDecide(t, e, in)
		in.HousePolicy = anyHouse(t)
		with := mustDecide(t, e, in)
		if with.GetVerdict() < without.GetVerdict() {
			t.Errorf("%s without the house policy, %s with it", without.GetVerdict(), with.GetVerdict())
		}
		for _, f := range without.GetFindings() {
			if !has(with.GetFindings(), f) {
				t.Errorf("the house policy took %s %s away", f.GetRuleId(), f.GetSubject())
			}
		}
	})
}

// The same inputs give the same decision to the byte, also from a fresh engine
// and after a round over the wire.
func TestDecisionsRepeat(t *testing.T) {
	e, other := newEngine(t), newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		first := mustDecide(t, e, in)
		body, err := proto.Marshal(first.GetInputs())
		if err != nil {
			t.Fatal(err)
		}
		again := &pb.DecisionInputs{}
		if err := proto.Unmarshal(body, again); err != nil {
			t.Fatal(err)
		}
		second := mustDecide(t, other, again)
		if !proto.Equal(first, second) || len(Compare(first, second)) > 0 {
			t.Errorf("different: %v", Compare(first, second))
		}
	})
}

// The verdict is what stands as long as nobody overrides, and overriding never
// leaves an unanswered question or an absolute finding behind.
func TestStandingVerdict(t *testing.T) {
	e := newEngine(t)
	rapid.Check(t, func(t *rapid.T) {
		d := mustDecide(t, e, anyCase(t, e))
		if Standing(d) != d.GetVerdict() {
			t.Fatalf("stands at %s, decided %s", Standing(d), d.GetVerdict())
		}
		for _, f := range d.GetFindings() {
			d.Overrides = append(d.Overrides, &pb.Override{RuleId: f.GetRuleId(), Subject: f.GetSubject(), CreateTime: timestamppb.New(today)})
		}
		checkStanding(t, e, d)
	})
}

// checkStanding compares the standing verdict of a decision whose findings are all
// overridden with the verdict of the rules that nobody may override.
func checkStanding(t rapid.TB, e *Engine, d *pb.Decision) {
	t.Helper()
	want := pb.Verdict_VERDICT_PROCEED
	s := opened(t, e, d.GetInputs())
	o := e.evaluateRules(s, e.builtInOnly, Revision)
	for _, f := range o.findings {
		if !f.GetOverrideTerms().GetAllowed() {
			want = max(want, verdictOf(f.GetSeverity()))
		}
	}
	for _, w := range o.waiting {
		want = max(want, min(verdictOf(w.text.GetSeverity()), pb.Verdict_VERDICT_ASK))
	}
	if Standing(d) != want {
		t.Errorf("stands at %s, want %s", Standing(d), want)
	}
}
