package consultation

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/proto/fieldpath"
	"alkalog/service/rules"
)

const (
	no     = pb.Answer_ANSWER_NO
	yes    = pb.Answer_ANSWER_YES
	unsure = pb.Answer_ANSWER_UNSURE
)

// now is the day of the draft in these tests; everything else is counted back from it.
var now = time.Date(2026, 6, 15, 12, 0, 0, 0, time.UTC)

func ago(days int) time.Time { return now.AddDate(0, 0, -days) }

// consultationOf is an invented consultation of some days ago with answers.
func consultationOf(name string, days int, change func(*pb.Consultation)) earlier {
	k := &pb.Consultation{Name: name, UpdateTime: timestamppb.New(ago(days)), Scalp: &pb.ScalpAnalysis{}, Hair: &pb.HairAnalysis{}, History: &pb.ClientHistory{}}
	change(k)
	return earlier{Consultation: k}
}

// workOf is a relaxer or another work that the server recorded.
func workOf(kind pb.ChemicalWork, zone pb.Zone, days int, alkali pb.HydroxideKind) recordedWork {
	return recordedWork{&pb.HistoryFact{Source: pb.HistorySource_HISTORY_SOURCE_RECORD_CARD, Work: kind, Zone: zone, Happened: yes,
		EarliestTime: timestamppb.New(ago(days)), LatestTime: timestamppb.New(ago(days)), Session: fmt.Sprintf("sessions/%d", days)}, alkali}
}

func drafted(from []earlier, work []recordedWork) *pb.Consultation {
	draft := &pb.Consultation{}
	carry(draft, from, work, time.UTC)
	return draft
}

// neverCarried are the paths that no draft may hold, told independently of the code.
var neverCarried = regexp.MustCompile(`^consultation\.(scalp|tests|consent|wishes|remarks)` +
	`|\.(condition|porosity|density|curl_index|length_mm|new_growth_mm)$|zones\[new-growth\]` +
	`|\.history\.(shampoo|extensions|pregnancy|medication|recent_illness|hair_loss|medical|thinning|breakage|scalp_steroids|contact_lenses|doctors_words)` +
	`|(isotretinoin|cancer_treatment)\.last_`)

// anyEarlier draws a consultation with any answers, at any time.
func anyEarlier(t *rapid.T, n int) earlier {
	e := consultationOf(fmt.Sprintf("consultations/%d", n), rapid.IntRange(1, 900).Draw(t, "days ago"), func(*pb.Consultation) {})
	in := &pb.DecisionInputs{Consultation: e.Consultation}
	paths := everyAnswer()
	for range rapid.SampledFrom([]int{3, 20, 100, 200}).Draw(t, "answers") {
		p := rapid.SampledFrom(paths).Draw(t, "answer")
		if v, ok := anyValue(t, p, e); ok {
			p.Set(in, v)
		}
	}
	return e
}

// everyAnswer are the paths of all answers of a head with two sections.
var everyAnswer = sync.OnceValue(func() []fieldpath.Path {
	full := &pb.Consultation{Hair: &pb.HairAnalysis{}}
	for _, zone := range []pb.Zone{1, 2, 3} {
		full.Hair.Zones = append(full.Hair.Zones, &pb.HairZone{Zone: zone})
	}
	full.Hair.Sections = []*pb.HeadSection{{SectionId: "nape"}, {SectionId: "crown"}}
	fill(full.ProtoReflect())
	return slices.DeleteFunc(fieldpath.Answered(&pb.DecisionInputs{Consultation: full}), fieldpath.Path.IsElement)
})

