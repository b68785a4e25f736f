package timing

import (
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

func oneSection() *timeline {
	return newTimeline(regular()).at(-1, based()).at(0, applied("back-left"))
}

func TestAlarms(t *testing.T) {
	for _, c := range []struct {
		name     string
		timeline *timeline
		at       float64
		want     []string
	}{
		{"all is well", oneSection(), 2, nil},
		{"no product on yet", newTimeline(regular()).at(-1, based()), 60, nil},
		{"first strand test due", oneSection(), 3, []string{"STRAND_TEST_DUE back-left"}},
		{"first strand test due, before revisions", oneSection().ofRevision(0), 5.2, []string{"STRAND_TEST_DUE back-left"}},
		{"strand test made", oneSection().at(5.2, strand("back-left", 70)), 5.3, nil},
		{"no strand test and the latest time has come", oneSection(), 8, []string{"RINSE_DUE back-left", "STRAND_TEST_DUE back-left"}},
		{"it has come, and a test says that it has not", oneSection().at(8, strand("back-left", 80)), 8, nil},
		{"strand test at the target, before revisions", oneSection().ofRevision(0).at(5, strand("back-left", 62)).at(8, strand("back-left", 47)).at(10, strand("back-left", 24)), 10, []string{"TARGET_NEAR back-left"}},
		{"strand test at the cap", oneSection().at(5, strand("back-left", 20)), 5, []string{"RINSE_DUE back-left"}},
		{"strand test at the cap, before revisions", oneSection().ofRevision(0).at(5, strand("back-left", 20)), 5, []string{"RINSE_NOW back-left"}},
		{"strand test just short of the cap is still the target", oneSection().ofRevision(0).at(5, strand("back-left", 21)).at(5, strand("back-left", 60)), 5, nil},
		{"gummy hair", oneSection().at(5, gummy("back-left", 70)), 5, []string{"RINSE_NOW back-left"}},
		{"gummy once is gummy", oneSection().at(5, gummy("back-left", 70)).at(6, strand("back-left", 68)), 6, []string{"RINSE_NOW back-left"}},
		{"gummy hair, rinsed", oneSection().at(5, gummy("back-left", 70)).at(6, water("back-left")), 7, nil},
		{"it burns: at once, whatever the clock says", oneSection().at(1, burns("")), 1, []string{"RINSE_NOW "}},
		{"tingling counts", oneSection().at(1, says("", pb.Comfort_COMFORT_TINGLING)), 1, []string{"RINSE_NOW "}},
		{"comfortable does not", oneSection().at(1, says("", pb.Comfort_COMFORT_COMFORTABLE)), 1, nil},
		{"it burns, then it does not: nothing silences it but water", oneSection().at(1, burns("")).at(2, says("", pb.Comfort_COMFORT_COMFORTABLE)), 3, []string{"RINSE_NOW "}},
		{"it burns in one section", oneSection().at(1, applied("back-right")).at(2, burns("back-right")), 2, []string{"RINSE_NOW back-right"}},
		{"it burns in one section and water is on another", oneSection().at(1, applied("back-right")).at(2, burns("back-right")).at(2.5, water("back-left")), 3, []string{"RINSE_NOW back-right"}},
		{"it burns where no product was put: the whole head", oneSection().at(2, burns("front-left")), 2, []string{"RINSE_NOW "}},
		{"it burns all over and one section is under water: the others too", oneSection().at(1, applied("back-right")).at(2, burns("")).at(2.5, water("back-left")), 3, []string{"RINSE_NOW ", "FLUSH "}},
		{"it burns, water is on the whole head", oneSection().at(2, burns("")).at(2.5, water("")), 3, []string{"FLUSH "}},
		{"it tingles, water is on the whole head", oneSection().at(2, says("", pb.Comfort_COMFORT_TINGLING)).at(2.5, water("")), 3, nil},
		{"it tingles while the rinse is on: it may not reach there", oneSection().at(8, water("")).at(8.5, says("", pb.Comfort_COMFORT_TINGLING)), 8.6, []string{"RINSE_NOW "}},
		{"it burns while the rinse is on", oneSection().at(8, water("")).at(8.5, burns("")), 8.6, []string{"RINSE_NOW ", "FLUSH "}},
		{"it burns while shampooing: rinse again", oneSection().at(8, water("")).at(9, rinsedOutFact()).at(12, burns("")), 12, []string{"RINSE_NOW ", "NOT_NEUTRALIZED "}},
		{"it burnt before any product: no product now", newTimeline(regular()).at(-1, burns("")).at(0, applied("back-left")), 0, []string{"RINSE_NOW "}},
		{"broken off with product on", oneSection().at(2, stopped()), 2, []string{"RINSE_NOW back-left"}},
		{"broken off and rinsed, not shampooed", oneSection().at(2, stopped()).at(3, rinsedOutFact()), 4, []string{"NOT_NEUTRALIZED "}},
		{"hard limit", oneSection().at(6, strand("back-left", 95)).at(9, strand("back-left", 95)).at(12, strand("back-left", 94)).at(15, strand("back-left", 93)), 18, []string{"RINSE_NOW back-left"}},
		{"shampooed until clear", oneSection().at(7, rinsedOutFact()).at(9, shampoo(1, pink)).at(11, shampoo(2, pink)).at(13, shampoo(3, clear)), 14, nil},
	} {
		if got := alarmWords(c.timeline.stateAt(c.at).Alarms); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

func TestMostPressingFirst(t *testing.T) {
	s := oneSection().ofRevision(0).at(1, applied("back-right")).at(3, applied("front-left")).at(3.5, applied("front-right")).
		at(5, gummy("back-right", 60)).at(6, burns("front-left"))
	got := alarmWords(s.stateAt(9).Alarms)
	want := []string{"RINSE_NOW back-right", "RINSE_NOW front-left", "RINSE_NOW back-left", "STRAND_TEST_DUE front-right"}
	if !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestRinseNowStandsWhenTheSessionIsClosed(t *testing.T) {
	s := oneSection().at(2, burns(""))
	s.session.Outcome = "chains/ebb-and-flow/clients/invented/outcomes/first"
	if got := alarmWords(s.stateAt(3).Alarms); !slices.Equal(got, []string{"RINSE_NOW "}) {
		t.Errorf("%v", got)
	}
	s.at(4, rinsedOutFact())
	if got := alarmWords(s.stateAt(5).Alarms); !slices.Equal(got, []string{"WATER_OFF_TOO_SOON "}) {
		t.Errorf("closed and rinsed, nobody knows for how long: %v", got)
	}
}

func TestAlarmsSaySinceWhen(t *testing.T) {
	s := oneSection()
	state := s.stateAt(3)
	due := stateOf(t, state, "back-left").NextStrandTestTime
	if got := state.Alarms[0].SinceTime; !got.AsTime().Equal(due.AsTime()) {
		t.Errorf("due %v, since %v", due, got)
	}
	if got := s.at(6, burns("")).stateAt(7).Alarms[0].SinceTime.AsTime(); !got.Equal(minute(6)) {
		t.Errorf("burning since %v", got)
	}
}

// Between two instants named by NextChange nothing changes by itself.
func TestNothingChangesBeforeItIsTime(t *testing.T) {
	for name, s := range map[string]*timeline{
		"no strand test at all":      oneSection(),
		"two sections, tests, limit": oneSection().at(1, applied("back-right")).at(4, strand("back-left", 88)).at(6, strand("back-right", 90)),
		"burning":                    oneSection().at(2, burns("")).at(3, applied("back-right")).at(3.2, burns("back-right")),
		"shampooing":                 oneSection().at(5, rinsedOutFact()).at(6, burns("")),
	} {
		t.Run(name, func(t *testing.T) {
			now, steps := minute(7), 0
			for ; steps < 200; steps++ {
				state := Fold(s.session, s.events, now)
				next, ok := NextChange(s.session, s.events, state)
				if !ok {
					next = now.Add(2 * time.Hour)
				}
				if !next.After(now) {
					t.Fatalf("waits until %v at %v", next, now)
				}
				for _, share := range []float64{0.01, 0.5, 0.99} {
					between := now.Add(time.Duration(share * float64(next.Sub(now))))
					other := Fold(s.session, s.events, between)
					if !slices.Equal(alarmWords(state.Alarms), alarmWords(other.Alarms)) || len(NewDeviations(state, other)) > 0 {
						t.Fatalf("at %v: %v %v; at %v: %v %v", now, alarmWords(state.Alarms), deviationWords(state.Deviations),
							between, alarmWords(other.Alarms), deviationWords(other.Deviations))
					}
				}
				if !ok {
					break
				}
				now = next
			}
			if steps == 200 {
				t.Fatal("never comes to rest")
			}
		})
	}
}

// An alarm is read with wet hands: an instruction first, and at most two short sentences.
func TestAlarmTextsAreInstructions(t *testing.T) {
	instruction := regexp.MustCompile(`^(Rinse|Go|Test|Put|Keep|Get|Scan|Shampoo|Tap|Blot)[ .]`)
	texts := map[string]string{}
	for seed := range 400 {
		rapid.Custom(func(rt *rapid.T) int {
			s := drawTimeline(rt)
			for _, at := range []float64{2, 6, 9, 16, 19, 25, 45} {
				for _, a := range s.stateAt(at).Alarms {
					key := a.Kind.String() + " " + a.Cause.String() + " " + strings.SplitN(a.Message, " ", 2)[0]
					if texts[key] != "" {
						continue
					}
					texts[key] = a.Message
					if sentences := strings.Count(a.Message, ". ") + 1; !instruction.MatchString(a.Message) || sentences > 2 || len(a.Message) > 130 {
						t.Errorf("%v: %q", a.Kind, a.Message)
					}
				}
			}
			return 0
		}).Example(seed)
	}
	if len(texts) < 20 {
		t.Errorf("only %d kinds of alarm were drawn: %v", len(texts), texts)
	}
}

// TestAlarmTextsNamePlaces: a section by its ID, the whole head in words, and a place
// that is no section by its own name.
func TestAlarmTextsNamePlaces(t *testing.T) {
	if got := sentenceStart(sectionWords("")); got != "The head" {
		t.Errorf("the whole head begins a sentence as %q", got)
	}
	if got := sentenceStart(sectionWords("nape")); got != "nape" {
		t.Errorf("a section begins a sentence as %q", got)
	}
	for want, a := range map[string]*pb.Alarm{
		"the head":                          {},
		"nape":                              {SectionId: "nape"},
		"back":                              {SectionId: "back", Cause: pb.AlarmCause_ALARM_CAUSE_SPLASH},
		placeWords(pb.Place_PLACE_EYE_LEFT): {Place: pb.Place_PLACE_EYE_LEFT},
		placeWords(0):                       {Cause: pb.AlarmCause_ALARM_CAUSE_SPLASH},
	} {
		if got := AlarmPlace(a); got != want {
			t.Errorf("%v is at %q, want %q", a, got, want)
		}
	}
}

// A lather that was tapped by mistake stops every clock, because it goes on rinsed hair
// only. What is missing is asked for until it is tapped.
func TestARinseThatNobodyRecordedIsAskedFor(t *testing.T) {
	for name, s := range map[string]func() *timeline{
		"a lather":     func() *timeline { return oneSection().at(5, shampoo(1, clear)) },
		"a normalizer": func() *timeline { return oneSection().at(5, normalizerOn()) },
		"conditioner":  func() *timeline { return oneSection().at(5, conditioned()) },
	} {
		kindAt := func(s *timeline, m float64) (kind pb.AlarmKind) {
			for _, a := range s.stateAt(m).Alarms {
				if strings.Contains(a.Message, "No rinse is on record") {
					kind = a.Kind
				}
			}
			return kind
		}
		if got := kindAt(s(), 5.5); got != pb.AlarmKind_ALARM_KIND_RINSE_DUE {
			t.Errorf("%s: %s", name, got)
		}
		if got := kindAt(s(), 40); got != pb.AlarmKind_ALARM_KIND_RINSE_NOW {
			t.Errorf("%s, past the hard limit: %s", name, got)
		}
		for answer, rinse := range map[string]*pb.Event{"water": water(""), "rinsed": rinsedOutFact()} {
			if got := kindAt(s().at(6, rinse), 7); got != pb.AlarmKind_ALARM_KIND_UNSPECIFIED {
				t.Errorf("%s, then %s: %s", name, answer, got)
			}
		}
		if got := kindAt(s().ofRevision(0), 40); got != pb.AlarmKind_ALARM_KIND_UNSPECIFIED {
			t.Errorf("%s, in a session of before: %s", name, got)
		}
	}
	if got := oneSection().at(8, rinsedOutFact()).at(9, shampoo(1, pink)).stateAt(30).Alarms; slices.ContainsFunc(got, func(a *pb.Alarm) bool { return strings.Contains(a.Message, "No rinse") }) {
		t.Errorf("after a rinse: %v", got)
	}
}
