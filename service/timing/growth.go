package timing

import (
	"fmt"
	"math"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// Growth estimates how fast this client's hair grows, in micrometres a day, from the new
// growth measured at the visits (newest first) and the rate that is usual for the curl
// type. It is nil when no new growth was measured between two known visits. Ancestry is
// not asked for: curl predicts the rate, and a measurement is better than both.
func Growth(visits []*pb.Visit) *pb.Estimate {
	var curl pb.CurlType
	for _, v := range visits {
		if curl == pb.CurlType_CURL_TYPE_UNSPECIFIED {
			curl = v.GetHair().GetCurlType()
		}
	}
	rate, measured := growthPrior(curl), false
	// From the oldest pair of visits to the newest.
	for i := len(visits) - 2; i >= 0; i-- {
		if seen, ok := measuredGrowth(visits[i], visits[i+1]); ok {
			rate, measured = rate.combinedWith(seen), true
		}
	}
	if !measured {
		return nil
	}
	return rate.estimate()
}

// measuredGrowth is the rate measured at a visit since the one before.
func measuredGrowth(visit, before *pb.Visit) (normal, bool) {
	since := days(before.GetStartTime().AsTime(), visit.GetStartTime().AsTime())
	if visit.GetStartTime() == nil || before.GetStartTime() == nil || visit.NewGrowthMm == nil || since < 1 {
		return normal{}, false
	}
	rate := visit.GetNewGrowthMm() * 1000 / since
	return normal{rate, math.Hypot(growthReadingSpread*1000/since, growthSeasonSpread)}, true
}

// growthPrior is the rate that is usual for a curl type, on a line between the two
// published ends.
func growthPrior(curl pb.CurlType) normal {
	if curl == pb.CurlType_CURL_TYPE_UNSPECIFIED {
		return normal{(growthTightest + growthStraightest) / 2, growthSpread + growthUnansweredSpread}
	}
	step := float64(growthStraightest-growthTightest) / float64(pb.CurlType_CURL_TYPE_VIII-pb.CurlType_CURL_TYPE_I)
	return normal{growthStraightest - step*float64(curl-pb.CurlType_CURL_TYPE_I), growthSpread}
}

// estimate is the mean with its 90 % interval. Growth is never negative.
func (n normal) estimate() *pb.Estimate {
	b := posterior{normal: n}
	return &pb.Estimate{Value: n.mean, Low: max(0, b.quantile(lowTail)), High: b.quantile(highTail)}
}

// growthOf is the rate known before today's measurement: the record card's, else the
// usual one for the curl type.
func growthOf(in *pb.DecisionInputs) *pb.Estimate {
	if known := in.GetRecordCard().GetGrowthUmPerDay(); known != nil {
		return known
	}
	return growthPrior(in.GetConsultation().GetHair().GetCurlType()).estimate()
}

// NewGrowth is the expected new growth after days, in millimetres, from a rate in
// micrometres a day.
func NewGrowth(rate *pb.Estimate, days float64) *pb.Estimate {
	days = max(0, days) / 1000
	return &pb.Estimate{Value: rate.GetValue() * days, Low: rate.GetLow() * days, High: rate.GetHigh() * days}
}

// NextRetouch returns the earliest retouch after a service at served, and the reason in
// words. Both the days and the expected new growth must be reached.
func NextRetouch(served time.Time, in *pb.DecisionInputs) (time.Time, string) {
	wait := orDefault(in.GetParameters().GetRelaxerWaitDays(), retouchDays)
	needed := orDefault(in.GetParameters().GetNewGrowthMm(), retouchMM)
	rate := growthOf(in)
	if visits, hair := in.GetRecordCard().GetVisits(), in.GetConsultation().GetHair(); hair != nil {
		today := &pb.Visit{StartTime: in.DecideTime, Hair: hair, NewGrowthMm: hair.NewGrowthMm}
		if learned := Growth(append([]*pb.Visit{today}, visits...)); learned != nil {
			rate = learned
		}
	}
	grow := math.Ceil(needed * 1000 / max(rate.Value, 1))
	at := served.AddDate(0, 0, int(max(wait, grow)))
	if grow > wait {
		return at, fmt.Sprintf("%.0f mm of new growth are needed; at %.0f micrometres a day (%.0f to %.0f) that takes about %.0f days.",
			needed, rate.Value, rate.Low, rate.High, grow)
	}
	return at, fmt.Sprintf("%.0f days between relaxers; about %.0f mm of new growth are expected by then, %.0f are needed.",
		wait, NewGrowth(rate, wait).Value, needed)
}
