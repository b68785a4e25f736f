package timing

import (
	"slices"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// stageOn is product on the next stage.
func stageOn(p pb.SectionPart) *pb.Event {
	return &pb.Event{Fact: &pb.Event_StageApplied{StageApplied: &pb.StageApplied{Part: p}}}
}

// begun lists the sections with product on at a minute, "?" where the contact is assumed.
func (s *timeline) begun(m float64) []string {
	var ids []string
	for _, c := range s.stateAt(m).Sections {
		if c.FirstContactTime == nil || c.RinseTime != nil {
			continue
		}
		id := c.SectionId
		if c.ContactAssumed {
			id += "?"
		}
		ids = append(ids, id)
	}
	return ids
}

// The plan at 3 minutes a section has two stages, see TestStages.
func TestOneContactForAStage(t *testing.T) {
	staged := func() *timeline { return newTimeline(atPace(3)).at(-1, based()) }
	unstaged := newTimeline(regular()).at(-1, based())
	unplanned := &timeline{session: &pb.Session{StartTime: stamp(minute(-5))}}
	scalp := func() *pb.Event { return stageOn(pb.SectionPart_SECTION_PART_SCALP) }
	first, second := []string{"back-left", "back-right?", "front-left?"}, []string{"front-right", "hairline?"}
	for _, c := range []struct {
		name     string
		timeline *timeline
		at       float64
		want     []string
	}{
		{"the first stage", staged().at(0, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)), 1, first},
		{"a second pass is on the same stage", staged().at(0, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)).at(6, scalp()), 7, first},
		{"the next stage, when the first is rinsed", staged().at(0, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)).at(8, water("")).at(30, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)), 31, second},
		{"the rest of a stage of which one section was noted", staged().at(0, applied("back-left")).at(3, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)), 4, []string{"back-left", "back-right", "front-left?"}},
		{"the rest of a stage that was rinsed before it was all on", staged().at(0, applied("back-left")).at(8, water("")).at(30, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)), 31, []string{"back-right", "front-left?"}},
		{"all of it once more", staged().at(0, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)).at(8, water("")).at(30, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)).at(38, water("")).at(60, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)), 61,
			[]string{"back-left", "back-right?", "front-left?", "front-right?", "hairline?"}},
		{"a plan without stages: the whole head", unstaged.at(0, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)), 1, []string{"back-left", "back-right?", "front-left?", "front-right?", "hairline?"}},
		{"no plan", unplanned.at(0, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)), 1, []string{""}},
	} {
		if got := c.timeline.begun(c.at); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	if got := stateOf(t, staged().at(0, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)).at(6, scalp()).stateAt(7), "front-left").Contacts; len(got) != 2 {
		t.Errorf("mid-strand and scalp: %v", got)
	}
}

// Guidance goes by the longest exposure of a section that was noted with others. The log
// goes by the section whose contact is known, and the next visit learns from it alone.
func TestAnAssumedContactGuidesAndAccusesNobody(t *testing.T) {
	s := newTimeline(atPace(3)).at(-1, based()).at(0, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND))
	if got := stateOf(t, s.stateAt(5), "front-left").ExposureMinutes; got != 5 {
		t.Errorf("exposure of the section that was applied last: %v", got)
	}
	late := s.stateAt(19)
	if got := deviationWords(late.Deviations); !slices.Equal(got, []string{"STRAND_TEST_OVERDUE back-left", "RINSED_LATE back-left", "LIMIT_PASSED back-left"}) {
		t.Errorf("past the limit: %q", got)
	}
	for _, id := range []string{"back-left", "back-right", "front-left"} {
		if !slices.Contains(alarmWords(late.Alarms), "RINSE_NOW "+id) {
			t.Errorf("%s is past the limit and not called: %q", id, alarmWords(late.Alarms))
		}
	}
	s = newTimeline(atPace(3)).at(-1, based()).at(0, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)).at(4, strand("", 60)).at(8, strand("", 30)).at(9, water(""))
	for _, o := range SectionOutcomes(s.session, atPace(3), s.stateAt(10), nil) {
		if own := o.SectionId == "back-left"; o.ContactAssumed == own || (o.Rate != nil) != own {
			t.Errorf("%s: assumed %v, teaches %v", o.SectionId, o.ContactAssumed, o.Rate)
		}
	}
	if VisitPace(s.session, s.events) != nil {
		t.Error("one contact for a stage shows no pace")
	}
	gum := newTimeline(atPace(3)).at(-1, based()).at(0, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)).at(4, gummy("front-left", 60)).at(9, water(""))
	if got := deviationWords(gum.stateAt(10).Deviations); !slices.Contains(got, "RINSED_LATE front-left") {
		t.Errorf("damaged hair needs no time of contact: %q", got)
	}
	passed := newTimeline(atPace(3)).at(-1, based()).at(0, stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)).at(3, strand("", 45)).at(4, strand("", 30)).at(5, strand("", 25)).at(17, water(""))
	for _, d := range passed.stateAt(18).Deviations {
		if d.Kind == pb.DeviationKind_DEVIATION_KIND_CAP_PASSED && d.SectionId != "back-left" {
			t.Errorf("%v rests on a time that nobody noted", d)
		}
	}
}

// A till whose clock nobody knows: contacts move to the earliest time, and a strand test
// keeps its distance from them, also when one of the two is for the whole head. Otherwise
// the hair would seem slower than it is.
func TestAStrandTestKeepsItsDistance(t *testing.T) {
	for name, c := range map[string]struct {
		contact string
		test    string
	}{
		"a section, its own test":      {"back-left", "back-left"},
		"a section, a test of all":     {"back-left", ""},
		"a stage, a test of one of it": {"", "back-left"},
		"a stage, a test of it":        {"", ""},
	} {
		contact := applied(c.contact)
		if c.contact == "" {
			contact = stageOn(pb.SectionPart_SECTION_PART_MID_STRAND)
		}
		s := unmeasured(newTimeline(atPace(3)).at(0, contact).at(5, strand(c.test, 60)))
		state := stateOf(t, s.stateAt(6), "back-left")
		if got := state.LastTestTime.AsTime().Sub(state.FirstContactTime.AsTime()); got != 5*time.Minute {
			t.Errorf("%s: the test is %v after the contact, want 5 minutes", name, got)
		}
	}
	s := unmeasured(newTimeline(atPace(3)).at(0, applied("back-left")).at(2, applied("back-right")).at(5, strand("", 60)))
	state := stateOf(t, s.stateAt(6), "back-right")
	if got := state.LastTestTime.AsTime().Sub(state.FirstContactTime.AsTime()); got > 3*time.Minute {
		t.Errorf("a test of two sections that were begun 2 minutes apart is %v after the contact of the second, which was 3 minutes", got)
	}
}

// A test of the second stage is not moved with the contact of the first.
func TestAStrandTestBelongsToItsOwnStage(t *testing.T) {
	mid := pb.SectionPart_SECTION_PART_MID_STRAND
	s := unmeasured(newTimeline(atPace(3)).at(0, stageOn(mid)).at(8, water("")).at(9, rinsedOutFact()).at(30, stageOn(mid)).at(34, strand("", 60)))
	state := s.stateAt(35)
	if c := stateOf(t, state, "front-right"); c.LastTestTime == nil || c.GetLastReadingPercent() != 60 {
		t.Errorf("the second stage was tested: %v", c)
	}
	if c := stateOf(t, state, "back-left"); c.LastTestTime != nil {
		t.Errorf("the first stage was not: %v", c)
	}
}
