package timing

import (
	"time"

	pb "alkalog/proto/alkalogv1"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// section is the clock of one section while the facts are folded.
type section struct {
	id      string
	planned bool
	prior   normal
	guide   guide

	contacts []*pb.PartContact
	first    time.Time // first contact ever
	on       bool      // product is on it
	since    time.Time // start of the present exposure
	contact  string    // event that started it
	earlier  float64   // minutes of exposures that ended
	rinse    time.Time // end of the last one

	readings   []reading
	seen       *float64       // last reading in percent of curl left
	word       pb.CurlReading // last reading in words
	latest     *pb.StrandTest // last strand test that was read
	readBy     string         // its event
	lastTest   time.Time
	distressed string // event that showed the hair in distress; empty: none
	belief     belief
	beyondCap  bool // a deviation says so

	jar         *jar      // relaxer that is on it, as last named
	mixtureEnds time.Time // the mixture on it must be under water; zero: no two-part product

	// What is advised from the last contact or strand test on.
	advisedBy string    // that event
	testDue   time.Time // zero: none
	callBy    time.Time // latest call to the bowl
	lateFrom  time.Time // the same by the plan's figures, from which lateness counts
	limitAt   time.Time // water must be on
}

// exposure is the minutes of product on the section up to t.
func (c *section) exposure(t time.Time) float64 {
	if c.on {
		return c.earlier + t.Sub(c.since).Minutes()
	}
	return c.earlier
}

// when is the instant at which the present exposure comes to minutes.
func (c *section) when(minutes float64) time.Time {
	return c.since.Add(time.Duration((minutes - c.earlier) * float64(time.Minute)))
}

// begin notes product on the section.
func (c *section) begin(t time.Time, eventID string) {
	if c.first.IsZero() {
		c.first = t
	}
	c.on, c.since, c.contact = true, t, eventID
	c.belief = update(c.prior, c.readings)
	c.advise(eventID)
	c.scheduleFirst()
}

// scheduleFirst sets the first strand test of an exposure.
func (c *section) scheduleFirst() {
	c.testDue = c.when(max(c.guide.firstTest(c.belief), c.earlier))
}

// test notes a strand test while product is on, or on what was rinsed out. A test
// without a reading changes no estimate.
func (c *section) test(e fact, what *pb.StrandTest) {
	at := c.exposure(e.at)
	c.lastTest = e.at
	if what.RemainingCurlPercent != nil {
		c.seen = what.RemainingCurlPercent
	}
	if what.Reading != pb.CurlReading_CURL_READING_UNSPECIFIED {
		c.word = what.Reading
	}
	if r, ok := read(at, what); ok {
		c.latest, c.readBy = what, e.EventId
		if !c.guide.directions {
			c.readings = append(c.readings, r)
			c.belief = update(c.prior, c.readings)
		}
	}
	if what.Distressed && c.distressed == "" {
		c.distressed = e.EventId
	}
	if !c.on {
		return
	}
	c.advise(e.EventId)
	if due, ok := c.guide.nextTest(c.belief, at); ok {
		c.testDue = c.when(due)
	}
	if c.rinseAtOnce() {
		c.callBy, c.lateFrom = earlier(c.callBy, e.at), earlier(c.lateFrom, e.at)
	}
	if !c.testDue.Before(c.callBy) {
		c.testDue = time.Time{}
	}
}

// advise, made at a contact and at each strand test, is what a late rinse or a late
// test is measured against: one cannot be blamed for what a later reading showed.
// It sets the latest call and the limit from what is believed now.
func (c *section) advise(eventID string) {
	c.advisedBy = eventID
	c.testDue = time.Time{}
	c.callBy = c.when(c.guide.latestCall(c.belief))
	c.lateFrom = c.when(c.guide.planned().latestCall(c.belief))
	c.limitAt = c.when(c.guide.hardLimit)
}

// rinseAtOnce tells whether the last strand test itself calls for water.
func (c *section) rinseAtOnce() bool { return c.distressed != "" || c.atCap() }

func (c *section) atCap() bool {
	return c.latest != nil && c.latest.RemainingCurlPercent != nil && c.latest.GetRemainingCurlPercent() <= 100-c.guide.limits.CapPercent
}

// atTarget: the last reading was at the target, or in words that it stays smooth.
func (c *section) atTarget() bool {
	switch {
	case c.latest == nil:
		return false
	case c.latest.RemainingCurlPercent != nil:
		return c.latest.GetRemainingCurlPercent() <= 100-c.guide.limits.TargetPercent
	}
	return c.latest.Reading == pb.CurlReading_CURL_READING_STAYS_SMOOTH
}

// capAt is when the estimate's upper bound reaches the cap; zero where no estimate
// applies.
func (c *section) capAt() time.Time {
	if c.guide.directions {
		return time.Time{}
	}
	return c.when(c.guide.capPassed(c.belief, lowTail))
}

// overdueAt is when a call to the bowl by the estimate becomes one to rinse now:
// nothing happened for a while after the upper bound had reached the cap.
func (c *section) overdueAt() time.Time {
	at := c.capAt()
	if at.IsZero() {
		return c.limitAt
	}
	return later(at, later(c.callBy, c.lastTest)).Add(minutes(dueGraceMinutes))
}

// end notes water on the section. What the exposures add up to is kept, in case
// product comes on again.
func (c *section) end(t time.Time) {
	c.earlier = c.exposure(t)
	c.on, c.rinse, c.distressed, c.jar = false, t, "", nil
	c.testDue, c.callBy, c.lateFrom = time.Time{}, time.Time{}, time.Time{}
}

// targetAt is when the target is expected.
func (c *section) targetAt() time.Time {
	return c.when(minutesTo(c.guide.limits.TargetPercent, c.belief.quantile(0.5)))
}

// nearAt is when going to the bowl brings water on at the target; zero where only a
// strand test can tell and none has.
func (c *section) nearAt() time.Time {
	if c.guide.directions {
		if c.atTarget() {
			return c.lastTest
		}
		return time.Time{}
	}
	near := c.targetAt().Add(-minutes(c.guide.limits.MinutesToBowl))
	if c.atTarget() && c.lastTest.Before(near) {
		return c.lastTest
	}
	return later(near, c.since)
}

// state is the section at t.
func (c *section) state(t time.Time) *pb.SectionState {
	s := &pb.SectionState{
		SectionId:          c.id,
		Contacts:           c.contacts,
		FirstContactTime:   stamp(c.first),
		ExposureMinutes:    c.exposure(t),
		LastReadingPercent: c.seen,
		LastTestTime:       stamp(c.lastTest),
		LastReading:        c.word,
	}
	if !c.guide.directions {
		s.Rate = &pb.RateEstimate{Mean: c.belief.mean, Deviation: c.belief.deviation, Readings: int32(c.belief.readings)}
	}
	if c.first.IsZero() {
		return s
	}
	s.HardLimitTime = stamp(c.limitAt)
	if c.on {
		s.NextStrandTestTime, s.LatestRinseTime = stamp(c.testDue), stamp(c.callBy)
	} else {
		s.RinseTime = stamp(c.rinse)
	}
	if !c.guide.directions {
		c.estimates(s)
	}
	return s
}

// estimates fills in what the model says.
func (c *section) estimates(s *pb.SectionState) {
	s.StraighteningPercent = c.range3(func(lnRate float64) float64 { return straightened(s.ExposureMinutes, lnRate) })
	if !c.on {
		return
	}
	// More rate is less time, so the ends change places.
	left := func(percent float64) *pb.Estimate {
		e := c.range3(func(lnRate float64) float64 { return max(0, minutesTo(percent, lnRate)-s.ExposureMinutes) })
		return &pb.Estimate{Value: e.Value, Low: e.High, High: e.Low}
	}
	s.MinutesToTarget, s.MinutesToCap = left(c.guide.limits.TargetPercent), left(c.guide.limits.CapPercent)
}

// range3 is a figure at the middle and the ends of what is believed of ln k.
func (c *section) range3(figure func(lnRate float64) float64) *pb.Estimate {
	return &pb.Estimate{
		Value: figure(c.belief.quantile(0.5)),
		Low:   figure(c.belief.quantile(lowTail)),
		High:  figure(c.belief.quantile(highTail)),
	}
}

func minutes(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// stamp is nil for the zero time.
func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}
