package timing

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// smoothAt is one strand test with a percentage and the word for it.
func smoothAt(section string, remaining float64) *pb.Event {
	e := strand(section, remaining)
	e.GetStrandTest().Reading = pb.CurlReading_CURL_READING_STAYS_SMOOTH
	return e
}

// One strand test that reads at the cap calls to the bowl. It calls for water at once when
// something else says the same, or when water has not come: 2 minutes are one and a half
// times the minute to the bowl, and half a minute of hands.
func TestOneReadingAtTheCapIsDoubted(t *testing.T) {
	const due, now = "RINSE_DUE back-left", "RINSE_NOW back-left"
	curly := func() *timeline { return oneSection().at(4, strand("back-left", 90)) }
	for _, c := range []struct {
		name     string
		timeline *timeline
		at       float64
		want     string
	}{
		{"one reading", curly().at(7, strand("back-left", 20)), 7, due},
		{"and no water just before two minutes", curly().at(7, strand("back-left", 20)), 8.99, due},
		{"and no water for two minutes", curly().at(7, strand("back-left", 20)), 9, now},
		{"the next test says the same", curly().at(7, strand("back-left", 20)).at(7.5, strand("back-left", 15)), 7.5, now},
		{"the next test does not", curly().at(7, strand("back-left", 20)).at(7.5, strand("back-left", 85)), 7.5, ""},
		{"the next but one does", curly().at(7, strand("back-left", 20)).at(7.5, strand("back-left", 85)).at(8, strand("back-left", 20)), 8, due},
		{"a test without a reading is none", curly().at(7, strand("back-left", 20)).at(7.5, &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{SectionId: "back-left"}}}), 7.5, due},
		{"it stays smooth, too", curly().at(7, smoothAt("back-left", 20)), 7, now},
		{"the estimate is sure", oneSection().at(6, strand("back-left", 50)).at(9, strand("back-left", 22)).at(11, strand("back-left", 10)), 11, now},
		{"for the whole head, which says less of each section", oneSection().at(6, strand("back-left", 50)).at(9, strand("back-left", 22)).at(9.5, strand("", 20)), 9.5, due},
		{"damaged hair is not doubted", curly().at(7, gummy("back-left", 20)), 7, now},
		{"nor the limit", curly().at(17, strand("back-left", 20)), 18, now},
		{"before revisions one reading was enough", curly().ofRevision(0).at(7, strand("back-left", 20)), 7, now},
		{"a thio service has no estimate", thio().at(9, strand("back-left", 20)), 9, now},
		{"under water", curly().at(7, strand("back-left", 20)).at(8, water("")), 9, ""},
	} {
		var want []string
		if c.want != "" {
			want = []string{c.want}
		}
		if got := alarmWords(c.timeline.stateAt(c.at).Alarms); !slices.Equal(got, want) {
			t.Errorf("%s: %q, want %q", c.name, got, want)
		}
	}
	s := curly().at(7, strand("back-left", 20)).at(7.5, strand("back-left", 15))
	if got := s.stateAt(8).Alarms[0]; !got.SinceTime.AsTime().Equal(minute(7.5)) || got.Cause != pb.AlarmCause_ALARM_CAUSE_CAP_READ {
		t.Errorf("the second reading at 7.5 calls: %v", got)
	}
}

// Whatever is recorded, a section is called to the bowl no later than it was before
// revisions, and for water at once at most two minutes later.
func TestNoSectionIsCalledLaterThanBefore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, at := oneSection(), 0.0
		for range rapid.IntRange(0, 8).Draw(t, "tests") {
			at += rapid.Float64Range(0.1, 4).Draw(t, "after")
			e := strand("back-left", 5*float64(rapid.IntRange(0, 20).Draw(t, "left")))
			if rapid.Bool().Draw(t, "in words") {
				e = said("back-left", pb.CurlReading(rapid.IntRange(1, 3).Draw(t, "word")))
			}
			s.at(at, e)
		}
		at += rapid.Float64Range(0, 6).Draw(t, "now")
		calls := func(revision int32, at float64) (bowl, water bool) {
			for _, a := range s.ofRevision(revision).stateAt(at).Alarms {
				water = water || a.Kind == pb.AlarmKind_ALARM_KIND_RINSE_NOW
				bowl = bowl || a.Kind == pb.AlarmKind_ALARM_KIND_RINSE_DUE || a.Kind == pb.AlarmKind_ALARM_KIND_TARGET_NEAR
			}
			return bowl || water, water
		}
		bowl, water := calls(0, at)
		if now, _ := calls(Revision, at); bowl && !now {
			t.Fatalf("at %v the guidance of before calls, and this does not", at)
		}
		if _, late := calls(Revision, at+2); water && !late {
			t.Fatalf("at %v the guidance of before calls for water at once, and 2 minutes later this does not", at)
		}
	})
}