// The latest "yes" to what lasts is carried and nothing else is, but for facts; each with
// where it comes from. The draft is judged as the same answers given by themselves.
func TestWhatIsCarried(t *testing.T) {
	engine, err := rules.New()
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		var from []earlier
		for n := range rapid.IntRange(0, 4).Draw(t, "consultations") {
			from = append(from, anyEarlier(t, n))
		}
		var work []recordedWork
		for range rapid.IntRange(0, 3).Draw(t, "visits") {
			work = append(work, workOf(rapid.SampledFrom([]pb.ChemicalWork{1, 1, 2, 6}).Draw(t, "work"), rapid.SampledFrom([]pb.Zone{0, 2}).Draw(t, "zone"),
				rapid.IntRange(1, 900).Draw(t, "days ago"), pb.HydroxideKind(rapid.IntRange(0, 4).Draw(t, "alkali"))))
		}
		draft := drafted(from, work)
		in := &pb.DecisionInputs{Consultation: draft}
		origins := map[string]*pb.FieldOrigin{}
		for _, o := range draft.Origins {
			origins[o.Field] = o
		}
		for _, p := range fieldpath.Answered(in) {
			value, _ := p.Get(in)
			if p.Describe().Kind == fieldpath.KindAnswer && value.Enum() != yes.Number() {
				t.Errorf("%s is carried as %v", p, value)
			}
			if neverCarried.MatchString(p.String()) {
				t.Errorf("%s is carried", p)
			}
			if o := origins[p.String()]; o.GetOrigin() != pb.AnswerOrigin_ANSWER_ORIGIN_CARRIED || o.Consultation+o.Session == "" || o.AnswerTime == nil {
				t.Errorf("%s comes from %v", p, o)
			}
		}
		for _, path := range strings.Fields(`history.allergy history.bad_reaction history.keloids history.glove_allergy history.undescribed_work
			history.isotretinoin.happened history.cancer_treatment.happened history.relaxer.happened
			hair.zones[ends].thio.happened hair.zones[ends].hydroxide.happened hair.zones[ends].permanent_colour.happened hair.zones[ends].lightened.happened
			hair.zones[ends].semi_permanent_colour.happened hair.zones[ends].smoothing.happened hair.zones[ends].metallic_dye hair.zones[ends].plant_henna`) {
			p := fieldpath.MustParse("consultation." + path)
			if _, carried := p.Get(in); latestOf(p, from) == yes && !carried {
				t.Errorf("%s was last answered yes and is not carried", p)
			}
		}
		for _, w := range work {
			if w.Work == pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE && draft.GetHistory().GetRelaxer().GetHappened() != yes {
				t.Errorf("a recorded relaxer is not carried: %v", draft.GetHistory())
			}
		}
		judgedAlike(t, engine, draft, work)
	})
}

// latestOf is the latest answer to a question, told independently of the code.
func latestOf(p fieldpath.Path, from []earlier) (last pb.Answer) {
	var at time.Time
	for _, e := range from {
		if v, ok := p.Get(&pb.DecisionInputs{Consultation: e.Consultation}); ok && e.UpdateTime.AsTime().After(at) {
			last, at = pb.Answer(v.Enum()), e.UpdateTime.AsTime()
		}
	}
	return last
}

