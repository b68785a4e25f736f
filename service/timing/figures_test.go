package timing

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// A section alone needs no other hands, however slowly it is applied; hands of a second
// person are free for the strand tests.
func TestPeopleForOneStage(t *testing.T) {
	alone := atPace(8)
	alone.Consultation.Hair.Sections = []*pb.HeadSection{{SectionId: "nape"}}
	if got := Plan(alone).PeopleForOneStage; got == nil || *got != 1 {
		t.Errorf("a section alone at 8 minutes: %v people", got)
	}
	// By hand: of two sections at 5 minutes, one person cannot test the first every 3
	// minutes while the second is applied; two people begin both at once.
	two := atPace(5)
	two.Consultation.Hair.Sections = []*pb.HeadSection{{SectionId: "a"}, {SectionId: "b"}}
	if got := Plan(two).PeopleForOneStage; got == nil || *got != 2 {
		t.Errorf("two sections at 5 minutes: %v people", got)
	}
}

func TestTexturizingAimsAtForty(t *testing.T) {
	in := regular()
	in.ServiceKind = pb.ServiceKind_SERVICE_KIND_TEXTURIZING
	if got := Limits(in).TargetPercent; got != 40 {
		t.Errorf("target %v %%", got)
	}
}

// The same limits are not tighter; a shorter one is, with its figure.
func TestTighterLimits(t *testing.T) {
	limits := func() *pb.SessionLimits {
		l := Limits(regular())
		l.UseWithinMinutes, l.MinutesAfterApplication = proto.Float64(20), proto.Float64(10)
		l.BaseNeeded = false
		return l
	}
	if got := TighterLimits(limits(), limits()); len(got) > 0 {
		t.Errorf("the same limits: %q", got)
	}
	now := limits()
	now.HardLimitMinutes, now.StrandTestMinutes, now.CapPercent = 17, 2, 70
	now.UseWithinMinutes, now.MinutesAfterApplication, now.BaseNeeded = proto.Float64(19), proto.Float64(9), true
	if got := TighterLimits(limits(), now); len(got) != 6 {
		t.Errorf("all six are tighter: %q", got)
	}
	if got := TighterLimits(now, limits()); len(got) > 0 {
		t.Errorf("all are looser: %q", got)
	}
	none := limits()
	none.UseWithinMinutes, none.MinutesAfterApplication = nil, nil
	if got := TighterLimits(none, limits()); len(got) != 2 {
		t.Errorf("two limits that there were not: %q", got)
	}
}

// The plan says where its minutes come from.
func TestPlanBasisNamesItsSource(t *testing.T) {
	in := regular()
	if got := strings.Join(Plan(in).Basis, "\n"); !strings.Contains(got, "manufacturer's directions") || strings.Contains(got, "the directions state none") {
		t.Errorf("usual minutes in the directions: %s", got)
	}
	in.Product.Directions.UsualMinutes = nil
	if got := strings.Join(Plan(in).Basis, "\n"); !strings.Contains(got, "common practice, the directions state none") {
		t.Errorf("no usual minutes in the directions: %s", got)
	}
}

// A stored plan with impossible figures gets the default prior, whichever figure it is.
func TestImpossiblePlanGetsTheDefaultPrior(t *testing.T) {
	plan := &pb.Plan{TargetPercent: 75}
	sound := &pb.PlannedSection{ExpectedMinutes: 12, ExpectedMinutesLow: 7, ExpectedMinutesHigh: 22}
	if plannedPrior(plan, sound) == priorOf(nil, nil) {
		t.Fatal("a sound plan gets the default prior")
	}
	for name, change := range map[string]func(*pb.Plan, *pb.PlannedSection){
		"no target":         func(p *pb.Plan, _ *pb.PlannedSection) { p.TargetPercent = 0 },
		"low in the lag":    func(_ *pb.Plan, s *pb.PlannedSection) { s.ExpectedMinutesLow = lagMinutes },
		"middle in the lag": func(_ *pb.Plan, s *pb.PlannedSection) { s.ExpectedMinutes = lagMinutes },
		"no width":          func(_ *pb.Plan, s *pb.PlannedSection) { s.ExpectedMinutesHigh = s.ExpectedMinutesLow },
	} {
		p, s := proto.CloneOf(plan), proto.CloneOf(sound)
		change(p, s)
		if got := plannedPrior(p, s); got != priorOf(nil, nil) {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// A condition that was missed is named by its id in the decision, so that the same rule on
// another subject is another deviation.
func TestMissedConditionIsNamedByItsID(t *testing.T) {
	s := newTimeline(regular()).at(-1, based())
	s.session.Conditions = []*pb.ConditionState{
		{ConditionId: "c1", RuleId: "cond.gloves", BeforeContact: true},
		{RuleId: "cond.ends", Subject: "ends", BeforeContact: true}, // of before conditions had ids
	}
	var ids []string
	for _, d := range s.at(0, applied("back-left")).stateAt(1).Deviations {
		ids = append(ids, d.ConditionId)
	}
	if slices.Sort(ids); !slices.Equal(ids, []string{"c1", "cond.ends/ends"}) {
		t.Errorf("missed conditions are named %q", ids)
	}
}

// An incident has the flush minutes of its own place, once that water has ended.
func TestFlushMinutesAreThoseOfThePlace(t *testing.T) {
	s := oneSection().at(0.5, rinsedOutFact()).at(1, splash(leftEye)).at(1, waterOn(leftEye, "")).at(2, splash(onSkin)).at(2, waterOn(onSkin, "")).at(17, waterOff(leftEye, ""))
	found := 0
	for _, i := range Incidents(s.session, s.events, s.stateAt(20)) {
		switch i.Place {
		case leftEye:
			found++
			near(t, "minutes on the eye", i.GetFlushMinutes(), 16, 1e-9)
		case onSkin:
			found++
			if i.FlushMinutes != nil {
				t.Errorf("water still runs on the skin: %v minutes are noted", i.GetFlushMinutes())
			}
		}
	}
	if found != 2 {
		t.Errorf("%d of two incidents found", found)
	}
}