// A strand test is overdue by the plan's figures: a minute after the section in hand is
// finished, which takes 3 minutes here.
func TestATestIsOverdueByThePlan(t *testing.T) {
	s := newTimeline(atPace(3)).at(-1, based()).at(0, applied("back-left"))
	planned := s.session.Plan.Sections[0].FirstStrandTestMinute
	if got := deviationWords(s.stateAt(planned + 3.99).Deviations); len(got) > 0 {
		t.Errorf("while a section is in hand: %q", got)
	}
	if got := deviationWords(s.stateAt(planned + 4.01).Deviations); !slices.Contains(got, "STRAND_TEST_OVERDUE back-left") {
		t.Errorf("a minute after it: %q", got)
	}
}

// When a strand test of one section calls to the bowl, those of the others on the way there
// are not awaited; a section that nobody tested excuses no other.
func TestAStageOnItsWayAwaitsNoStrandTest(t *testing.T) {
	both := func() *timeline {
		return newTimeline(atPace(3)).at(-1, based()).at(0, applied("back-left")).at(3, applied("back-right"))
	}
	if got := deviationWords(both().at(4, strand("back-left", 80)).at(6, strand("back-left", 22)).at(14, water("")).stateAt(15).Deviations); slices.Contains(got, "STRAND_TEST_OVERDUE back-right") {
		t.Errorf("called by the other section: %q", got)
	}
	got := deviationWords(both().at(14, water("")).stateAt(15).Deviations)
	if !slices.Contains(got, "STRAND_TEST_OVERDUE back-left") || !slices.Contains(got, "STRAND_TEST_OVERDUE back-right") {
		t.Errorf("nobody tested anything: %q", got)
	}
}

// By hand: 5 % shared by five sections is 1 %, 0.5 % is 0.1 %; one section alone gets no
// more than it had before revision 1. A way of 1 minute takes 1.5, and hands 0.5.
func TestFiguresOfARevision(t *testing.T) {
	session := func(revision int32, sections int) *pb.Session {
		return &pb.Session{GuidanceRevision: revision, Plan: &pb.Plan{PaceMinutes: 3, Sections: make([]*pb.PlannedSection, sections)}}
	}
	limits := Limits(nil)
	for _, c := range []struct {
		name          string
		session       *pb.Session
		cap, surprise float64
		walk, lead    float64
	}{
		{"five sections", session(1, 5), 0.01, 0.001, 2, 0.5},
		{"ten sections", session(1, 10), 0.005, 0.0005, 2, 0.5},
		{"one section", session(1, 1), 0.02, 0.0025, 2, 0.5},
		{"no plan counts as five", &pb.Session{GuidanceRevision: 1}, 0.01, 0.001, 2, 0.5},
		{"before revisions, in stages", session(0, 5), 0.02, 0.0025, 1, 1},
		{"before revisions, without stages", &pb.Session{}, 0.025, 0.0025, 1, 1},
	} {
		g := sessionGuide(c.session, limits)
		near(t, c.name+": chance at the call", g.capChance, c.cap, 1e-9)
		near(t, c.name+": chance of a surprise", g.surpriseChance, c.surprise, 1e-9)
		near(t, c.name+": minutes to water", g.walk, c.walk, 1e-9)
		near(t, c.name+": minutes before the limit", g.lead, c.lead, 1e-9)
	}
	planned := sessionGuide(session(1, 5), limits).forPlan()
	if planned.capChance != 0.05 || planned.walk != 1 || planned.lead != 0 || planned.hands {
		t.Errorf("lateness is measured by the plan's figures: %+v", planned)
	}
}
