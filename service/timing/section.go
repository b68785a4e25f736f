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
	seen       *float64 // last reading, percent of curl left
	lastTest   time.Time
	distressed bool
	belief     belief

	// What is advised from the last contact or strand test on.
	advisedBy string    // that event
	testDue   time.Time // zero: none
	callBy    time.Time // latest call to the bowl
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
func (c *section) test(t time.Time, eventID string, remainingPercent *float64, distressed bool) {
	at := c.exposure(t)
	c.lastTest = t
	if remainingPercent != nil {
		c.seen = remainingPercent
		c.readings = append(c.readings, readAt(at, *remainingPercent))
		c.belief = update(c.prior, c.readings)
	}
	c.distressed = c.distressed || distressed
	if !c.on {
		return
	}
	c.advise(eventID)
	if due, ok := c.guide.nextTest(c.belief, at); ok {
		c.testDue = c.when(due)
	}
	if c.rinseAtOnce() && t.Before(c.callBy) {
		c.callBy = t
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
	c.limitAt = c.when(c.guide.hardLimit)
}

// rinseAtOnce tells whether the last strand test itself calls for water.
func (c *section) rinseAtOnce() bool { return c.distressed || c.atCap() }

func (c *section) atCap() bool {
	return c.seen != nil && *c.seen <= 100-c.guide.limits.CapPercent
}

func (c *section) atTarget() bool {
	return c.seen != nil && *c.seen <= 100-c.guide.limits.TargetPercent
}

// end notes water on the section. What the exposures add up to is kept, in case
// product comes on again.
func (c *section) end(t time.Time) {
	c.earlier = c.exposure(t)
	c.on, c.rinse, c.distressed = false, t, false
	c.testDue, c.callBy = time.Time{}, time.Time{}
}

// targetAt is when the target is expected.
func (c *section) targetAt() time.Time {
	return c.when(minutesTo(c.guide.limits.TargetPercent, c.belief.quantile(0.5)))
}

// nearAt is when going to the bowl brings water on at the target.
func (c *section) nearAt() time.Time {
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
		Rate:               &pb.RateEstimate{Mean: c.belief.mean, Deviation: c.belief.deviation, Readings: int32(c.belief.readings)},
	}
	if c.first.IsZero() {
		return s
	}
	s.StraighteningPercent = c.range3(func(lnRate float64) float64 { return straightened(s.ExposureMinutes, lnRate) })
	s.HardLimitTime = stamp(c.limitAt)
	if !c.on {
		s.RinseTime = stamp(c.rinse)
		return s
	}
	// More rate is less time, so the ends change places.
	left := func(percent float64) *pb.Estimate {
		e := c.range3(func(lnRate float64) float64 { return max(0, minutesTo(percent, lnRate)-s.ExposureMinutes) })
		return &pb.Estimate{Value: e.Value, Low: e.High, High: e.Low}
	}
	s.MinutesToTarget, s.MinutesToCap = left(c.guide.limits.TargetPercent), left(c.guide.limits.CapPercent)
	s.NextStrandTestTime, s.LatestRinseTime = stamp(c.testDue), stamp(c.callBy)
	return s
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
