package timing

import (
	"math"
	"strings"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
	"google.golang.org/protobuf/proto"
)

// Loussouarn, Br J Dermatol 2001;145:294-297: 38 people with very curly hair grew 256
// +- 44 micrometres a day, from 150 to 363; the comparison group 396 +- 55.
// Loussouarn et al., Int J Dermatol 2005;44 (suppl 1):6-9: 280 +- 50, 367 +- 56 and
// 411 +- 53 by group, here from the curliest to the straightest.
func TestGrowthAgainstLoussouarn(t *testing.T) {
	tightest, straightest := growthPrior(pb.CurlType_CURL_TYPE_VIII), growthPrior(pb.CurlType_CURL_TYPE_I)
	near(t, "curliest, 2001", tightest.mean, 256, 0)
	near(t, "straightest, 2005", straightest.mean, 411, 0)
	for name, c := range map[string]struct {
		prior normal
		low   float64
		high  float64
	}{
		"within the range of the 38 people of 2001": {tightest, 150, 363},
	} {
		e := c.prior.estimate()
		if e.Low < c.low || e.High > c.high {
			t.Errorf("%s: %v", name, e)
		}
	}
	// Every group mean lies within the 90 % interval of some curl type, and the means
	// fall as curl tightens ("slower the curlier", Eur J Dermatol 2016;26:144-154).
	before := math.Inf(1)
	for curl := pb.CurlType_CURL_TYPE_I; curl <= pb.CurlType_CURL_TYPE_VIII; curl++ {
		if m := growthPrior(curl).mean; m >= before {
			t.Errorf("%v does not grow slower than the one before", curl)
		} else {
			before = m
		}
	}
	unknown := growthPrior(pb.CurlType_CURL_TYPE_UNSPECIFIED).estimate()
	for _, mean := range []float64{256, 396, 280, 367, 411} {
		if mean < unknown.Low || mean > unknown.High {
			t.Errorf("a mean of %v is outside of what is expected when nobody asked for the curl", mean)
		}
	}
	// 0.8 to 1.3 cm a month worldwide (Eur J Dermatol 2016;26:144-154).
	month := 365.25 / 12
	near(t, "slowest, cm a month", tightest.mean*month/1e4, 0.8, 0.03)
	near(t, "fastest, cm a month", straightest.mean*month/1e4, 1.3, 0.06)
}

// Eight weeks at the means of Loussouarn 2001: 1.43 cm at 256, 2.22 cm at 396.
func TestNewGrowthInEightWeeks(t *testing.T) {
	near(t, "curliest", NewGrowth(&pb.Estimate{Value: 256}, 56).Value, 14.3, 0.05)
	near(t, "comparison", NewGrowth(&pb.Estimate{Value: 396}, 56).Value, 22.2, 0.05)
	if e := NewGrowth(growthPrior(pb.CurlType_CURL_TYPE_V).estimate(), -3); e.Value != 0 {
		t.Errorf("growth before the service: %v", e)
	}
}

func visit(day int, mm float64) *pb.Visit {
	v := &pb.Visit{StartTime: stamp(opening.AddDate(0, 0, day)), Hair: &pb.HairAnalysis{CurlType: pb.CurlType_CURL_TYPE_VIII}}
	if mm >= 0 {
		v.NewGrowthMm = &mm
	}
	return v
}

func TestGrowthIsLearnedFromTheRuler(t *testing.T) {
	if got := Growth([]*pb.Visit{visit(0, 14)}); got != nil {
		t.Errorf("one visit: growth since when? %v", got)
	}
	if got := Growth([]*pb.Visit{visit(60, -1), visit(0, -1)}); got != nil {
		t.Errorf("nothing measured: %v", got)
	}
	if got := Growth(nil); got != nil {
		t.Errorf("no visit: %v", got)
	}
	once := Growth([]*pb.Visit{visit(60, 20), visit(0, -1)}) // 333 um a day
	often := Growth([]*pb.Visit{visit(240, 20), visit(180, 20), visit(120, 20), visit(60, 20), visit(0, -1)})
	if !(once.Value > 256 && once.Value < 333) {
		t.Errorf("one measurement stands between the curl's mean and the ruler: %v", once)
	}
	if !(often.Value > once.Value && often.Value < 333 && width(often) < width(once)) {
		t.Errorf("four measurements: %v, one: %v", often, once)
	}
	if got := Growth([]*pb.Visit{visit(0, 20), visit(0, -1)}); got != nil {
		t.Errorf("two visits on one day: %v", got)
	}
}

func TestNextRetouch(t *testing.T) {
	in := func(change func(*pb.DecisionInputs)) *pb.DecisionInputs {
		in := regular()
		in.Consultation.Hair.CurlType = pb.CurlType_CURL_TYPE_VIII
		change(in)
		return in
	}
	for _, c := range []struct {
		name   string
		in     *pb.DecisionInputs
		days   int
		reason string
	}{
		{"nothing known: 56 days", nil, 56, "56 days between relaxers"},
		{"12 mm come in 47 days at 256 um, the 56 days rule", in(func(*pb.DecisionInputs) {}), 56, "14 mm of new growth are expected by then"},
		{"the house wants 20 mm: 79 days at 256 um", in(func(in *pb.DecisionInputs) {
			in.Parameters = &pb.PolicyParameters{NewGrowthMm: proto.Float64(20)}
		}), 79, "20 mm of new growth are needed"},
		{"the house wants 84 days", in(func(in *pb.DecisionInputs) {
			in.Parameters = &pb.PolicyParameters{RelaxerWaitDays: proto.Int32(84)}
		}), 84, "84 days between relaxers"},
		{"this client's hair grows 150 um a day: 12 mm take 80", in(func(in *pb.DecisionInputs) {
			in.RecordCard = &pb.RecordCard{GrowthUmPerDay: &pb.Estimate{Value: 150, Low: 140, High: 160}}
		}), 80, "at 150 micrometres a day"},
	} {
		at, reason := NextRetouch(opening, c.in)
		if want := opening.AddDate(0, 0, c.days); !at.Equal(want) || !strings.Contains(reason, c.reason) {
			t.Errorf("%s: %v, %q", c.name, at.Sub(opening).Hours()/24, reason)
		}
	}
}

func TestTodaysRulerCountsForTheNextRetouch(t *testing.T) {
	in := regular()
	in.DecideTime = stamp(opening)
	in.Consultation.Hair.CurlType = pb.CurlType_CURL_TYPE_VIII
	in.Consultation.Hair.NewGrowthMm = proto.Float64(6)
	in.RecordCard = &pb.RecordCard{Visits: []*pb.Visit{{StartTime: stamp(opening.Add(-60 * 24 * time.Hour))}}}
	slow, _ := NextRetouch(opening, in)
	in.Consultation.Hair.NewGrowthMm = nil
	unmeasured, _ := NextRetouch(opening, in)
	if !slow.After(unmeasured) {
		t.Errorf("6 mm in 60 days: %v, not measured: %v", slow, unmeasured)
	}
}
