package rules

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// The stories a stylist would tell, and what comes of them.
func TestDecide(t *testing.T) {
	e := newEngine(t)
	for _, c := range []struct {
		name     string
		change   func(*pb.DecisionInputs)
		verdict  pb.Verdict
		findings string // rule ids, severest first
	}{
		{"a sound head", func(*pb.DecisionInputs) {}, pb.Verdict_VERDICT_PROCEED, ""},
		{"thick hair", func(in *pb.DecisionInputs) { in.Consultation.Hair.Density = pb.Density_DENSITY_HIGH },
			pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, "hair.dense"},
		{"elasticity not tested", func(in *pb.DecisionInputs) {
			in.Consultation.Tests.Elasticity = pb.ElasticityReading_ELASTICITY_READING_NOT_DONE
		}, pb.Verdict_VERDICT_ASK, "tests.elasticity-missing"},
		{"pregnant, no doctor's word", func(in *pb.DecisionInputs) { in.Consultation.History.Pregnancy = pb.Answer_ANSWER_YES },
			pb.Verdict_VERDICT_REFER, "medical.pregnancy"},
		{"pregnant, with a doctor's word of last week", func(in *pb.DecisionInputs) {
			h := in.Consultation.History
			h.Pregnancy = pb.Answer_ANSWER_YES
			h.DoctorsWords = []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_PREGNANCY, GiveDate: dateAgo(7 * day), Reference: "N 101"}}
		}, pb.Verdict_VERDICT_PROCEED, ""},
		{"red in Texas", func(in *pb.DecisionInputs) {
			in.Salon.Jurisdiction, in.Consultation.Scalp.Redness = pb.Jurisdiction_JURISDICTION_US_TEXAS, pb.Answer_ANSWER_YES
		}, pb.Verdict_VERDICT_REFUSE, "law.texas-skin scalp.redness law.us-eyewash"},
		{"a lithium product of 1.5 % for general use", func(in *pb.DecisionInputs) {
			in.Product.UseTier = pb.UseTier_USE_TIER_GENERAL
			in.Product.Ingredients = []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_LITHIUM_HYDROXIDE, MassPercent: new(1.5)}}
		}, pb.Verdict_VERDICT_REFUSE, "law.eu-hydroxide-general"},
		{"the same in a salon that has not said where it is", func(in *pb.DecisionInputs) {
			in.Salon.Jurisdiction = 0
			in.Product.UseTier = pb.UseTier_USE_TIER_GENERAL
			in.Product.Ingredients = []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_LITHIUM_HYDROXIDE, MassPercent: new(1.5)}}
		}, pb.Verdict_VERDICT_REFUSE, "law.eu-hydroxide-general law.us-eyewash"},
		{"a place that this version does not know", func(in *pb.DecisionInputs) {
			in.Salon.Jurisdiction, in.Consultation.Scalp.Redness = 99, pb.Answer_ANSWER_YES
		}, pb.Verdict_VERDICT_REFUSE, "law.texas-skin scalp.redness law.us-eyewash law.maryland-scalp"},
		{"a student alone", func(in *pb.DecisionInputs) { in.Practitioner = licensed("stu", pb.Role_ROLE_STUDENT) },
			pb.Verdict_VERDICT_REFUSE, "practitioner.student-alone"},
		{"an answer that no version knows", func(in *pb.DecisionInputs) { in.Consultation.Scalp.Redness = 77 },
			pb.Verdict_VERDICT_ASK, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := soundHead()
			c.change(in)
			d := mustDecide(t, e, in)
			var ids []string
			for _, f := range d.GetFindings() {
				ids = append(ids, f.GetRuleId())
			}
			if d.GetVerdict() != c.verdict || strings.Join(ids, " ") != c.findings {
				t.Errorf("%s, %v; want %s, %s", d.GetVerdict(), ids, c.verdict, c.findings)
			}
		})
	}
}

