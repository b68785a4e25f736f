package timing

import (
	"time"

	pb "alkalog/proto/alkalogv1"
)

// Discomforts returns, for each report of discomfort while or before product was on the
// hair, when water came. Discomfort in a service in which no product touched the hair is
// left out, because no water was due. The instant is that of Fold.
//
// Times are the likeliest ones, as for deviations: guidance may assume the worst, and
// figures about people may not.
func Discomforts(s *pb.Session, events []*pb.StoredEvent, catalogue []*pb.Product, at time.Time) []*pb.DiscomfortCase {
	f := foldFacts(s, events, catalogue, at, likeliest)
	var cases []*pb.DiscomfortCase
	for _, c := range f.reports {
		if !f.productTouchedHair() {
			break
		}
		from := f.rinseDutyTime(c)
		found := &pb.DiscomfortCase{
			Session: s.GetName(), Salon: s.GetSalon(), Practitioner: s.GetPractitioner(), Product: s.GetProduct(),
			SectionId: c.section, Comfort: c.comfort, ReportTime: stamp(c.reportTime), WaterTime: stamp(c.waterTime),
		}
		until := at
		if !c.waterTime.IsZero() {
			until = c.waterTime
			found.Seconds = seconds(max(0, until.Sub(from)))
		}
		found.Late = until.Sub(from) > minutes(discomfortMinutes)
		cases = append(cases, found)
	}
	return cases
}

// seconds returns a span in seconds, as a field with presence.
func seconds(d time.Duration) *float64 {
	s := d.Seconds()
	return &s
}
