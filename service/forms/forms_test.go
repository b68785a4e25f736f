package forms

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
	"alkalog/service/rules"
	"alkalog/service/texts"
)

const (
	no  = pb.Answer_ANSWER_NO
	yes = pb.Answer_ANSWER_YES
)

// today is the instant of every form; invented.
var today = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)

func engine(t testing.TB) *rules.Engine {
	t.Helper()
	e, err := rules.New()
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// planned is a service for which nothing is answered yet. Invented.
func planned(kind pb.ServiceKind) *pb.DecisionInputs {
	return &pb.DecisionInputs{
		DecideTime: timestamppb.New(today), ServiceKind: kind, LotCode: "L1",
		Consultation: &pb.Consultation{UpdateTime: timestamppb.New(today)},
		Product: &pb.Product{Name: "chains/ebb-and-flow/products/tide-regular", Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER,
			HydroxideKind: pb.HydroxideKind_HYDROXIDE_KIND_SODIUM, Strength: pb.Strength_STRENGTH_REGULAR,
			Ingredients: []*pb.Ingredient{{Substance: pb.Substance_SUBSTANCE_SODIUM_HYDROXIDE, MassPercent: proto.Float64(2.1)}},
			UseTier:     pb.UseTier_USE_TIER_PROFESSIONAL, Lots: []*pb.Lot{{LotCode: "L1", ExpireTime: timestamppb.New(today.AddDate(0, 9, 0))}}},
		Practitioner: &pb.Practitioner{Name: "chains/ebb-and-flow/practitioners/ada", Role: pb.Role_ROLE_PRACTITIONER, LicenceNumber: "P-1",
			LicenceExpireTime: timestamppb.New(today.AddDate(1, 0, 0)), Salons: []string{"chains/ebb-and-flow/salons/quay"}},
		Salon: &pb.Salon{Name: "chains/ebb-and-flow/salons/quay", Jurisdiction: pb.Jurisdiction_JURISDICTION_EU},
	}
}

func contextOf(e *rules.Engine, in *pb.DecisionInputs) Context {
	return Context{Engine: e, Inputs: in, Language: texts.English, Zone: time.UTC,
		SingleItem: func(s *pb.StatementAnswer) string { return s.GetItems()[1].GetField() }}
}

func mustMake(t testing.TB, c Context) *pb.Form {
	t.Helper()
	f, err := Make(c)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func find(f *pb.Form, field string) *pb.OpenQuestion {
	for _, q := range f.GetQuestions() {
		if q.GetField() == field {
			return q
		}
	}
	return nil
}

func group(f *pb.Form, id string) *pb.QuestionGroup {
	for _, g := range f.GetGroups() {
		if g.GetGroupId() == id {
			return g
		}
	}
	return nil
}

// A form asks for everything that a rule waits for, once, and every question says what
// it takes.
func TestFormAsksForEverythingNeeded(t *testing.T) {
	e := engine(t)
	for kind := pb.ServiceKind_SERVICE_KIND_VIRGIN; kind <= pb.ServiceKind_SERVICE_KIND_WAVE; kind++ {
		in := planned(kind)
		f := mustMake(t, contextOf(e, in))
		needs, err := e.Needed(in)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range needs {
			q := find(f, wholeEvent(n.Path))
			switch {
			case q == nil:
				t.Errorf("%s: the form does not ask for %s", kind, n.Path)
			case q.GetKind() == 0 || q.GetQuestion() == "" || !slices.Equal(q.GetRuleIds(), n.RuleIDs):
				t.Errorf("%s: %v", kind, q)
			}
		}
		seen := map[string]bool{}
		for _, q := range f.GetQuestions() {
			if seen[q.GetField()] {
				t.Errorf("%s: %s is asked twice", kind, q.GetField())
			}
			seen[q.GetField()] = true
			if q.GetGroup() != "" && group(f, q.GetGroup()) == nil {
				t.Errorf("%s: %s names the group %s, which the form does not have", kind, q.GetField(), q.GetGroup())
			}
		}
	}
}

// A statement shows all of its items; one of them is asked by itself, and what is
// answered is not asked again.
func TestStatementInForm(t *testing.T) {
	e, in := engine(t), planned(pb.ServiceKind_SERVICE_KIND_VIRGIN)
	for _, s := range e.Statements() {
		f := mustMake(t, contextOf(e, in))
		g := group(f, s.GetStatementId())
		if g.GetVersion() != s.GetVersion() || g.GetText() != s.GetText() || len(g.GetItems()) != len(s.GetItems()) || g.GetOfClient() != s.GetOfClient() {
			t.Errorf("%v, want %v", g, s)
		}
		for i, item := range s.GetItems() {
			want := s.GetStatementId()
			if i == 1 {
				want = ""
			}
			if q := find(f, wholeEvent(item.GetField())); q.GetGroup() != want {
				t.Errorf("%s is asked in %q, want %q", item.GetField(), q.GetGroup(), want)
			}
		}
		given := proto.CloneOf(s)
		given.SingleItem, given.ClientConfirmation = s.GetItems()[1].GetField(), pb.ClientConfirmation_CLIENT_CONFIRMATION_ON_PAPER
		after := proto.CloneOf(in)
		after.Consultation.Statements = []*pb.StatementAnswer{given}
		f = mustMake(t, contextOf(e, after))
		for i, item := range s.GetItems() {
			if asked := find(f, wholeEvent(item.GetField())) != nil; asked != (i == 1) {
				t.Errorf("after %s, asked for %s: %v", s.GetStatementId(), item.GetField(), asked)
			}
		}
		if group(f, s.GetStatementId()) != nil {
			t.Errorf("%s is shown again", s.GetStatementId())
		}
		after.Consultation.Statements[0].ClientConfirmation = 0
		if shown := group(mustMake(t, contextOf(e, after)), s.GetStatementId()) != nil; shown != s.GetOfClient() {
			t.Errorf("%s without the client's confirmation, shown again: %v", s.GetStatementId(), shown)
		}
	}
}

// "Not since the last visit" stands only for what was "no" at that visit, and for new
// growth.
func TestChemicalWorkSinceTheLastVisit(t *testing.T) {
	e, in := engine(t), planned(pb.ServiceKind_SERVICE_KIND_RETOUCH)
	const ends, middle, growth = "consultation.hair.zones[ends].", "consultation.hair.zones[mid-strand].", "consultation.hair.zones[new-growth]."
	first := group(mustMake(t, contextOf(e, in)), "chemical-work")
	if len(first.GetItems()) < 20 || !strings.Contains(first.GetText(), "ever") {
		t.Errorf("on a first visit: %d items under %q", len(first.GetItems()), first.GetText())
	}
	c := contextOf(e, in)
	c.Earlier = &pb.Consultation{SubmitTime: timestamppb.New(today.AddDate(0, -2, 0)), Hair: &pb.HairAnalysis{Zones: []*pb.HairZone{
		{Zone: pb.Zone_ZONE_ENDS, MetallicDye: pb.Answer_ANSWER_UNSURE, PlantHenna: no, Thio: &pb.PastEvent{Happened: no}},
		{Zone: pb.Zone_ZONE_MID_STRAND, Lightened: &pb.PastEvent{Happened: yes}},
	}}}
	f := mustMake(t, c)
	if text := group(f, "chemical-work").GetText(); !strings.Contains(text, "2 January 2026") {
		t.Errorf("the question is %q", text)
	}
	for field, want := range map[string]string{
		ends + "thio": "chemical-work", ends + "plant_henna": "chemical-work", growth + "thio": "chemical-work", growth + "metallic_dye": "chemical-work",
		ends + "metallic_dye": "", ends + "lightened": "", middle + "lightened": "", middle + "thio": "",
	} {
		if q := find(f, field); q == nil || q.GetGroup() != want {
			t.Errorf("%s is asked in %q, want %q", field, q.GetGroup(), want)
		}
	}
}

// A visit on record has relaxed the new growth, and nobody has said so yet: the alkali is
// asked only of who says so, and never of who says no, because that answer is refused.
func TestAlkaliIsAskedOfRelaxedHairOnly(t *testing.T) {
	e, in := engine(t), planned(pb.ServiceKind_SERVICE_KIND_RETOUCH)
	in.RecordedWork = []*pb.HistoryFact{{Source: pb.HistorySource_HISTORY_SOURCE_RECORD_CARD, Work: pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE,
		Zone: pb.Zone_ZONE_NEW_GROWTH, Happened: yes, EarliestTime: timestamppb.New(today), LatestTime: timestamppb.New(today)}}
	const alkali, relaxed = "consultation.hair.zones[new-growth].hydroxide_kind", "consultation.hair.zones[new-growth].hydroxide"
	q := find(mustMake(t, contextOf(e, in)), alkali)
	if q == nil || q.GetAskedAfter() != relaxed || !slices.Equal(q.GetAskedAfterValues(), []string{"ANSWER_YES"}) {
		t.Errorf("before it is said: %v", q)
	}
	for answer, asked := range map[pb.Answer]bool{no: false, yes: true} {
		in.Consultation.Hair = &pb.HairAnalysis{Zones: []*pb.HairZone{{Zone: pb.Zone_ZONE_NEW_GROWTH, Hydroxide: &pb.PastEvent{Happened: answer}}}}
		if q := find(mustMake(t, contextOf(e, in)), alkali); (q != nil) != asked || q.GetAskedAfter() != "" {
			t.Errorf("after %s: %v", answer, q)
		}
	}
}

// What follows from an answer is in the form at once, and nothing else follows.
func TestFollowingQuestions(t *testing.T) {
	e, in := engine(t), planned(pb.ServiceKind_SERVICE_KIND_VIRGIN)
	f := mustMake(t, contextOf(e, in))
	q := find(f, "consultation.tests.test_time")
	if q.GetAskedAfter() != "consultation.tests.elasticity" || slices.Contains(q.GetAskedAfterValues(), "ELASTICITY_READING_NOT_DONE") ||
		!slices.Contains(q.GetAskedAfterValues(), "ELASTICITY_READING_NORMAL") || !q.GetUsuallyNow() {
		t.Errorf("%v", q)
	}
	needs, err := e.Needed(in)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range needs {
		p := fieldpath.MustParse(n.Path)
		for _, choice := range p.Describe().Choices {
			tried := proto.CloneOf(in)
			p.Set(tried, protoreflect.ValueOfEnum(choice.Number))
			after, err := e.Needed(tried)
			if err != nil {
				t.Fatal(err)
			}
			for _, a := range after {
				if find(f, a.Path) == nil && find(f, wholeEvent(a.Path)) == nil && !strings.HasSuffix(a.Path, ".last_time") && a.Field != "consultation.history.doctors_words" {
					t.Errorf("%s = %s leads to %s, which the form does not have", n.Path, choice.Value, a.Path)
				}
			}
		}
	}
}

// Only what can do no more than add or remove a condition is filled in from the last
// visit, and never a yes or a no.
func TestUsualValues(t *testing.T) {
	e, in := engine(t), planned(pb.ServiceKind_SERVICE_KIND_RETOUCH)
	c := contextOf(e, in)
	c.Earlier = &pb.Consultation{Name: "chains/ebb-and-flow/clients/wren/consultations/1", SubmitTime: timestamppb.New(today.AddDate(0, -2, 0)),
		Hair: &pb.HairAnalysis{Density: pb.Density_DENSITY_HIGH, Texture: pb.Texture_TEXTURE_FINE, LengthMm: proto.Float64(240), NewGrowthMm: proto.Float64(18),
			Zones: []*pb.HairZone{{Zone: pb.Zone_ZONE_ENDS, Condition: pb.HairCondition_HAIR_CONDITION_SOUND}}},
		History: &pb.ClientHistory{ContactLenses: no, GloveAllergy: no}, Tests: &pb.PreliminaryTests{Elasticity: pb.ElasticityReading_ELASTICITY_READING_NORMAL}}
	f := mustMake(t, c)
	for field, want := range map[string]string{
		"consultation.hair.density": "DENSITY_HIGH", "consultation.hair.length_mm": "240", "consultation.tests.strand_product": in.Product.Name,
		"consultation.hair.texture": "", "consultation.hair.new_growth_mm": "", "consultation.hair.zones[ends].condition": "",
		"consultation.tests.elasticity": "", "consultation.history.contact_lenses": "", "consultation.history.glove_allergy": "",
	} {
		if q := find(f, field); q == nil || q.GetUsualValue() != want {
			t.Errorf("%s is filled in with %q, want %q", field, q.GetUsualValue(), want)
		}
	}
	if q := find(f, "consultation.hair.density"); q.GetCarriedValue() != "Thick" || q.GetCarriedFrom() != c.Earlier.Name || q.GetCarriedTime() == nil {
		t.Errorf("it does not say from when: %v", q)
	}
}

// A form in a language is in that language as a whole: every statement, item and question
// asked together has words made from today's English, which stands beside them.
func TestGroupsAreTranslated(t *testing.T) {
	e := engine(t)
	for _, lang := range texts.Languages()[1:] {
		for _, s := range e.Statements() {
			wantTranslated(t, lang, "statements/"+s.GetStatementId(), s.GetText())
			for _, item := range s.GetItems() {
				wantTranslated(t, lang, "statements/"+item.GetField(), item.GetText())
			}
		}
		for _, group := range e.Together() {
			wantTranslated(t, lang, "together/"+group.ID, group.Text)
			if group.Since != "" {
				wantTranslated(t, lang, "together/"+group.ID+".since", group.Since)
			}
		}
	}
}

func wantTranslated(t *testing.T, lang, id, english string) {
	t.Helper()
	if text, reviewed := texts.Translate(lang, id, english, texts.Args{"date": "02/03/2026"}); text == "" || text == english || reviewed {
		t.Errorf("%s in %s: %q, reviewed %t", id, lang, text, reviewed)
	}
}

// The day of the last visit stands in the translated question too.
func TestTheLastVisitInAnotherLanguage(t *testing.T) {
	c := contextOf(engine(t), planned(pb.ServiceKind_SERVICE_KIND_RETOUCH))
	c.Language, c.Earlier = "fr", &pb.Consultation{SubmitTime: timestamppb.New(today.AddDate(0, 0, -70)), Hair: &pb.HairAnalysis{},
		History: &pb.ClientHistory{UndescribedWork: pb.Answer_ANSWER_NO, Relaxer: &pb.PastEvent{Happened: pb.Answer_ANSWER_NO}}}
	g := group(mustMake(t, c), "chemical-work")
	if !strings.Contains(g.GetText(), "depuis le 22/12/2025") || !strings.Contains(g.GetEnglishText(), "since 22 December 2025") {
		t.Errorf("asked %q beside %q", g.GetText(), g.GetEnglishText())
	}
}
