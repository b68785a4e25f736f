package timing

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

const (
	mild, medium   = pb.Strength_STRENGTH_MILD, pb.Texture_TEXTURE_MEDIUM
	fine, coarse   = pb.Texture_TEXTURE_FINE, pb.Texture_TEXTURE_COARSE
	regularProduct = pb.Strength_STRENGTH_REGULAR
)

func row(s pb.Strength, x pb.Texture, usual, maximum int32) *pb.DirectedTime {
	r := &pb.DirectedTime{Strength: s, Texture: x}
	if usual > 0 {
		r.UsualMinutes = &usual
	}
	if maximum > 0 {
		r.MaximumMinutes = &maximum
	}
	return r
}

// tabled is regular, usual 12 and maximum 18, with a table of times and a texture.
func tabled(x pb.Texture, rows ...*pb.DirectedTime) *pb.DecisionInputs {
	in := regular()
	in.Consultation.Hair.Texture = x
	in.Product.Directions.Times = rows
	return in
}

func TestTableOfTimes(t *testing.T) {
	rows := []*pb.DirectedTime{row(0, fine, 8, 11), row(regularProduct, coarse, 14, 17), row(mild, coarse, 17, 19), row(regularProduct, 0, 0, 16)}
	for _, c := range []struct {
		name          string
		in            *pb.DecisionInputs
		usual, limit  float64
		basis, absent string
	}{
		{"no table", tabled(medium), 12, 18, "manufacturer's directions:", ""},
		{"a row of the texture and the strength", tabled(coarse, rows...), 14, 17, "for this strength and texture", ""},
		{"no row of the texture: the strength's own maximum, the usual of the rest", tabled(medium, rows...), 12, 16, "for this strength and texture", ""},
		{"rows of the strength and of the texture: the shorter", tabled(fine, rows...), 8, 11, "for this strength and texture", ""},
		{"the same in the other order", tabled(fine, rows[3], rows[0]), 8, 11, "for this strength and texture", ""},
		{"a row of both before each alone, even if it is longer", tabled(fine, rows[0], row(regularProduct, fine, 9, 14), rows[3]), 9, 14, "for this strength and texture", ""},
		{"two rows for the same: the shorter", tabled(coarse, row(0, coarse, 16, 18), row(0, coarse, 15, 17)), 16, 17, "for this strength and texture", ""},
		{"the texture is not known: the order does not matter", tabled(0, rows[0], rows[3]), 12, 11, "for this strength and texture", ""},
		{"nor the other way round", tabled(0, rows[3], rows[0]), 12, 11, "for this strength and texture", ""},
		{"of the texture alone", tabled(fine, rows[0]), 8, 11, "for this strength and texture", ""},
		{"another strength's row is not ours", tabled(coarse, rows[2]), 12, 18, "manufacturer's directions:", ""},
		{"the texture is not known: the shortest that may apply", tabled(0, rows[0], rows[1]), 12, 11, "for this strength and texture", ""},
		{"a row longer than the directions' single figure counts: it is for this hair", tabled(coarse, row(0, coarse, 16, 19)), 16, 19, "for this strength and texture", ""},
		{"never longer than the chain allows", tabled(coarse, row(0, coarse, 16, 40)), 16, 20, "common practice", ""},
	} {
		limits := Limits(c.in)
		got, _ := usual(c.in.Product, c.in.Consultation.Hair.Texture)
		if got != c.usual || limits.HardLimitMinutes != c.limit || !strings.Contains(limits.HardLimitBasis, c.basis) {
			t.Errorf("%s: usual %v, limit %v (%s); want %v, %v", c.name, got, limits.HardLimitMinutes, limits.HardLimitBasis, c.usual, c.limit)
		}
	}
}

// A usual time that is stated for the texture is the expected time on that hair: the
// effect of texture is in it already.
func TestUsualTimeOfTheTexture(t *testing.T) {
	expected := func(in *pb.DecisionInputs) float64 { return Plan(in).Sections[0].ExpectedMinutes }
	near(t, "coarse hair by its row", expected(tabled(coarse, row(0, coarse, 16, 18))), 16, 1e-6)
	if got := expected(tabled(coarse)); got <= 13 {
		t.Errorf("coarse hair without a row: %v", got)
	}
}

