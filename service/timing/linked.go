package timing

import (
	"math"
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// What is learned of one person who is recorded as several clients. Each client's visits
// teach a rate of their own. The fastest of them plans the shortest exposure, so a link
// that is wrong never makes an exposure longer than one of the clients alone would have.

// FastestRates returns, for each section that some client has a rate of, the fastest rate
// by any client's visits: that with the highest mean, which a plan expects. Of a client whose section was never measured its whole head
// speaks. Clients without rates have nothing to say.
func FastestRates(ofClients [][]*pb.LearnedRate) []*pb.LearnedRate {
	ofClients = slices.DeleteFunc(slices.Clone(ofClients), func(rates []*pb.LearnedRate) bool { return len(rates) == 0 })
	var sections []string
	for _, rates := range ofClients {
		for _, r := range rates {
			sections = append(sections, r.GetSectionId())
		}
	}
	slices.Sort(sections)
	var fastest []*pb.LearnedRate
	for _, id := range slices.Compact(sections) {
		var best *pb.LearnedRate
		for _, rates := range ofClients {
			if r := rateFor(rates, id); best == nil || r != nil && r.GetRate().GetMean() > best.GetRate().GetMean() {
				best = r
			}
		}
		if best != nil {
			fastest = append(fastest, best)
		}
	}
	return fastest
}

// rateFor is a client's rate of a section: as it was learned, or else that of the whole
// head, which is less certain for one section; nil if the client has neither.
func rateFor(rates []*pb.LearnedRate, id string) *pb.LearnedRate {
	if r := rateOf(rates, id); r != nil {
		return &pb.LearnedRate{SectionId: id, Rate: r}
	}
	r := rateOf(rates, "")
	if r == nil {
		return nil
	}
	return &pb.LearnedRate{SectionId: id, Rate: &pb.RateEstimate{Mean: r.Mean, Deviation: math.Hypot(r.Deviation, sectionSpread), Readings: r.Readings}}
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