// judgedAlike gives the carried answers by hand, in a consultation of today, and compares
// the decisions.
func judgedAlike(t *rapid.T, engine *rules.Engine, draft *pb.Consultation, work []recordedWork) {
	byHand, in := &pb.Consultation{}, &pb.DecisionInputs{Consultation: draft}
	var changes []change
	for _, p := range fieldpath.Answered(in) {
		if value, _ := p.Get(in); !p.IsElement() {
			changes = append(changes, change{path: p, given: true, value: value, origin: pb.AnswerOrigin_ANSWER_ORIGIN_ASKED})
		} else {
			p.Set(&pb.DecisionInputs{Consultation: byHand}, value)
		}
	}
	applyChanges(byHand, changes)
	var facts []*pb.HistoryFact
	for _, w := range work {
		facts = append(facts, w.HistoryFact)
	}
	decide := func(k *pb.Consultation) *pb.Decision {
		d, err := engine.Decide(&pb.DecisionInputs{Consultation: k, DecideTime: timestamppb.New(now), RecordedWork: facts, ServiceKind: pb.ServiceKind_SERVICE_KIND_RETOUCH,
			Product: &pb.Product{Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER, HydroxideKind: pb.HydroxideKind_HYDROXIDE_KIND_SODIUM},
			Salon:   &pb.Salon{TimeZone: "UTC"}, Practitioner: &pb.Practitioner{}})
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	carried, given := decide(draft), decide(byHand)
	if contract.CompareRank(carried.Verdict, given.Verdict) < 0 || len(carried.Findings) != len(given.Findings) || len(carried.OpenQuestions) != len(given.OpenQuestions) {
		t.Errorf("carried: %s with %d findings and %d questions; given by hand: %s with %d and %d", carried.Verdict, len(carried.Findings),
			len(carried.OpenQuestions), given.Verdict, len(given.Findings), len(given.OpenQuestions))
	}
}

// The latest record of each thing counts, whatever order they are read in.
func TestTheLatestRecordCounts(t *testing.T) {
	const relaxer, ends, mid = "consultation.history.relaxer", "consultation.hair.zones[ends]", "consultation.hair.zones[mid-strand]"
	const hydroxide, sodium, guanidine = pb.ChemicalWork_CHEMICAL_WORK_HYDROXIDE, pb.HydroxideKind_HYDROXIDE_KIND_SODIUM, pb.HydroxideKind_HYDROXIDE_KIND_GUANIDINE
	allergy := func(days int, a pb.Answer) earlier {
		return consultationOf(fmt.Sprintf("allergy-%d", days), days, func(k *pb.Consultation) { k.History.Allergy = a })
	}
	relaxed := func(days int, e *pb.PastEvent) earlier {
		return consultationOf(fmt.Sprintf("relaxed-%d", days), days, func(k *pb.Consultation) {
			k.History.Relaxer = e
			k.Hair.Zones = []*pb.HairZone{{Zone: pb.Zone_ZONE_ENDS, Hydroxide: e, HydroxideKind: guanidine}}
		})
	}
	on := func(days int) *pb.PastEvent {
		return &pb.PastEvent{Happened: yes, LastTime: timestamppb.New(ago(days))}
	}
	both := func(midStrand, roots *pb.PastEvent) earlier {
		return consultationOf("both", 150, func(k *pb.Consultation) {
			k.Hair.Zones = []*pb.HairZone{{Zone: pb.Zone_ZONE_MID_STRAND, Hydroxide: midStrand, HydroxideKind: guanidine, MetallicDye: yes},
				{Zone: pb.Zone_ZONE_NEW_GROWTH, Hydroxide: roots, HydroxideKind: sodium, MetallicDye: yes}}
		})
	}
	may := &pb.PastEvent{Happened: yes, LastDate: &date.Date{Year: 2026, Month: 5}} // 14 to 45 days ago
	for name, test := range map[string]struct {
		from []earlier
		work []recordedWork
		want map[string]string // path: value in words; absent: not carried
	}{
		"a later no":          {[]earlier{allergy(300, yes), allergy(20, no)}, nil, map[string]string{"consultation.history.allergy": ""}},
		"a later not sure":    {[]earlier{allergy(20, unsure), allergy(300, yes)}, nil, map[string]string{"consultation.history.allergy": ""}},
		"a later yes":         {[]earlier{allergy(20, yes), allergy(300, no)}, nil, map[string]string{"consultation.history.allergy": "ANSWER_YES from allergy-20"}},
		"an answer alone":     {[]earlier{relaxed(100, on(150))}, nil, map[string]string{relaxer + ".last_time": "150 days ago from relaxed-100", ends + ".hydroxide_kind": "4 from relaxed-100"}},
		"a record alone":      {nil, []recordedWork{workOf(hydroxide, 0, 60, sodium)}, map[string]string{relaxer + ".last_time": "60 days ago from sessions/60", mid + ".hydroxide.happened": "ANSWER_YES from sessions/60", ends + ".hydroxide_kind": "1 from sessions/60"}},
		"a later record":      {[]earlier{relaxed(100, on(150))}, []recordedWork{workOf(hydroxide, 0, 60, sodium)}, map[string]string{relaxer + ".last_time": "60 days ago from sessions/60", ends + ".hydroxide_kind": "1 from sessions/60"}},
		"two records":         {nil, []recordedWork{workOf(hydroxide, 0, 200, sodium), workOf(hydroxide, 0, 60, guanidine)}, map[string]string{relaxer + ".last_time": "60 days ago from sessions/60", ends + ".hydroxide_kind": "4 from sessions/60"}},
		"of unknown alkali":   {[]earlier{relaxed(100, on(150))}, []recordedWork{workOf(hydroxide, 0, 60, 0)}, map[string]string{ends + ".hydroxide.last_time": "60 days ago from sessions/60", ends + ".hydroxide_kind": ""}},
		"an earlier record":   {[]earlier{relaxed(10, on(30))}, []recordedWork{workOf(hydroxide, 0, 60, sodium)}, map[string]string{relaxer + ".last_time": "30 days ago from relaxed-10", ends + ".hydroxide_kind": "4 from relaxed-10"}},
		"never, but recorded": {[]earlier{relaxed(10, &pb.PastEvent{Happened: no})}, []recordedWork{workOf(hydroxide, 0, 60, sodium)}, map[string]string{relaxer + ".last_time": "60 days ago from sessions/60"}},
		"no date, since then": {[]earlier{relaxed(10, &pb.PastEvent{Happened: yes})}, []recordedWork{workOf(hydroxide, 0, 60, sodium)}, map[string]string{relaxer + ".happened": "ANSWER_YES from relaxed-10", relaxer + ".last_time": "", ends + ".hydroxide_kind": "4 from relaxed-10"}},
		"no date, before":     {[]earlier{relaxed(90, &pb.PastEvent{Happened: yes})}, []recordedWork{workOf(hydroxide, 0, 60, sodium)}, map[string]string{relaxer + ".last_time": "60 days ago from sessions/60"}},
		"the same, roughly":   {[]earlier{relaxed(10, may)}, []recordedWork{workOf(hydroxide, 0, 30, sodium)}, map[string]string{relaxer + ".last_time": "30 days ago from sessions/30", relaxer + ".last_date": ""}},
		"a month later":       {[]earlier{relaxed(10, may)}, []recordedWork{workOf(hydroxide, 0, 60, sodium)}, map[string]string{relaxer + ".last_date": "2026-5 from relaxed-10", relaxer + ".last_time": ""}},
		"a retouch":           {nil, []recordedWork{workOf(hydroxide, pb.Zone_ZONE_MID_STRAND, 60, sodium)}, map[string]string{mid + ".hydroxide.happened": "ANSWER_YES from sessions/60", ends + ".hydroxide.happened": "", relaxer + ".happened": "ANSWER_YES from sessions/60"}},
		"new growth then": {[]earlier{consultationOf("grown", 200, func(k *pb.Consultation) {
			k.Hair.Zones = []*pb.HairZone{{Zone: pb.Zone_ZONE_NEW_GROWTH, Lightened: on(200), MetallicDye: yes}, {Zone: pb.Zone_ZONE_MID_STRAND, Lightened: &pb.PastEvent{Happened: no}}}
		})}, nil, map[string]string{mid + ".lightened.last_time": "200 days ago from grown", mid + ".metallic_dye": "ANSWER_YES from grown"}},
		"both, the roots later":               {[]earlier{both(on(300), on(200))}, nil, map[string]string{mid + ".hydroxide.last_time": "200 days ago from both", mid + ".hydroxide_kind": "1 from both"}},
		"both, the roots before":              {[]earlier{both(on(200), on(300))}, nil, map[string]string{mid + ".hydroxide.last_time": "200 days ago from both", mid + ".hydroxide_kind": "4 from both"}},
		"both, the roots without a date":      {[]earlier{both(on(200), &pb.PastEvent{Happened: yes})}, nil, map[string]string{mid + ".hydroxide.happened": "ANSWER_YES from both", mid + ".hydroxide.last_time": ""}},
		"both, the mid-strand without a date": {[]earlier{both(&pb.PastEvent{Happened: yes}, on(200))}, nil, map[string]string{mid + ".hydroxide.last_time": "", mid + ".hydroxide_kind": "4 from both"}},
	} {
		for _, reversed := range []bool{false, true} {
			if reversed {
				slices.Reverse(test.from)
				slices.Reverse(test.work)
			}
			draft := drafted(test.from, test.work)
			for path, want := range test.want {
				if got := shown(draft, path); got != want {
					t.Errorf("%s: %s is %q, want %q", name, path, got, want)
				}
			}
		}
	}
}

// shown is a carried answer in words, and where it comes from.
func shown(draft *pb.Consultation, path string) string {
	p := fieldpath.MustParse(path)
	value, ok := p.Get(&pb.DecisionInputs{Consultation: draft})
	if !ok {
		return ""
	}
	text := fmt.Sprint(value)
	switch p.Describe().Kind {
	case fieldpath.KindAnswer:
		text = pb.Answer(value.Enum()).String()
	case fieldpath.KindTime:
		text = fmt.Sprintf("%v days ago", now.Sub(value.Message().Interface().(*timestamppb.Timestamp).AsTime()).Hours()/24)
	case fieldpath.KindDate:
		d := value.Message().Interface().(*date.Date)
		text = fmt.Sprintf("%d-%d", d.Year, d.Month)
	}
	for _, o := range draft.Origins {
		if o.Field == path {
			text += " from " + o.Consultation + o.Session
		}
	}
	return text
}

// What was carried once keeps the visit that it came from, and is as old as that: an
// answer that was asked in between is later.
func TestCarriedAgainKeepsItsOrigin(t *testing.T) {
	first := consultationOf("first", 400, func(k *pb.Consultation) { k.History.Allergy, k.History.Keloids, k.Hair.Texture = yes, yes, 1 })
	draft := drafted([]earlier{first}, nil)
	draft.Name, draft.UpdateTime = "second", timestamppb.New(ago(20))
	between := consultationOf("between", 200, func(k *pb.Consultation) { k.History.Keloids, k.Hair.Texture = no, 2 })
	again := drafted([]earlier{{Consultation: draft}, between}, nil)
	for path, want := range map[string]string{
		"consultation.history.allergy": "ANSWER_YES from first", "consultation.history.keloids": "", "consultation.hair.texture": "2 from between"} {
		if got := shown(again, path); got != want {
			t.Errorf("%s is %q, want %q", path, got, want)
		}
	}
	other := without(draft, map[string]bool{"first": true})
	if other.History.GetAllergy() != 0 || other.GetHair().GetTexture() != 0 {
		t.Errorf("of another person's consultation there is left %v", other)
	}
	if left := without(first.Consultation, map[string]bool{"first": true}); proto.Size(left) > 0 {
		t.Errorf("another person's consultation itself is left: %v", left)
	}
}

// The head is divided as it was last, and a "yes" about a section that there still is lasts.
func TestSectionsAreCarried(t *testing.T) {
	old := consultationOf("old", 400, func(k *pb.Consultation) {
		k.Hair.Sections = []*pb.HeadSection{{SectionId: "nape", Fragile: yes, Texture: 1}, {SectionId: "left", Resistant: yes}}
	})
	latest := consultationOf("latest", 100, func(k *pb.Consultation) {
		k.Hair.Sections = []*pb.HeadSection{{SectionId: "nape", Resistant: no, Porosity: 3}, {SectionId: "fringe", Hairline: yes}}
	})
	draft := drafted([]earlier{old, latest}, nil)
	want := []*pb.HeadSection{{SectionId: "nape", Fragile: yes, Texture: 1}, {SectionId: "fringe", Hairline: yes}}
	if !slices.EqualFunc(draft.Hair.Sections, want, func(a, b *pb.HeadSection) bool { return proto.Equal(a, b) }) {
		t.Errorf("the sections are %v", draft.Hair.Sections)
	}
}
