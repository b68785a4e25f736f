package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/timing"
)

const sessionGolden = "testdata/session.svg"

// day holds the events of an invented session, by the minute.
type day []*pb.StoredEvent

func (d *day) at(minute float64, e *pb.Event) {
	n := len(*d) + 1
	e.EventId = fmt.Sprintf("00000000-0000-4000-8000-%012d", n)
	e.OccurTime = clock(minute)
	*d = append(*d, &pb.StoredEvent{Event: e, RecordTime: e.OccurTime, Sequence: int64(n)})
}

func clock(minute float64) *timestamppb.Timestamp {
	start := time.Date(2031, 3, 4, 10, 0, 0, 0, time.UTC)
	return timestamppb.New(start.Add(time.Duration(minute * float64(time.Minute))))
}

func (d *day) apply(minute float64, id string) {
	d.at(minute, &pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{SectionId: id, Part: pb.SectionPart_SECTION_PART_MID_STRAND}}})
}

func (d *day) test(minute float64, id string, curl float64) {
	d.at(minute, &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{SectionId: id, RemainingCurlPercent: new(curl)}}})
}

func (d *day) rinse(minute float64, id string) {
	d.at(minute, &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{SectionId: id}}})
}

// invented is a session of four sections: one tested and rinsed in time, one
// rinsed late, one over its limit, one after discomfort.
func invented() (*pb.Session, []*pb.StoredEvent) {
	s := &pb.Session{
		Name: "chains/ebb-and-flow/clients/c-1/sessions/s-1", StartTime: clock(0), Decision: "chains/ebb-and-flow/clients/c-1/decisions/d-1",
		Limits: &pb.SessionLimits{HardLimitMinutes: 20, StrandTestMinutes: 5, MinutesToBowl: 2, TargetPercent: 70, CapPercent: 80, BaseNeeded: true},
		Plan:   &pb.Plan{TargetPercent: 70, CapPercent: 80},
	}
	for i, id := range []string{"nape", "crown", "left-side", "right-side"} {
		s.Plan.Sections = append(s.Plan.Sections, &pb.PlannedSection{SectionId: id, Order: int32(i + 1), StartMinute: float64(2 * i),
			ExpectedMinutes: 14, ExpectedMinutesLow: 10, ExpectedMinutesHigh: 18, FirstStrandTestMinute: 6, LatestRinseMinute: 18, HardLimitMinute: 20})
	}
	var d day
	d.apply(2, "nape")
	d.apply(4, "crown")
	d.apply(6, "left-side")
	d.apply(8, "right-side")
	d.test(8, "nape", 70)
	d.test(10, "crown", 80)
	d.test(13, "nape", 45)
	d.test(15, "crown", 60)
	d.test(16, "left-side", 22)
	d.rinse(17, "nape")
	d.at(18, &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_BURNING, SectionId: "right-side"}}})
	d.rinse(20.5, "right-side")
	d.rinse(22, "left-side")
	d.rinse(26, "crown")
	return s, d
}

