package picture

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

var update = flag.Bool("update", false, "write the golden picture")

const golden = "testdata/session.svg"

// day is an invented session's facts, by the minute.
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
	got := Draw(invented())
	if *update {
		if err := os.WriteFile(golden, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("the picture is not %s; look at it after go test -update", golden)
	}
}

func TestWellFormedWithABandPerSection(t *testing.T) {
	session, events := invented()
	if bands := count(t, Draw(session, events), "rect", "band"); bands != 4+1 { // one in the key
		t.Errorf("%d bands, want one for each of 4 sections and one in the key", bands)
	}
	if tests := count(t, Draw(session, events), "circle", "test"); tests != 5+1 {
		t.Errorf("%d strand tests, want 5 and one in the key", tests)
	}
	// Nothing applied, and a name that needs escaping.
	session.Name = `a<b&"c`
	if bands := count(t, Draw(session, nil), "rect", "band"); bands != 1 {
		t.Errorf("%d bands before any product, want the one of the key", bands)
	}
}

// count reads a picture as XML and counts the elements of a class.
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
