package timing

import (
	"cmp"
	"math"
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// SectionOutcomes completes the sections of an outcome with what follows from the facts:
// times, exposure, and what the visit showed of the rate. Sections that were applied but
// not given are added. in is nil for a service without a decision.
// The sections that were given keep their order; the added ones follow in the order
// of the state.
func SectionOutcomes(s *pb.Session, in *pb.DecisionInputs, state *pb.SessionState, given []*pb.SectionOutcome) []*pb.SectionOutcome {
	judged := map[string]*pb.SectionOutcome{}
	for _, g := range given {
		judged[g.SectionId] = g
	}
	var all []*pb.SectionOutcome
	for _, g := range given {
		all = append(all, outcomeOf(s, in, sectionState(state, g.SectionId), g))
	}
	for _, c := range state.GetSections() {
		if judged[c.SectionId] == nil && c.FirstContactTime != nil {
			all = append(all, outcomeOf(s, in, c, &pb.SectionOutcome{SectionId: c.SectionId}))
		}
	}
	return all
}

// sectionState returns a section's state; nil when there is none.
func sectionState(state *pb.SessionState, id string) *pb.SectionState {
	for _, c := range state.GetSections() {
		if c.SectionId == id {
			return c
		}
	}
	return nil
}

// outcomeOf completes one section. The judgement (percent, condition, breakage) is the
// stylist's and is kept as given.
// A section without a contact has only the judgement.
func outcomeOf(s *pb.Session, in *pb.DecisionInputs, c *pb.SectionState, given *pb.SectionOutcome) *pb.SectionOutcome {
	o := &pb.SectionOutcome{
		SectionId:            given.SectionId,
		StraighteningPercent: given.StraighteningPercent,
		Condition:            given.Condition,
		Breakage:             given.Breakage,
	}
	if c.GetFirstContactTime() == nil {
		return o
	}
	o.FirstContactTime, o.RinseTime = c.FirstContactTime, c.RinseTime
	o.ContactAssumed = c.ContactAssumed
	// Without water on record the exposure has no end, and its minutes would say
	// nothing.
	if c.RinseTime != nil {
		o.ExposureMinutes = &c.ExposureMinutes
	}
	o.Rate = visitRate(s, in, c, given)
	return o
}

// visitRate is what a visit alone says of a section's lasting rate: the posterior with its
// prior divided out, on the scale of an average head and a product of the usual minutes.
// It is nil when nothing was read, or when the readings added no precision.
func visitRate(s *pb.Session, in *pb.DecisionInputs, c *pb.SectionState, given *pb.SectionOutcome) *pb.RateEstimate {
	if c.GetRate() == nil || c.ContactAssumed {
		return nil // no estimate applies, as in a thio service; or the exposure is a bound
	}
	prior := sessionPrior(s, c.SectionId)
	readings := c.GetRate().GetReadings()
	posterior := normal{c.GetRate().GetMean(), c.GetRate().GetDeviation()}
	// The stylist's judgement after the rinse is one more reading, at the whole exposure.
	if given.StraighteningPercent != nil && c.RinseTime != nil {
		judged := readAt(c.ExposureMinutes, 100-given.GetStraighteningPercent())
		posterior = posteriorOf(posterior, []reading{judged}).normal
		readings++
	}
	// Precisions of independent normal sources add, so the prior's is subtracted.
	precision := 1/(posterior.deviation*posterior.deviation) - 1/(prior.deviation*prior.deviation)
	if readings == 0 || !(precision > 0) {
		return nil
	}
	mean := (posterior.mean/(posterior.deviation*posterior.deviation) - prior.mean/(prior.deviation*prior.deviation)) / precision
	expected, unanswered := expectation(in, headSection(in, c.SectionId))
	return &pb.RateEstimate{
		Mean:      mean - expected + reference(),
		Deviation: math.Sqrt(1/precision + unanswered),
		Readings:  readings,
	}
}

// sessionPrior is the prior that the guidance of the session began with.
func sessionPrior(s *pb.Session, id string) normal {
	limits := limitsOf(s)
	sections := plannedSections(s, limits)
	for _, c := range sections {
		if c.id == id {
			return c.prior
		}
	}
	return unplannedPrior(sections, limits)
}

// headSection returns the analysis of a section; an empty one when it was not analysed.
func headSection(in *pb.DecisionInputs, id string) *pb.HeadSection {
	for _, h := range sectionsOf(in) {
		if h.SectionId == id {
			return h
		}
	}
	return &pb.HeadSection{SectionId: id}
}

// Learn combines the rates known so far with those of one visit, and returns the rates for
// the next visit: first the head's under the empty ID, then the sections' by ID. Visits
// must be passed in order of time. What lasts may drift between visits, so old visits
// fade.
func Learn(prior, taught []*pb.LearnedRate) []*pb.LearnedRate {
	head := learnHead(prior, taught)
	if head == nil {
		return prior
	}
	rates := []*pb.LearnedRate{head}
	for _, r := range prior {
		if r.SectionId != "" && rateOf(taught, r.SectionId) == nil {
			rates = append(rates, r)
		}
	}
	seen := map[string]bool{"": true}
	for _, t := range taught {
		if rateOf(taught, t.GetSectionId()) == nil || seen[t.SectionId] {
			continue
		}
		seen[t.SectionId] = true
		rates = append(rates, learnSection(prior, t))
	}
	slices.SortFunc(rates, func(a, b *pb.LearnedRate) int { return cmp.Compare(a.SectionId, b.SectionId) })
	return rates
}

// learnSection updates the lasting rate of one section.
// The error of the visit comes on top of that of its readings: one visit is one
// sample of what lasts, however often it was read.
func learnSection(prior []*pb.LearnedRate, t *pb.LearnedRate) *pb.LearnedRate {
	before := learnedEffect(prior, &pb.HeadSection{SectionId: t.SectionId})
	before.mean += reference()
	after := before.combinedWith(normal{t.Rate.Mean, math.Hypot(t.Rate.Deviation, visitSpread)})
	return newLearnedRate(t.SectionId, after, rateOf(prior, t.SectionId).GetReadings()+t.Rate.Readings)
}

// learnHead updates the lasting rate of the head from all sections of a visit, each
// weighted by its precision; nil when the visit showed nothing.
func learnHead(prior, taught []*pb.LearnedRate) *pb.LearnedRate {
	mean, precision, readings := 0.0, 0.0, int32(0)
	for _, t := range taught {
		r := t.GetRate()
		if t.GetSectionId() == "" || r.GetReadings() == 0 || r.GetDeviation() <= 0 {
			continue
		}
		p := 1 / (r.Deviation*r.Deviation + sectionSpread*sectionSpread)
		mean, precision, readings = mean+p*r.Mean, precision+p, readings+r.Readings
	}
	if readings == 0 {
		return nil
	}
	before := normal{reference(), headSpread}
	if r := rateOf(prior, ""); r != nil {
		before = normal{r.Mean, math.Hypot(r.Deviation, driftSpread)}
		readings += r.Readings
	}
	return newLearnedRate("", before.combinedWith(normal{mean / precision, math.Hypot(1/math.Sqrt(precision), visitSpread)}), readings)
}

// newLearnedRate is what lasts of a section, or of the head for the empty ID.
func newLearnedRate(id string, n normal, readings int32) *pb.LearnedRate {
	return &pb.LearnedRate{SectionId: id, Rate: &pb.RateEstimate{Mean: n.mean, Deviation: n.deviation, Readings: readings}}
}

// MostResistant is the measured section that took longest; "" when fewer than two were
// measured or none stands out from the average of the others.
// It compares the rates of this visit; of equal ones the first ID is taken, so that
// the answer is always the same.
func MostResistant(state *pb.SessionState) string {
	var measured []*pb.SectionState
	sum := 0.0
	for _, c := range state.GetSections() {
		if c.GetRate().GetReadings() > 0 && !c.ContactAssumed {
			measured = append(measured, c)
			sum += c.Rate.Mean
		}
	}
	if len(measured) < 2 {
		return ""
	}
	slowest := slices.MinFunc(measured, func(a, b *pb.SectionState) int {
		return cmp.Or(cmp.Compare(a.Rate.Mean, b.Rate.Mean), cmp.Compare(a.SectionId, b.SectionId))
	})
	others := (sum - slowest.Rate.Mean) / float64(len(measured)-1)
	if others-slowest.Rate.Mean < resistantMargin {
		return ""
	}
	return slowest.SectionId
}
