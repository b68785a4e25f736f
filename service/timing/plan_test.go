package timing

import (
	"slices"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"google.golang.org/protobuf/proto"
)

func order(p *pb.Plan) []string {
	var ids []string
	for _, s := range p.Sections {
		ids = append(ids, s.SectionId)
	}
	return ids
}

func TestOrderOfApplication(t *testing.T) {
	yes, unsure := pb.Answer_ANSWER_YES, pb.Answer_ANSWER_UNSURE
	learnt := func(id string, effect float64) *pb.LearnedRate {
		return &pb.LearnedRate{SectionId: id, Rate: &pb.RateEstimate{Mean: reference() + effect, Deviation: 0.1, Readings: 4}}
	}
	for _, c := range []struct {
		name     string
		sections []*pb.HeadSection
		rates    []*pb.LearnedRate
		want     []string
	}{
		{"nobody divided the head: the usual four and the hairline", nil, nil,
			[]string{"back-left", "back-right", "front-left", "front-right", "hairline"}},
		{"marked as resistant", []*pb.HeadSection{{SectionId: "crown"}, {SectionId: "nape", Resistant: yes}}, nil,
			[]string{"nape", "crown"}},
		{"coarse first, porous late", []*pb.HeadSection{{SectionId: "porous", Porosity: pb.Porosity_POROSITY_POROUS}, {SectionId: "medium"}, {SectionId: "coarse", Texture: pb.Texture_TEXTURE_COARSE}}, nil,
			[]string{"coarse", "medium", "porous"}},
		{"tighter curl first", []*pb.HeadSection{{SectionId: "loose", CurlType: pb.CurlType_CURL_TYPE_III}, {SectionId: "tight", CurlType: pb.CurlType_CURL_TYPE_VIII}}, nil,
			[]string{"tight", "loose"}},
		{"hairline last, even a resistant one", []*pb.HeadSection{{SectionId: "hairline", Hairline: yes, Resistant: yes}, {SectionId: "crown"}, {SectionId: "temple", Fragile: yes}}, nil,
			[]string{"crown", "temple", "hairline"}},
		{"perhaps fragile counts as fragile", []*pb.HeadSection{{SectionId: "temple", Fragile: unsure, Resistant: yes}, {SectionId: "crown"}}, nil,
			[]string{"crown", "temple"}},
		{"measured slow at earlier visits", nil, []*pb.LearnedRate{learnt("", -0.1), learnt("front-left", -0.4)},
			[]string{"front-left", "back-left", "back-right", "front-right", "hairline"}},
		{"measured fast in spite of the mark", []*pb.HeadSection{{SectionId: "nape", Resistant: yes}, {SectionId: "crown"}}, []*pb.LearnedRate{learnt("", 0), learnt("nape", 0.3)},
			[]string{"crown", "nape"}},
		{"equals keep the salon's own order", []*pb.HeadSection{{SectionId: "b"}, {SectionId: "a"}, {SectionId: "c"}}, nil,
			[]string{"b", "a", "c"}},
	} {
		in := regular()
		in.Consultation.Hair.Sections = c.sections
		in.RecordCard = &pb.RecordCard{Rates: c.rates}
		p := Plan(in)
		if got := order(p); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
		for i, s := range p.Sections {
			if s.Order != int32(i+1) || s.StartMinute != paceMinutes*float64(i) || s.Reason == "" {
				t.Errorf("%s: %v", c.name, s)
			}
		}
	}
}

