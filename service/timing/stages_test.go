package timing

import (
	"math"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// at pace is regular with a practitioner of that many minutes a section.
func atPace(minutes float64) *pb.DecisionInputs {
	in := regular()
	in.ApplicationPace = &pb.ApplicationPace{MinutesPerSection: minutes, Sections: 12}
	return in
}

func stageIDs(p *pb.Plan) []string {
	var all []string
	for _, s := range p.Stages {
		all = append(all, strings.Join(s.SectionIds, "+"))
	}
	return all
}

func TestStages(t *testing.T) {
	// By hand: 12 minutes to the target within 18. At 3 minutes a section the third is
	// done at 6 + 12 = 18, the fourth would be at 21. At 6 minutes nobody could test the
	// first section every 3 minutes while the second is applied. At 1 minute the fifth is
	// done at 16.
	for pace, want := range map[float64][]string{
		3: {"back-left+back-right+front-left", "front-right+hairline"},
		6: {"back-left", "back-right", "front-left", "front-right", "hairline"},
		1: {"back-left+back-right+front-left+front-right+hairline"},
	} {
		p := Plan(atPace(pace))
		if got := stageIDs(p); !slices.Equal(got, want) {
			t.Errorf("at %g minutes a section: %q, want %q", pace, got, want)
		}
		if p.PaceMinutes != pace || !p.Feasible {
			t.Errorf("at %g minutes a section: pace %g, feasible %v", pace, p.PaceMinutes, p.Feasible)
		}
	}
	p := Plan(atPace(3))
	if p.GetPeopleForOneStage() != 2 || !strings.Contains(strings.Join(p.Remarks, " "), "With 2 people") {
		t.Errorf("two people have the fifth section on at 6 and done at 18: %v", p)
	}
	if got := p.Stages[0]; got.AppliedMinute != 9 || got.RinseByMinute != 18 {
		t.Errorf("first stage %v", got)
	}
	if got := p.Stages[1].StartMinute; got != 18+betweenStagesMinutes || p.Sections[3].StartMinute != got || p.Sections[4].StartMinute != got+3 {
		t.Errorf("the second stage begins at %v, its sections at %v and %v", got, p.Sections[3].StartMinute, p.Sections[4].StartMinute)
	}
	slow := atPace(3)
	slow.Product.Directions.UsualMinutes = proto.Int32(30)
	if p := Plan(slow); p.Feasible || len(p.Stages) == 0 {
		t.Errorf("no section reaches its target within the limit: %v", p)
	}
	if p := Plan(regular()); len(p.Stages) > 0 || p.PaceMinutes != 0 {
		t.Errorf("inputs of before stages get a plan of before: %v", p)
	}
}

// Every stage that is offered can be worked by one person at the stated pace. The test
// goes through the minutes itself and shares no code with the plan.
func TestEveryOfferedStageIsFeasible(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := atPace(rapid.Float64Range(0.5, 10).Draw(t, "pace"))
		d := in.Product.Directions
		d.UsualMinutes = proto.Int32(rapid.Int32Range(3, 25).Draw(t, "usual"))
		d.MaximumMinutes = proto.Int32(rapid.Int32Range(*d.UsualMinutes, 30).Draw(t, "maximum"))
		if rapid.Bool().Draw(t, "from the end of application") {
			d.MaximumStart = pb.MaximumStart_MAXIMUM_START_END_OF_APPLICATION
			d.ApplicationMinutes = proto.Int32(rapid.Int32Range(1, 12).Draw(t, "application"))
		}
		in.Consultation.Hair.Sections = nil
		for i := range rapid.IntRange(1, 9).Draw(t, "sections") {
			in.Consultation.Hair.Sections = append(in.Consultation.Hair.Sections, &pb.HeadSection{
				SectionId: string(rune('a' + i)),
				Texture:   pb.Texture(rapid.IntRange(0, 3).Draw(t, "texture")),
				Porosity:  pb.Porosity(rapid.IntRange(0, 4).Draw(t, "porosity")),
				Fragile:   pb.Answer(rapid.IntRange(0, 2).Draw(t, "fragile")),
			})
		}
		p, limits := Plan(in), Limits(in)
		var planned []string
		for _, s := range p.Stages {
			planned = append(planned, s.SectionIds...)
		}
		if !slices.Equal(planned, order(p)) {
			t.Fatalf("the stages hold %v, the plan %v", planned, order(p))
		}
		next := 0
		for _, stage := range p.Stages {
			workStage(t, limits, p, stage, p.Sections[next:next+len(stage.SectionIds)])
			next += len(stage.SectionIds)
		}
	})
}

