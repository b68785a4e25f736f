package timing

import (
	"math"
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// What is learned of one person who is recorded as several clients. Each client's visits
// teach a rate of their own. The fastest of them plans the shortest exposure, so a link
// that is wrong never makes an exposure longer than one of the clients alone would have.

// FastestRates returns, for each section that some client has a rate of, a rate that is as
// fast as any client's: the highest mean, which a plan expects, and the widest deviation,
// by which it tests early. Of a client whose section was never measured the whole head
// counts, and of a client who was never measured an average head: that is what would be
// expected of that client without the link. One client's rates are returned as they are.
func FastestRates(ofClients [][]*pb.LearnedRate) []*pb.LearnedRate {
	if len(ofClients) == 1 {
		return ofClients[0]
	}
	sections := []string{""}
	for _, rates := range ofClients {
		for _, r := range rates {
			sections = append(sections, r.GetSectionId())
		}
	}
	slices.Sort(sections)
	var fastest []*pb.LearnedRate
	for _, id := range slices.Compact(sections) {
		all := &pb.RateEstimate{Mean: math.Inf(-1)}
		for _, rates := range ofClients {
			r := rateFor(rates, id)
			all.Mean, all.Deviation = max(all.Mean, r.Mean), max(all.Deviation, r.Deviation)
			all.Readings = max(all.Readings, r.Readings)
		}
		if all.Readings > 0 {
			fastest = append(fastest, &pb.LearnedRate{SectionId: id, Rate: all})
		}
	}
	return fastest
}

// rateFor is a client's rate of a section: as it was learned, or else that of the whole
// head, or of an average one. Those are less certain for one section. A rate without
// readings was learned from nobody.
func rateFor(rates []*pb.LearnedRate, id string) *pb.RateEstimate {
	if r := rateOf(rates, id); r != nil {
		return r
	}
	head := rateOf(rates, "")
	if head == nil {
		head = &pb.RateEstimate{Mean: reference(), Deviation: headSpread}
	}
	if id == "" {
		return head
	}
	return &pb.RateEstimate{Mean: head.Mean, Deviation: math.Hypot(head.Deviation, sectionSpread), Readings: head.Readings}
}

// SlowestGrowth is the slowest of the measured growths of clients that are one person;
// nil if none was measured. It promises the least new growth.
func SlowestGrowth(ofClients []*pb.Estimate) *pb.Estimate {
	var slowest *pb.Estimate
	for _, g := range ofClients {
		if g != nil && (slowest == nil || g.Value < slowest.Value) {
			slowest = g
		}
	}
	return slowest
}