func TestExpectedMinutes(t *testing.T) {
	first := func(change func(*pb.DecisionInputs)) *pb.PlannedSection {
		in := regular()
		change(in)
		return Plan(in).Sections[0]
	}
	usualTime := first(func(*pb.DecisionInputs) {})
	near(t, "the directions' usual minutes on the hair they are meant for", usualTime.ExpectedMinutes, 12, 1e-6)

	hair := func(in *pb.DecisionInputs) *pb.HairAnalysis { return in.Consultation.Hair }
	slower := map[string]func(*pb.DecisionInputs){
		"coarse hair":                   func(in *pb.DecisionInputs) { hair(in).Texture = pb.Texture_TEXTURE_COARSE },
		"tightest curl":                 func(in *pb.DecisionInputs) { hair(in).CurlType = pb.CurlType_CURL_TYPE_VIII },
		"mild product":                  func(in *pb.DecisionInputs) { in.Product.Strength = pb.Strength_STRENGTH_MILD },
		"resistant cuticle":             func(in *pb.DecisionInputs) { hair(in).Zones[0].Porosity, hair(in).Zones[1].Porosity = 1, 1 },
		"slow preliminary strand test":  func(in *pb.DecisionInputs) { in.Consultation.Tests = soundStrand(17) },
		"slow head at earlier visits":   func(in *pb.DecisionInputs) { in.RecordCard = headRate(-0.2) },
		"directions with a longer time": func(in *pb.DecisionInputs) { in.Product.Directions.UsualMinutes = proto.Int32(14) },
	}
	for name, change := range slower {
		if got := first(change); got.ExpectedMinutes <= usualTime.ExpectedMinutes {
			t.Errorf("%s: %v minutes", name, got.ExpectedMinutes)
		}
	}
	faster := map[string]func(*pb.DecisionInputs){
		"fine hair":                          func(in *pb.DecisionInputs) { hair(in).Texture = pb.Texture_TEXTURE_FINE },
		"one porous zone":                    func(in *pb.DecisionInputs) { hair(in).Zones[1].Porosity = pb.Porosity_POROSITY_POROUS },
		"super product":                      func(in *pb.DecisionInputs) { in.Product.Strength = pb.Strength_STRENGTH_SUPER },
		"fast preliminary strand test":       func(in *pb.DecisionInputs) { in.Consultation.Tests = soundStrand(8) },
		"client who wants only a little":     func(in *pb.DecisionInputs) { in.Consultation.Wishes = wish(50) },
		"fast head at earlier visits":        func(in *pb.DecisionInputs) { in.RecordCard = headRate(0.2) },
		"house that aims lower than default": func(in *pb.DecisionInputs) { in.Parameters = target(65) },
	}
	for name, change := range faster {
		if got := first(change); got.ExpectedMinutes >= usualTime.ExpectedMinutes {
			t.Errorf("%s: %v minutes", name, got.ExpectedMinutes)
		}
	}
	same := map[string]func(*pb.DecisionInputs){
		"strand test with another product": func(in *pb.DecisionInputs) {
			in.Consultation.Tests = soundStrand(8)
			in.Consultation.Tests.StrandProduct = "chains/ebb-and-flow/products/other"
		},
		"strand test that broke": func(in *pb.DecisionInputs) {
			in.Consultation.Tests = soundStrand(8)
			in.Consultation.Tests.Strand = pb.StrandReading_STRAND_READING_BREAKAGE
		},
		"porous ends, and only the new growth is treated": func(in *pb.DecisionInputs) {
			in.ServiceKind = pb.ServiceKind_SERVICE_KIND_RETOUCH
			hair(in).Zones[1].Porosity = pb.Porosity_POROSITY_EXTREME
		},
	}
	for name, change := range same {
		if got := first(change); got.ExpectedMinutes != usualTime.ExpectedMinutes {
			t.Errorf("%s: %v minutes", name, got.ExpectedMinutes)
		}
	}
	wider := map[string]func(*pb.DecisionInputs){
		"texture not answered":   func(in *pb.DecisionInputs) { hair(in).Texture = 0 },
		"curl not answered":      func(in *pb.DecisionInputs) { hair(in).CurlType = 0 },
		"porosity not answered":  func(in *pb.DecisionInputs) { hair(in).Zones = nil },
		"directions without one": func(in *pb.DecisionInputs) { in.Product.Directions.UsualMinutes = nil },
	}
	for name, change := range wider {
		if got := first(change); ratio(got) <= ratio(usualTime) {
			t.Errorf("%s: the interval is no wider, %v", name, got)
		}
	}
	if measured := first(func(in *pb.DecisionInputs) { in.RecordCard = headRate(0) }); ratio(measured) >= ratio(usualTime) {
		t.Errorf("earlier visits do not narrow the interval: %v", measured)
	}
}

func ratio(s *pb.PlannedSection) float64 {
	return (s.ExpectedMinutesHigh - lagMinutes) / (s.ExpectedMinutesLow - lagMinutes)
}

func soundStrand(minutes float64) *pb.PreliminaryTests {
	return &pb.PreliminaryTests{Strand: pb.StrandReading_STRAND_READING_SOUND, StrandProduct: relaxer, StrandMinutes: &minutes}
}

func headRate(effect float64) *pb.RecordCard {
	return &pb.RecordCard{Rates: []*pb.LearnedRate{{Rate: &pb.RateEstimate{Mean: reference() + effect, Deviation: 0.1, Readings: 3}}}}
}

func wish(percent float64) *pb.Wishes { return &pb.Wishes{StraighteningPercent: &percent} }

func target(percent float64) *pb.PolicyParameters {
	return &pb.PolicyParameters{StraighteningTargetPercent: &percent}
}

func TestTimesWithinAPlan(t *testing.T) {
	for _, s := range Plan(regular()).Sections {
		if !(0 < s.FirstStrandTestMinute && s.FirstStrandTestMinute < s.LatestRinseMinute &&
			s.LatestRinseMinute < s.HardLimitMinute && s.ExpectedMinutesLow < s.ExpectedMinutes && s.ExpectedMinutes < s.ExpectedMinutesHigh) {
			t.Errorf("%v", s)
		}
	}
}

