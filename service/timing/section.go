package timing

import (
	"time"

	pb "alkalog/proto/alkalogv1"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// section is the clock of one section while the facts are applied. Advice is renewed at
// each contact and strand test only, and kept with the event that it follows from: a
// deviation is measured against what could be known then, not against later readings.
type section struct {
	id      string
	planned bool
	prior   normal
	guide   guide
	longest float64 // minutes from first contact to water, of all exposures together

	contacts     []*pb.PartContact
	firstContact time.Time // first contact ever
	// contactAssumed: the contact was noted with other sections and came later, so the
	// exposure is an upper bound. Guidance goes by it; deviations and learning do not.
	contactAssumed bool
	// on: product is on it since contactTime, by contactEvent.
	on           bool
	contactTime  time.Time
	contactEvent string
	// earlierMinutes are the minutes of exposures that ended, the last one at rinseTime.
	earlierMinutes float64
	rinseTime      time.Time

	readings []reading
	// lastPercent is the last reading in percent of curl left, lastWord the last in words.
	lastPercent *float64
	lastWord    pb.CurlReading
	// lastReading is the last strand test with a reading of either kind.
	lastReading      *pb.StrandTest
	lastReadingEvent string
	lastReadingTime  time.Time
	// capReadings counts the strand tests in a row that read at the cap.
	capReadings int
	// lastTestTime is the last strand test, with or without a reading.
	lastTestTime time.Time
	// distressEvent is the strand test that first showed the hair in distress.
	distressEvent string
	posterior     posterior
	// capDeviation: it is recorded that the cap was passed.
	capDeviation bool

	// inUse is the relaxer on the section, as last named.
	inUse *productInUse
	// mixtureDeadline is when the mixture must be under water; zero unless two-part.
	mixtureDeadline time.Time

	// The advice from the last contact or strand test (adviceEvent) on.
	adviceEvent  string
	nextTestTime time.Time // zero: none
	// plannedTestTime is the next test by the plan's figures, as far as it is later.
	plannedTestTime time.Time
	// excusedTest is a next test that is not overdue because the stage was called.
	excusedTest    time.Time
	latestCallTime time.Time
	// plannedCallTime is the latest call by the plan's figures; lateness counts from it.
	plannedCallTime time.Time
	limitTime       time.Time // water must be on
}

// exposure is the minutes of product on the section up to t, over all applications.
func (c *section) exposure(t time.Time) float64 {
	if c.on {
		return c.earlierMinutes + t.Sub(c.contactTime).Minutes()
	}
	return c.earlierMinutes
}

// timeAt is the time at which the present exposure comes to minutes.
// Minutes of earlier exposures count, so the time can lie before the present
// contact.
func (c *section) timeAt(minutes float64) time.Time {
	return c.contactTime.Add(time.Duration((minutes - c.earlierMinutes) * float64(time.Minute)))
}

// beginExposure records product on the section.
func (c *section) beginExposure(t time.Time, eventID string) {
	if c.firstContact.IsZero() {
		c.firstContact = t
	}
	c.on, c.contactTime, c.contactEvent = true, t, eventID
	c.posterior = posteriorOf(c.prior, c.readings)
	c.advise(eventID)
	c.scheduleFirst()
}

// scheduleFirst sets the time of the first strand test of an exposure.
func (c *section) scheduleFirst() {
	c.nextTestTime = c.timeAt(max(c.guide.firstTest(c.posterior), c.earlierMinutes))
	c.plannedTestTime = c.nextTestTime
	if c.guide.hands {
		c.plannedTestTime = c.timeAt(max(c.guide.forPlan().firstTest(c.posterior), c.earlierMinutes))
	}
}

// strandTest applies a strand test, while product is on or after the rinse. A test
// without a reading does not change the estimate. A test that itself calls for water
// moves the latest call to the time of the test.
func (c *section) strandTest(e fact, what *pb.StrandTest) {
	at := c.exposure(e.at)
	c.lastTestTime = e.at
	if what.RemainingCurlPercent != nil {
		c.lastPercent = what.RemainingCurlPercent
	}
	if what.Reading != pb.CurlReading_CURL_READING_UNSPECIFIED {
		c.lastWord = what.Reading
	}
	// A thio service has no model: the reading counts, but updates no estimate.
	if r, ok := read(at, what); ok {
		c.lastReading, c.lastReadingEvent, c.lastReadingTime = what, e.EventId, e.at
		if c.capReadings++; !c.readsAtCap() {
			c.capReadings = 0
		}
		if !c.guide.directions {
			c.readings = append(c.readings, r)
			c.posterior = posteriorOf(c.prior, c.readings)
		}
	}
	if what.Distressed && c.distressEvent == "" {
		c.distressEvent = e.EventId
	}
	if !c.on {
		return
	}
	c.advise(e.EventId)
	if due, ok := c.guide.nextTest(c.posterior, at); ok {
		c.nextTestTime, c.plannedTestTime = c.timeAt(due), c.timeAt(due)
		if planned, ok := c.guide.forPlan().nextTest(c.posterior, at); ok && c.guide.hands {
			c.plannedTestTime = later(c.nextTestTime, c.timeAt(planned))
		}
	}
	if c.rinseRead() {
		c.latestCallTime, c.plannedCallTime = earlier(c.latestCallTime, e.at), earlier(c.plannedCallTime, e.at)
	}
	// A test at the latest call or after it would delay the water.
	if !c.nextTestTime.Before(c.latestCallTime) {
		c.nextTestTime = time.Time{}
	}
}

// advise sets the latest call to the bowl and the limit from what is known now. It is
// called at a contact and at each strand test; late rinses and late tests are measured
// against it.
func (c *section) advise(eventID string) {
	c.adviceEvent = eventID
	c.nextTestTime = time.Time{}
	c.latestCallTime = c.timeAt(c.guide.latestCall(c.posterior))
	c.plannedCallTime = c.timeAt(c.guide.forPlan().latestCall(c.posterior))
	c.limitTime = c.timeAt(c.guide.hardLimit)
}

// limitBy sets the limit of the present exposure to a time, if that is before the limit
// from first contact, and the latest calls with it.
// A strand test that calls to the bowl by itself has set the calls already, and they
// stay.
func (c *section) limitBy(t time.Time) {
	c.guide.hardLimit = min(c.longest, c.exposure(t))
	c.limitTime = c.timeAt(c.guide.hardLimit)
	if !c.rinseRead() {
		c.latestCallTime = c.timeAt(c.guide.latestCall(c.posterior))
		c.plannedCallTime = c.timeAt(c.guide.forPlan().latestCall(c.posterior))
	}
}

// rinseRead reports whether the last strand test itself calls to the bowl.
func (c *section) rinseRead() bool { return c.distressEvent != "" || c.readsAtCap() }

// capCallTime is when a strand test that reads at the cap calls for water at once; zero
// when it does not read so. An eye is off by 5 to 8 points, and over the tests of a whole
// head some will read at the cap long before it: water at once would then be an alarm that
// people learn to ignore. One such reading therefore calls to the bowl (RINSE_DUE, at the
// time of the test), and calls for water at once as soon as
//
//   - the next reading says the same, or the same test says that the hair stays smooth,
//   - the estimate, which knows the error of the eye, is 95 % sure of the target, or
//   - water has not come in the time that slow hands need for the way to the bowl.
//
// So it delays no water; it only withholds the most severe word.
func (c *section) capCallTime() time.Time {
	switch {
	case !c.readsAtCap():
		return time.Time{}
	case !c.guide.hands || c.guide.directions:
		return c.latestCallTime
	case c.capReadings > 1, c.lastReading.Reading == pb.CurlReading_CURL_READING_STAYS_SMOOTH:
		return c.lastReadingTime
	}
	sure := later(c.lastReadingTime, c.timeAt(c.guide.targetPassed(c.posterior, highTail)))
	return earlier(sure, c.lastReadingTime.Add(minutes(c.guide.walk)))
}

// readsAtCap reports whether the last strand test reads at the cap. A reading of exactly
// the cap counts: the hair goes on straightening on the way to the bowl.
func (c *section) readsAtCap() bool {
	return c.lastReading != nil && c.lastReading.RemainingCurlPercent != nil && c.lastReading.GetRemainingCurlPercent() <= 100-c.guide.limits.CapPercent
}

// atTarget reports whether the last strand test reads at the target; in words, that the
// hair stays smooth.
func (c *section) atTarget() bool {
	switch {
	case c.lastReading == nil:
		return false
	case c.lastReading.RemainingCurlPercent != nil:
		return c.lastReading.GetRemainingCurlPercent() <= 100-c.guide.limits.TargetPercent
	}
	return c.lastReading.Reading == pb.CurlReading_CURL_READING_STAYS_SMOOTH
}

// capTime is when the upper end of the estimate reaches the cap; zero where no estimate
// applies.
func (c *section) capTime() time.Time {
	if c.guide.directions {
		return time.Time{}
	}
	return c.timeAt(c.guide.capPassed(c.posterior, lowTail))
}

// overdueTime is when RINSE_DUE becomes RINSE_NOW: a minute after the upper end of the
// estimate reached the cap, or after the last strand test if that is later.
func (c *section) overdueTime() time.Time {
	at := c.capTime()
	if at.IsZero() {
		return c.limitTime
	}
	return later(at, later(c.latestCallTime, c.lastTestTime)).Add(minutes(dueGraceMinutes))
}

// endExposure records water on the section. The minutes so far are kept, in case product
// comes on again.
// Hair in distress and the product in use belong to the exposure that ends; the
// readings stay.
func (c *section) endExposure(t time.Time) {
	c.earlierMinutes = c.exposure(t)
	c.on, c.rinseTime, c.distressEvent, c.inUse = false, t, "", nil
	c.nextTestTime, c.latestCallTime, c.plannedCallTime = time.Time{}, time.Time{}, time.Time{}
}

// targetTime is when the target is expected.
func (c *section) targetTime() time.Time {
	return c.timeAt(minutesTo(c.guide.limits.TargetPercent, c.posterior.quantile(0.5)))
}

// nearTargetTime is when a walk to the bowl brings water on at the target. It is zero
// where only a strand test can tell and none has.
func (c *section) nearTargetTime() time.Time {
	if c.guide.directions {
		if c.atTarget() {
			return c.lastTestTime
		}
		return time.Time{}
	}
	near := c.targetTime().Add(-minutes(c.guide.limits.MinutesToBowl))
	if c.atTarget() && c.lastTestTime.Before(near) {
		return c.lastTestTime
	}
	return later(near, c.contactTime)
}

// state is the section as the contract shows it, at t.
func (c *section) state(t time.Time) *pb.SectionState {
	s := &pb.SectionState{
		SectionId:          c.id,
		Contacts:           c.contacts,
		FirstContactTime:   stamp(c.firstContact),
		ExposureMinutes:    c.exposure(t),
		LastReadingPercent: c.lastPercent,
		LastTestTime:       stamp(c.lastTestTime),
		LastReading:        c.lastWord,
		ContactAssumed:     c.contactAssumed,
	}
	if !c.guide.directions {
		s.Rate = &pb.RateEstimate{Mean: c.posterior.mean, Deviation: c.posterior.deviation, Readings: int32(c.posterior.readings)}
	}
	if c.firstContact.IsZero() {
		return s
	}
	s.HardLimitTime = stamp(c.limitTime)
	if c.on {
		s.NextStrandTestTime, s.LatestRinseTime = stamp(c.nextTestTime), stamp(c.latestCallTime)
	} else {
		s.RinseTime = stamp(c.rinseTime)
	}
	if !c.guide.directions {
		c.estimates(s)
	}
	return s
}

// estimates adds what the model estimates.
// After the rinse nothing straightens any more, so no minutes are left to count.
func (c *section) estimates(s *pb.SectionState) {
	s.StraighteningPercent = c.interval(func(lnRate float64) float64 { return straightened(s.ExposureMinutes, lnRate) })
	if !c.on {
		return
	}
	// More rate is less time, so the ends change places.
	left := func(percent float64) *pb.Estimate {
		e := c.interval(func(lnRate float64) float64 { return max(0, minutesTo(percent, lnRate)-s.ExposureMinutes) })
		return &pb.Estimate{Value: e.Value, Low: e.High, High: e.Low}
	}
	s.MinutesToTarget, s.MinutesToCap = left(c.guide.limits.TargetPercent), left(c.guide.limits.CapPercent)
}

// interval is a figure at the median and at the ends of the 90 % interval of ln k.
func (c *section) interval(figure func(lnRate float64) float64) *pb.Estimate {
	return &pb.Estimate{
		Value: figure(c.posterior.quantile(0.5)),
		Low:   figure(c.posterior.quantile(lowTail)),
		High:  figure(c.posterior.quantile(highTail)),
	}
}

// minutes converts minutes to a duration.
func minutes(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }

// later returns the later of two times.
func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// stamp returns a timestamp; nil for the zero time.
func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}