// A refusal that no answer can change asks nothing more.
func TestRefusalAsksNothing(t *testing.T) {
	in := soundHead()
	in.Consultation = &pb.Consultation{Scalp: &pb.ScalpAnalysis{BrokenSkin: pb.Answer_ANSWER_YES}}
	if d := mustDecide(t, newEngine(t), in); d.GetVerdict() != pb.Verdict_VERDICT_REFUSE || len(d.GetOpenQuestions()) > 0 {
		t.Errorf("%s with %d questions", d.GetVerdict(), len(d.GetOpenQuestions()))
	}
}

// "When was it last?" is asked only after "has it ever happened?" was answered
// with yes.
func TestWhenFollowsWhether(t *testing.T) {
	e := newEngine(t)
	asked := func(event *pb.PastEvent) []string {
		in := soundHead()
		in.Consultation.History.Shampoo = event
		var paths []string
		for _, q := range mustDecide(t, e, in).GetOpenQuestions() {
			paths = append(paths, q.GetField())
		}
		return paths
	}
	if got := asked(nil); !slices.Equal(got, []string{"consultation.history.shampoo.happened"}) {
		t.Errorf("nothing said: asks %v", got)
	}
	if got := asked(&pb.PastEvent{Happened: pb.Answer_ANSWER_YES}); !slices.Equal(got, []string{"consultation.history.shampoo.last_time"}) {
		t.Errorf("it happened: asks %v", got)
	}
	if got := asked(never()); len(got) > 0 {
		t.Errorf("it never happened: asks %v", got)
	}
}

// A zone that the consultation does not list is there, and nothing of it is known.
func TestUnlistedZoneIsAskedFor(t *testing.T) {
	in := soundHead()
	in.Consultation.Hair.Zones = in.Consultation.Hair.Zones[:2]
	d := mustDecide(t, newEngine(t), in)
	if d.GetVerdict() != pb.Verdict_VERDICT_ASK {
		t.Errorf("%s", d.GetVerdict())
	}
	i := slices.IndexFunc(d.GetOpenQuestions(), func(q *pb.OpenQuestion) bool {
		return q.GetField() == "consultation.hair.zones[ends].thio.happened"
	})
	if i < 0 || d.GetOpenQuestions()[i].GetQuestion() != "Ends: Was it ever permed or treated with another thio product?" {
		t.Errorf("questions: %v", d.GetOpenQuestions())
	}
	for _, q := range d.GetOpenQuestions() {
		if !strings.HasPrefix(q.GetField(), "consultation.hair.zones[ends].") {
			t.Errorf("asks %s", q.GetField())
		}
	}
}

// Questions come most decisive first.
func TestQuestionsAreOrdered(t *testing.T) {
	in := soundHead()
	in.Consultation = &pb.Consultation{}
	questions := mustDecide(t, newEngine(t), in).GetOpenQuestions()
	if !slices.IsSortedFunc(questions, func(a, b *pb.OpenQuestion) int { return int(b.GetWorstSeverity() - a.GetWorstSeverity()) }) {
		t.Error("a milder question comes before a severer one")
	}
}

// When the worst that an open question could bring is a condition, the service may
// go ahead under that condition.
func TestOpenConditionIsACondition(t *testing.T) {
	in := soundHead()
	in.Consultation.Hair.Density = pb.Density_DENSITY_UNSPECIFIED
	d := mustDecide(t, newEngine(t), in)
	if d.GetVerdict() != pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS || len(d.GetOpenQuestions()) != 1 {
		t.Fatalf("%s, %v", d.GetVerdict(), d.GetOpenQuestions())
	}
	var ids []string
	for _, c := range d.GetConditions() {
		ids = append(ids, c.GetConditionId())
		if c.GetText() != "Answer first: How much hair is there on the head: thin, average or thick?" {
			t.Errorf("%s: %s", c.GetConditionId(), c.GetText())
		}
	}
	if !slices.Equal(ids, []string{"hair.dense"}) { // the question is asked once
		t.Errorf("conditions: %v", ids)
	}
}