func TestSlowSectionIsTestedByHalfOfTheLimit(t *testing.T) {
	in := regular()
	in.RecordCard = headRate(-1)
	for _, s := range Plan(in).Sections {
		if s.FirstStrandTestMinute != 9 {
			t.Errorf("first strand test at %v, the limit is %v", s.FirstStrandTestMinute, s.HardLimitMinute)
		}
	}
}

func TestFeasible(t *testing.T) {
	short := regular()
	short.Consultation.Hair.Sections = []*pb.HeadSection{{SectionId: "left"}, {SectionId: "right"}}
	if p := Plan(short); !p.Feasible {
		t.Errorf("two sections of 12 minutes within 18: %v", p.Remarks)
	}
	p := Plan(regular())
	if p.Feasible {
		t.Error("five sections of 12 minutes, three minutes each to apply, within 18")
	}
	if p.FinishSpreadMinutes != 4*paceMinutes {
		t.Errorf("spread %v", p.FinishSpreadMinutes)
	}
	for _, want := range []string{"helper", "two stages", "section by section", "back-left, back-right, front-left; then front-right, hairline"} {
		if !strings.Contains(strings.Join(p.Remarks, " "), want) {
			t.Errorf("no word of %q in %v", want, p.Remarks)
		}
	}
	slow := regular()
	slow.Product.Directions.UsualMinutes = proto.Int32(30)
	if text := strings.Join(Plan(slow).Remarks, " "); !strings.Contains(text, "will stay below the target") || strings.Contains(text, "two stages") {
		t.Errorf("no section can reach its target within the limit: %s", text)
	}
}

func TestLimits(t *testing.T) {
	with := func(change func(*pb.DecisionInputs)) *pb.SessionLimits {
		in := regular()
		change(in)
		return Limits(in)
	}
	directions := func(in *pb.DecisionInputs) *pb.Directions { return in.Product.Directions }
	for _, c := range []struct {
		name      string
		got, want any
	}{
		{"manufacturer shorter than the house", with(func(in *pb.DecisionInputs) { in.Parameters = maximum(20) }).HardLimitMinutes, 18.0},
		{"house shorter than the manufacturer", with(func(in *pb.DecisionInputs) { in.Parameters = maximum(15) }).HardLimitMinutes, 15.0},
		{"house shorter: it is named", with(func(in *pb.DecisionInputs) { in.Parameters = maximum(15) }).HardLimitBasis, "house maximum: 15 minutes from first contact"},
		{"the trade's own 20 is named", Limits(nil).HardLimitBasis, "common practice: 20 minutes from first contact"},
		{"a house that says 20 is named", with(func(in *pb.DecisionInputs) {
			directions(in).MaximumMinutes, in.Parameters, in.HousePolicy = nil, maximum(20), &pb.HousePolicy{Parameters: maximum(20)}
		}).HardLimitBasis, "house maximum: 20 minutes from first contact"},
		{"manufacturer named", Limits(regular()).HardLimitBasis, "manufacturer's directions: 18 minutes from first contact"},
		{"no directions, no house: the trade's 20", Limits(nil).HardLimitMinutes, 20.0},
		{"strand tests as often as the directions say", with(func(in *pb.DecisionInputs) { directions(in).StrandTestMinutes = proto.Int32(2) }).StrandTestMinutes, 2.0},
		{"never more rarely than the house says", with(func(in *pb.DecisionInputs) { directions(in).StrandTestMinutes = proto.Int32(10) }).StrandTestMinutes, 3.0},
		{"a house cannot raise the cap", with(func(in *pb.DecisionInputs) {
			in.Parameters = &pb.PolicyParameters{StraighteningCapPercent: proto.Float64(95)}
		}).CapPercent, 80.0},
		{"the target is never above the cap", with(func(in *pb.DecisionInputs) {
			in.Parameters = &pb.PolicyParameters{StraighteningCapPercent: proto.Float64(60)}
		}).TargetPercent, 60.0},
		{"the client wants less", with(func(in *pb.DecisionInputs) { in.Consultation.Wishes = wish(50) }).TargetPercent, 50.0},
		{"the client wants more than is safe", with(func(in *pb.DecisionInputs) { in.Consultation.Wishes = wish(100) }).TargetPercent, 75.0},
		{"a bowl at hand", with(func(in *pb.DecisionInputs) { in.Salon = &pb.Salon{MinutesToBowl: proto.Int32(0)} }).MinutesToBowl, 0.0},
		{"a bowl far away", with(func(in *pb.DecisionInputs) { in.Salon = &pb.Salon{MinutesToBowl: proto.Int32(3)} }).MinutesToBowl, 3.0},
		{"base not answered is not a no", Limits(nil).BaseNeeded, true},
		{"directions need no base", with(func(in *pb.DecisionInputs) { directions(in).BaseNeeded = pb.Answer_ANSWER_NO }).BaseNeeded, false},
		{"phenolphthalein's point", Limits(nil).NeutralPh, 8.2},
	} {
		if c.got != c.want {
			t.Errorf("%s: %v, want %v", c.name, c.got, c.want)
		}
	}
}