// workStage puts one section on after the other, and brings water on all of them at the
// time that the plan says.
func workStage(t *rapid.T, limits *pb.SessionLimits, p *pb.Plan, stage *pb.PlannedStage, sections []*pb.PlannedSection) {
	const rounding = 1e-5
	applied := float64(len(sections)) * p.PaceMinutes
	water := stage.RinseByMinute
	if len(sections) > 1 && water < applied-rounding {
		t.Fatalf("water at %v, and the stage is applied at %v", water, applied)
	}
	for i, s := range sections {
		start := float64(i) * p.PaceMinutes
		exposure := water - start
		if exposure > s.HardLimitMinute+rounding || exposure > limits.HardLimitMinutes+rounding {
			t.Fatalf("%s is on for %v minutes, its limit is %v", s.SectionId, exposure, s.HardLimitMinute)
		}
		if after := limits.MinutesAfterApplication; after != nil && len(sections) > 1 && water-applied > *after+rounding {
			t.Fatalf("water %v minutes after the application, %v are allowed", water-applied, *after)
		}
		if i > 0 && exposure < min(s.ExpectedMinutes, s.HardLimitMinute)-rounding {
			t.Fatalf("%s has %v minutes and needs %v", s.SectionId, exposure, s.ExpectedMinutes)
		}
		if len(sections) == 1 {
			continue
		}
		// Hands are free when a section is finished, and after the last one.
		free := start + s.FirstStrandTestMinute
		for n := range sections { // counted: a sum of minutes can fall short of applied
			boundary := float64(n) * p.PaceMinutes
			if free > boundary+rounding && free < boundary+p.PaceMinutes-rounding {
				free = boundary + p.PaceMinutes
				break
			}
		}
		if free < applied-rounding && p.PaceMinutes > limits.StrandTestMinutes+testGraceMinutes+rounding {
			t.Fatalf("%s is tested while others are applied at %v minutes each: too rarely", s.SectionId, p.PaceMinutes)
		}
		if latest := start + s.LatestRinseMinute; free+testMinutes > latest+rounding && limits.MinutesAfterApplication == nil {
			t.Fatalf("%s: the first strand test can be made at %v, the latest call is at %v", s.SectionId, free, latest)
		}
	}
}

func TestPaceOfAVisit(t *testing.T) {
	by := func(actor string, e *pb.Event) *pb.Event { e.Actor = actor; return e }
	visit := func(practitioner string, facts func(*timeline)) *pb.ApplicationPace {
		s := newTimeline(regular())
		s.session.Practitioner = practitioner
		facts(s)
		return VisitPace(s.session, s.events)
	}
	const amara, jo = "chains/ebb-and-flow/practitioners/amara", "chains/ebb-and-flow/practitioners/jo"
	got := visit(amara, func(s *timeline) {
		s.at(0, applied("back-left")).at(2, applied("back-right")).at(2.2, part("back-left", pb.SectionPart_SECTION_PART_SCALP)).
			at(6, applied("front-left")). // 4 minutes
			at(40, applied("front-right")).at(43, applied("hairline"))
	})
	if got.GetMinutesPerSection() != 3 || got.GetSections() != 3 || got.GetPractitioner() != amara {
		t.Errorf("2, 4 and 3 minutes, and a second stage in between: %v", got)
	}
	for name, facts := range map[string]func(*timeline){
		"one section":       func(s *timeline) { s.at(0, applied("back-left")) },
		"one interval":      func(s *timeline) { s.at(0, applied("back-left")).at(3, applied("back-right")) },
		"tapped afterwards": func(s *timeline) { s.at(0, applied("a")).at(0.1, applied("b")).at(0.2, applied("c")) },
		"somebody else every one": func(s *timeline) {
			s.at(0, by(jo, applied("a"))).at(3, by(jo, applied("b"))).at(6, by(jo, applied("c")))
		},
		"turn and turn about": func(s *timeline) {
			s.at(0, applied("a")).at(2, by(jo, applied("b"))).at(4, applied("c")).at(6, by(jo, applied("d")))
		},
		"a clock nobody knows": func(s *timeline) {
			unmeasured(s.at(0, applied("a")).at(3, applied("b")).at(6, applied("c")))
		},
	} {
		if got := visit(amara, facts); got != nil {
			t.Errorf("%s: %v", name, got)
		}
	}
}

func TestPaceIsLearned(t *testing.T) {
	of := func(minutes float64, sections int32) *pb.ApplicationPace {
		return &pb.ApplicationPace{MinutesPerSection: minutes, Sections: sections}
	}
	if got := LearnPace("p", nil); got.MinutesPerSection != 3 || got.Sections != 0 || got.Practitioner != "p" {
		t.Errorf("before any visit: %v", got)
	}
	// By hand: ln 3 with variance 0.09, and ln 6 with variance 0.15^2 + 0.3^2/4 = 0.045,
	// so the visit weighs two thirds: 3 * 2^(2/3) = 4.762.
	if got := LearnPace("p", []*pb.ApplicationPace{of(6, 4)}); math.Abs(got.MinutesPerSection-4.762203) > 1e-5 || got.Sections != 4 {
		t.Errorf("one visit of 6 minutes a section: %v", got)
	}
	many := []*pb.ApplicationPace{of(5, 4), of(4.4, 4), of(5.2, 3), of(4.6, 4), of(4.9, 4), of(0, 4), of(9, 0)}
	got := LearnPace("p", many)
	if math.Abs(got.MinutesPerSection-4.8) > 0.3 || got.Sections != 19 {
		t.Errorf("visits of about 4.8 minutes a section: %v", got)
	}
	slices.Reverse(many)
	if again := LearnPace("p", many); !proto.Equal(got, again) {
		t.Errorf("the order of the visits matters: %v, %v", got, again)
	}
}