func TestGolden(t *testing.T) {
	got := DrawSession(invented())
	if *update {
		if err := os.WriteFile(sessionGolden, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(sessionGolden)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("the picture is not %s; look at it after go test -update", sessionGolden)
	}
}

func TestWellFormedWithABandPerSection(t *testing.T) {
	session, events := invented()
	if bands := count(t, DrawSession(session, events), "rect", "band"); bands != 4+1 { // one in the key
		t.Errorf("%d bands, want one for each of 4 sections and one in the key", bands)
	}
	if tests := count(t, DrawSession(session, events), "circle", "test"); tests != 5+1 {
		t.Errorf("%d strand tests, want 5 and one in the key", tests)
	}
	// Nothing applied, and a name that needs escaping.
	session.Name = `a<b&"c`
	if bands := count(t, DrawSession(session, nil), "rect", "band"); bands != 1 {
		t.Errorf("%d bands before any product, want the one of the key", bands)
	}
}

// Closing a session ends its alarms; the chart still shows those before it.
func TestClosedSessionShowsItsAlarms(t *testing.T) {
	session, events := invented()
	want := alarms(DrawSession(session, events))
	if len(want) < 5 {
		t.Fatalf("an open session has the alarms %q, want several", want)
	}
	session.Outcome = "chains/ebb-and-flow/clients/c-1/outcomes/o-1"
	if got := alarms(DrawSession(session, events)); !slices.Equal(got, want) {
		t.Errorf("closed with an outcome it shows\n%q, want\n%q", got, want)
	}
	session.Outcome, session.Closing = "", &pb.SessionClosing{Reason: pb.ClosingReason_CLOSING_REASON_LEFT_OPEN, CloseTime: clock(60)}
	if got := alarms(DrawSession(session, events)); !slices.Equal(got, want) {
		t.Errorf("closed as left open it shows\n%q, want\n%q", got, want)
	}
}

// alarms returns the lines of a chart that describe alarms.
func alarms(svg []byte) []string {
	return regexp.MustCompile(`>\d+\. alarm[^<]*`).FindAllString(string(svg), -1)
}

// An alarm that stood for seconds is shown, whether a fact or time raised it.
func TestShortAlarmsAreShown(t *testing.T) {
	session, _ := invented()
	var d day
	d.apply(2, "nape")
	d.at(4.01, &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: pb.Comfort_COMFORT_TINGLING, SectionId: "nape"}}})
	d.rinse(4.03, "nape")
	d.apply(5, "crown")
	due := 0.0
	for _, section := range timing.Fold(session, d, clock(6).AsTime()).Sections {
		if section.SectionId == "crown" {
			due = section.NextStrandTestTime.AsTime().Sub(clock(0).AsTime()).Minutes()
		}
	}
	d.test(due+0.03, "crown", 70)
	d.rinse(due+0.2, "crown")
	text := string(DrawSession(session, d))
	for _, want := range []string{"alarm, nape: rinse now (2.0 min)", "report, nape: tingling (2.0 min)", fmt.Sprintf("alarm, crown: strand test due (%.1f min)", due-2)} {
		if !strings.Contains(text, want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
}

// A flushed place is drawn with its periods of running water and their minutes.
func TestWaterAndSplashes(t *testing.T) {
	session, events := invented()
	d := day(events)
	const eye = pb.Place_PLACE_EYE_LEFT
	on := func() *pb.Event { return &pb.Event{Fact: &pb.Event_WaterOn{WaterOn: &pb.WaterOn{Place: eye}}} }
	d.at(27, &pb.Event{Fact: &pb.Event_Splash{Splash: &pb.Splash{Place: eye}}})
	d.at(27.5, on())
	d.at(30, &pb.Event{Fact: &pb.Event_WaterOff{WaterOff: &pb.WaterOff{Place: eye}}})
	d.at(30.5, on())
	d.at(45, &pb.Event{Fact: &pb.Event_HelpCalled{HelpCalled: &pb.HelpCalled{Kind: pb.HelpKind_HELP_KIND_DOCTOR, TookOver: true}}})
	svg := DrawSession(session, d)
	if wet := count(t, svg, "rect", "wet"); wet != 2+1+1 { // one of the head, which burnt; one in the key
		t.Errorf("%d spells of water, want two of the eye, one of the head and one in the key", wet)
	}
	for _, want := range []string{
		">40</text>", // the axis reaches as far as the water
		"water on: left eye", "17.0 min of running water, at least 15, then medical help", "report, left eye: splash (25.0 min)",
		"alarm, left eye: rinse now (25.0 min)", "alarm, left eye: flush", "alarm, left eye: water off too soon (28.0 min)", "medical help took over (43.0 min)",
	} {
		if !bytes.Contains(svg, []byte(want)) {
			t.Errorf("the picture does not say %q", want)
		}
	}
}

// A strand test that was read in words is shown in words.
func TestReadingInWords(t *testing.T) {
	session, _ := invented()
	var d day
	d.apply(2, "nape")
	d.at(8, &pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{SectionId: "nape", Reading: pb.CurlReading_CURL_READING_PARTLY}}})
	svg := DrawSession(session, d)
	if tests := count(t, svg, "circle", "test"); tests != 1+1 || !bytes.Contains(svg, []byte(">partly<")) {
		t.Errorf("%d strand tests, want one with its word and one in the key", tests)
	}
}

// The description says what the chart shows, the chart fits the width that it is
// given, and it always has its cautions.
func TestForEverybody(t *testing.T) {
	session, events := invented()
	text := string(DrawSession(session, events))
	root := text[:strings.Index(text, ">")]
	if !strings.Contains(root, `role="img" aria-labelledby="title desc"`) || !strings.Contains(root, `width="100%"`) || strings.Contains(root, "height=") {
		t.Errorf("the picture begins with %s", root)
	}
	for _, want := range []string{
		`<title id="title">Session of 4 Mar 2031, 10:02 UTC</title>`, `<desc id="desc">nape: rinsed after 15.0 minutes.`, "deviation, crown: limit passed",
		"rinse at once, whatever the clock says", "directions come first. Local codes and<", ">licensed practice decide.",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
	// The letters are large enough when the picture is scaled to 400 pixels.
	if smallest := 12.0 * 400 / chartWidth; smallest < 9 {
		t.Errorf("on 400 pixels the smallest letters have %.1f", smallest)
	}
}

// count parses a chart as XML and counts the elements of a class.
func count(t *testing.T, svg []byte, element, class string) int {
	t.Helper()
	n := 0
	decoder := xml.NewDecoder(bytes.NewReader(svg))
	for {
		token, err := decoder.Token()
		if errors.Is(err, io.EOF) {
			return n
		}
		if err != nil {
			t.Fatal(err)
		}
		start, ok := token.(xml.StartElement)
		if !ok || start.Name.Local != element {
			continue
		}
		for _, a := range start.Attr {
			if a.Name.Local == "class" && a.Value == class {
				n++
			}
		}
	}
}