// A finding says which answers it looked at, where, and in plain words.
func TestFindingShowsAnswers(t *testing.T) {
	in := soundHead()
	in.Consultation.Hair.Zones[2].PermanentColour = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(5 * day)}
	d := mustDecide(t, newEngine(t), in)
	i := slices.IndexFunc(d.GetFindings(), func(f *pb.Finding) bool { return f.GetRuleId() == "wait.colour" })
	f := d.GetFindings()[i]
	if f.GetSubject() != "zone:ends" || f.GetMessage() != "Ends: Wait 14 days after permanent colour. Condition the hair meanwhile." {
		t.Errorf("%s: %s", f.GetSubject(), f.GetMessage())
	}
	want := []*pb.SeenAnswer{
		{Field: "parameters.colour_wait_days", Value: "14"},
		{Field: "consultation.hair.zones[ends].permanent_colour.happened", Value: "yes"},
		{Field: "consultation.hair.zones[ends].permanent_colour.last_time", Value: "2026-02-25 10:00 UTC"},
		{Field: "service_kind", Value: "virgin"},
	}
	if !slices.EqualFunc(f.GetAnswers(), want, func(a, b *pb.SeenAnswer) bool { return proto.Equal(a, b) }) {
		t.Errorf("answers: %v", f.GetAnswers())
	}
}

// Nothing is decided without what the chain itself must supply.
func TestIncompleteInputs(t *testing.T) {
	e := newEngine(t)
	for name, spoil := range map[string]func(*pb.DecisionInputs){
		"no time":            func(in *pb.DecisionInputs) { in.DecideTime = nil },
		"an impossible time": func(in *pb.DecisionInputs) { in.DecideTime = &timestamppb.Timestamp{Nanos: -1} },
		"no product":         func(in *pb.DecisionInputs) { in.Product = nil },
		"no practitioner":    func(in *pb.DecisionInputs) { in.Practitioner = nil },
		"no salon":           func(in *pb.DecisionInputs) { in.Salon = nil },
	} {
		in := soundHead()
		spoil(in)
		if d, err := e.Decide(in); err == nil {
			t.Errorf("%s: %s", name, d.GetVerdict())
		}
	}
	if _, err := e.Decide(nil); err == nil {
		t.Error("decided on nothing")
	}
}

// A reading that is no number was not taken.
func TestReadingsThatAreNone(t *testing.T) {
	e := newEngine(t)
	for _, n := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		in := soundHead()
		in.Consultation.Hair.LengthMm = &n
		if d := mustDecide(t, e, in); len(d.GetOpenQuestions()) != 1 || d.GetOpenQuestions()[0].GetField() != "consultation.hair.length_mm" {
			t.Errorf("%v: %v", n, d.GetOpenQuestions())
		}
	}
	in := soundHead()
	in.Product.Ingredients[0].MassPercent = new(math.NaN())
	if d := mustDecide(t, e, in); d.GetVerdict() != pb.Verdict_VERDICT_REFUSE {
		t.Errorf("a percentage that is no number: %s", d.GetVerdict())
	}
}

// Strength is recommended with the reasons that moved it, and withheld when the
// hair takes none or is not described.
func TestRecommendedStrength(t *testing.T) {
	e := newEngine(t)
	for _, c := range []struct {
		name   string
		change func(*pb.Consultation)
		want   pb.Strength
		reason string
	}{
		{"medium", func(*pb.Consultation) {}, pb.Strength_STRENGTH_REGULAR, "Use regular: medium texture."},
		{"fine", func(c *pb.Consultation) { c.Hair.Texture = pb.Texture_TEXTURE_FINE }, pb.Strength_STRENGTH_MILD, "Use mild: fine hair."},
		{"coarse", func(c *pb.Consultation) { c.Hair.Texture = pb.Texture_TEXTURE_COARSE }, pb.Strength_STRENGTH_SUPER, "Use super: coarse hair."},
		{"coarse and porous", func(c *pb.Consultation) {
			c.Hair.Texture, c.Hair.Zones[0].Porosity = pb.Texture_TEXTURE_COARSE, pb.Porosity_POROSITY_POROUS
		}, pb.Strength_STRENGTH_REGULAR, "Go one step down: porous hair."},
		{"coarse and coloured", func(c *pb.Consultation) {
			c.Hair.Texture = pb.Texture_TEXTURE_COARSE
			c.Hair.Zones[1].PermanentColour = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(99 * day)}
		}, pb.Strength_STRENGTH_MILD, "Use mild: coloured hair."},
		{"thio in the ends", func(c *pb.Consultation) {
			c.Hair.Zones[2].Thio = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(99 * day)}
		}, 0, "Use no hydroxide at all: thio or metal salts on the hair."},
		{"texture not judged", func(c *pb.Consultation) { c.Hair.Texture = 0 }, 0, "Answer first: Is the hair fine, medium or coarse?"},
		{"fine, colour not asked", func(c *pb.Consultation) {
			c.Hair.Texture, c.Hair.Zones[1].PermanentColour = pb.Texture_TEXTURE_FINE, nil
		}, pb.Strength_STRENGTH_MILD, "Use mild: fine hair."},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := soundHead()
			c.change(in.GetConsultation())
			a := mustDecide(t, e, in).GetRecommendedStrength()
			if a.GetStrength() != c.want || !slices.Contains(a.GetReasons(), c.reason) {
				t.Errorf("%s, %v", a.GetStrength(), a.GetReasons())
			}
		})
	}
}