func maximum(minutes int32) *pb.PolicyParameters {
	return &pb.PolicyParameters{ProcessingMaximumMinutes: &minutes}
}

func TestShortNewGrowthWarnsOfOverlap(t *testing.T) {
	retouch := func(mm float64) *pb.DecisionInputs {
		in := regular()
		in.ServiceKind = pb.ServiceKind_SERVICE_KIND_RETOUCH
		in.Consultation.Hair.NewGrowthMm = &mm
		in.Consultation.Hair.CurlType = pb.CurlType_CURL_TYPE_VIII
		in.Consultation.History = &pb.ClientHistory{Relaxer: &pb.PastEvent{
			Happened: pb.Answer_ANSWER_YES, LastTime: stamp(minute(-20).AddDate(0, 0, -56)),
		}}
		return in
	}
	// 56 days at 256 um a day (Loussouarn 2001) are 14.3 mm, at least 9.7 in 95 %.
	for mm, want := range map[float64]bool{4: true, 9: true, 10: false, 14: false, 30: false} {
		got := strings.Contains(strings.Join(Plan(retouch(mm)).Remarks, " "), "overlap")
		if got != want {
			t.Errorf("%v mm of new growth after 56 days: warned %v", mm, got)
		}
	}
}

// The same inputs give the same bytes: a decision must replay years later.
func TestPlanIsTheSameEveryTime(t *testing.T) {
	first, err := proto.MarshalOptions{Deterministic: true}.Marshal(Plan(regular()))
	if err != nil {
		t.Fatal(err)
	}
	for range 20 {
		again, err := proto.MarshalOptions{Deterministic: true}.Marshal(Plan(regular()))
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(first, again) {
			t.Fatal("two plans from the same inputs differ")
		}
	}
}

// A partial service plans the sections that are named, and nothing else.
func TestPlanOfSomeSections(t *testing.T) {
	in := regular()
	in.Consultation.Hair.Sections = []*pb.HeadSection{{SectionId: "crown"}, {SectionId: "nape"}, {SectionId: "front"}}
	in.SectionIds = []string{"nape", "front"}
	if got := order(Plan(in)); !slices.Equal(got, []string{"nape", "front"}) {
		t.Errorf("planned %v", got)
	}
	if got := SectionIDs(in); !slices.Equal(got, []string{"crown", "nape", "front"}) {
		t.Errorf("the head has %v", got)
	}
}

// A section is timed by its own product, and all sections by the shortest limit of
// any product on the head.
func TestPlanOfSeveralProducts(t *testing.T) {
	in := regular()
	in.Consultation.Hair.Sections = []*pb.HeadSection{{SectionId: "crown"}, {SectionId: "temples"}}
	mild := proto.CloneOf(in.Product)
	mild.Name += "-mild"
	mild.Directions.UsualMinutes, mild.Directions.MaximumMinutes, mild.Directions.UseWithinMinutes = proto.Int32(8), proto.Int32(11), proto.Int32(40)
	before := Plan(in)
	in.SectionProducts = []*pb.SectionProduct{{SectionId: "temples", Product: mild}}
	after := Plan(in)
	expected := func(p *pb.Plan, id string) float64 {
		return p.Sections[slices.IndexFunc(p.Sections, func(s *pb.PlannedSection) bool { return s.SectionId == id })].ExpectedMinutes
	}
	if expected(after, "temples") >= expected(before, "temples") || expected(after, "crown") != expected(before, "crown") {
		t.Errorf("before %v, after %v", before.Sections, after.Sections)
	}
	limits := Limits(in)
	if limits.HardLimitMinutes != 11 || limits.GetUseWithinMinutes() != 40 || !strings.Contains(limits.HardLimitBasis, "section's product") {
		t.Errorf("limits: %v", limits)
	}
}

// A house may want less loosening, never more.
func TestTexturizingTargetOfTheHouse(t *testing.T) {
	in := regular()
	in.ServiceKind = pb.ServiceKind_SERVICE_KIND_TEXTURIZING
	in.Parameters = &pb.PolicyParameters{TexturizingTargetPercent: proto.Float64(30)}
	if got := Limits(in).TargetPercent; got != 30 {
		t.Errorf("the target is %g", got)
	}
}