// A section of another texture has its own row, and is never on for longer than the head.
func TestSectionsHaveTheirOwnRows(t *testing.T) {
	in := tabled(medium, row(0, medium, 12, 16), row(0, fine, 7, 9), row(0, coarse, 15, 20))
	in.Consultation.Hair.Sections = []*pb.HeadSection{{SectionId: "crown"}, {SectionId: "temple", Texture: fine}, {SectionId: "nape", Texture: coarse}}
	limits := map[string]float64{}
	for _, s := range Plan(in).Sections {
		limits[s.SectionId] = s.HardLimitMinute
	}
	if limits["crown"] != 16 || limits["temple"] != 9 || limits["nape"] != 16 {
		t.Errorf("limits %v", limits)
	}
}

func fromTheEnd(maximum, application int32) *pb.DecisionInputs {
	in := atPace(2)
	in.Consultation.Hair.Sections = []*pb.HeadSection{{SectionId: "left"}, {SectionId: "right"}}
	d := in.Product.Directions
	d.UsualMinutes, d.MaximumMinutes, d.MaximumStart = proto.Int32(10), &maximum, pb.MaximumStart_MAXIMUM_START_END_OF_APPLICATION
	if application > 0 {
		d.ApplicationMinutes = &application
	}
	return in
}

// Directions may count the longest time from the end of the application.
func TestMaximumFromTheEndOfApplication(t *testing.T) {
	limit := func(s *timeline, section string, at float64) float64 {
		return stateOf(t, s.stateAt(at), section).HardLimitTime.AsTime().Sub(opening).Minutes()
	}
	s := newTimeline(fromTheEnd(8, 10)).at(0, applied("left"))
	near(t, "one section is on and its application ends at 2", limit(s, "left", 1), 10, 1e-6)
	s.at(4, applied("right"))
	near(t, "the second ends at 6", limit(s, "left", 5), 14, 1e-6)
	near(t, "and its own limit is the same", limit(s, "right", 5), 14, 1e-6)
	if got := alarmCauses(s.stateAt(14).Alarms); !slices.ContainsFunc(got, func(a string) bool { return strings.HasPrefix(a, "RINSE_NOW") }) {
		t.Errorf("at the limit: %v", got)
	}
	// The plan: both on at 4, so 12 minutes from the first contact of the left.
	p := Plan(fromTheEnd(8, 10))
	times := SectionTimes(newTimeline(fromTheEnd(8, 10)).session, time.UTC)
	if p.Stages[0].RinseByMinute != 12 || !times[0].HardLimitTime.AsTime().Equal(minute(-5+12)) || !times[1].HardLimitTime.AsTime().Equal(minute(-5+12)) {
		t.Errorf("plan %v, times %v", p, times)
	}
	// A slow application does not stretch the exposure without end.
	slow := newTimeline(fromTheEnd(8, 4)).at(0, applied("left")).at(11, applied("right"))
	near(t, "8 and 4 minutes from first contact at most", limit(slow, "left", 11.5), 12, 1e-6)
	silent := newTimeline(fromTheEnd(8, 0)).at(0, applied("left"))
	near(t, "the directions do not bound the application: from first contact", limit(silent, "left", 1), 8, 1e-6)
	if got := Limits(fromTheEnd(8, 0)).MinutesAfterApplication; got != nil {
		t.Errorf("the directions do not bound the application, and %v minutes after it are a limit", *got)
	}
	unstated := fromTheEnd(8, 10)
	unstated.Product.Directions.MaximumStart = pb.MaximumStart_MAXIMUM_START_UNSPECIFIED
	near(t, "the directions do not say from when: from first contact", limit(newTimeline(unstated).at(0, applied("left")), "left", 1), 8, 1e-6)
}