// Waits are counted to the instant of the decision, to the second.
func TestWaitToTheSecond(t *testing.T) {
	e := newEngine(t)
	for _, c := range []struct {
		since time.Duration
		want  pb.Verdict
	}{
		{48*time.Hour - time.Second, pb.Verdict_VERDICT_REFUSE},
		{48 * time.Hour, pb.Verdict_VERDICT_PROCEED},
		{-time.Hour, pb.Verdict_VERDICT_REFUSE}, // the till's clock is ahead
	} {
		in := soundHead()
		in.Consultation.History.Shampoo = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(c.since)}
		if d := mustDecide(t, e, in); d.GetVerdict() != c.want {
			t.Errorf("shampooed %s ago: %s", c.since, d.GetVerdict())
		}
	}
}

// A decision keeps every input that it was given: a field of the inputs that
// inForce leaves out would be lost to the rules and to a replay.
func TestEveryInputIsKept(t *testing.T) {
	e := newEngine(t)
	in := soundHead()
	in.Supervisor, in.HousePolicy, in.RecordCard = licensed("sol", pb.Role_ROLE_SUPERVISOR), &pb.HousePolicy{}, &pb.RecordCard{}
	in.BirthDate, in.WhatChanged, in.SectionIds = "1992-04-01", "looked again", []string{"back"}
	in.Incidents, in.AnswerChanges = []*pb.Incident{{}}, []*pb.AnswerChange{{}}
	in.SectionProducts, in.RecordedWork = []*pb.SectionProduct{{}}, []*pb.HistoryFact{{}}
	in.Parameters, in.ApplicationPace, in.ImportedWarnings, in.BirthDateImported = e.Parameters(nil), &pb.ApplicationPace{}, []pb.Warning{1}, true
	in.LinkedBirthDate = "1993-04-01"
	kept, fields := e.withParameters(in), in.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		if f := fields.Get(i); !in.ProtoReflect().Has(f) {
			t.Errorf("this test does not fill %s", f.Name())
		} else if !kept.ProtoReflect().Has(f) {
			t.Errorf("%s is lost", f.Name())
		}
	}
}

// A condition that waits for a number does not show a sentence with a hole in it.
func TestConditionWithoutItsNumber(t *testing.T) {
	in := soundHead()
	in.Consultation.Wishes.StraighteningPercent = nil
	e := newEngine(t)
	d := mustDecide(t, e, in)
	i := slices.IndexFunc(d.GetConditions(), func(c *pb.Condition) bool {
		return strings.Contains(c.GetText(), "Agree with the client on at most 80 %")
	})
	if i < 0 {
		t.Fatalf("no condition about the wish: %v", d.GetConditions())
	}
	if text := d.GetConditions()[i].GetText(); strings.Contains(text, "They wish") || strings.Contains(text, absent) || strings.Contains(text, "  ") {
		t.Errorf("a sentence about a number that nobody gave: %q", text)
	}
	in.Consultation.Wishes.StraighteningPercent = new(95.0)
	if f := findingOf(mustDecide(t, e, in), "wishes.over-the-cap", ""); !strings.Contains(f.GetMessage(), "They wish for 95 %.") {
		t.Errorf("the wish is not in the message: %q", f.GetMessage())
	}
}
