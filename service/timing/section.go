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

	contacts       []*pb.PartContact
	firstContact   time.Time // first contact ever
	on             bool      // product is on it
	contactTime    time.Time // start of the present exposure
	contactEvent   string    // event that started it
	earlierMinutes float64   // minutes of exposures that ended
	rinseTime      time.Time // end of the last one

	readings         []reading
	lastPercent      *float64       // last reading in percent of curl left
	lastWord         pb.CurlReading // last reading in words
	lastReading      *pb.StrandTest // last strand test that was read
	lastReadingEvent string         // its event
	lastTestTime     time.Time
	distressEvent    string // event that showed the hair in distress; empty: none
	posterior        posterior
	capDeviation     bool // a deviation says so

	inUse           *productInUse // relaxer that is on it, as last named
	mixtureDeadline time.Time     // the mixture on it must be under water; zero: no two-part product

	// What is advised from the last contact or strand test on.
	adviceEvent     string    // that event
	nextTestTime    time.Time // zero: none
	latestCallTime  time.Time // latest call to the bowl
	plannedCallTime time.Time // the same by the plan's figures, from which lateness counts
	limitTime       time.Time // water must be on
}

// exposure is the minutes of product on the section up to t.
func (c *section) exposure(t time.Time) float64 {
	if c.on {
		return c.earlierMinutes + t.Sub(c.contactTime).Minutes()
	}
	return c.earlierMinutes
}

// when is the instant at which the present exposure comes to minutes.
func (c *section) timeAt(minutes float64) time.Time {
	return c.contactTime.Add(time.Duration((minutes - c.earlierMinutes) * float64(time.Minute)))
}

// begin notes product on the section.
func (c *section) beginExposure(t time.Time, eventID string) {
	if c.firstContact.IsZero() {
		c.firstContact = t
	}
	c.on, c.contactTime, c.contactEvent = true, t, eventID
	c.posterior = posteriorOf(c.prior, c.readings)
	c.advise(eventID)
	c.scheduleFirst()
}

// scheduleFirst sets the first strand test of an exposure.
func (c *section) scheduleFirst() {
	c.nextTestTime = c.timeAt(max(c.guide.firstTest(c.posterior), c.earlierMinutes))
}

// test notes a strand test while product is on, or on what was rinsed out. A test
// without a reading changes no estimate.
func (c *section) strandTest(e fact, what *pb.StrandTest) {
	at := c.exposure(e.at)
	c.lastTestTime = e.at
	if what.RemainingCurlPercent != nil {
		c.lastPercent = what.RemainingCurlPercent
	}
	if what.Reading != pb.CurlReading_CURL_READING_UNSPECIFIED {
		c.lastWord = what.Reading
	}
	if r, ok := read(at, what); ok {
		c.lastReading, c.lastReadingEvent = what, e.EventId
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
		c.nextTestTime = c.timeAt(due)
	}
	if c.rinseRead() {
		c.latestCallTime, c.plannedCallTime = earlier(c.latestCallTime, e.at), earlier(c.plannedCallTime, e.at)
	}
	if !c.nextTestTime.Before(c.latestCallTime) {
		c.nextTestTime = time.Time{}
	}
}

// advise, made at a contact and at each strand test, is what a late rinse or a late
// test is measured against: one cannot be blamed for what a later reading showed.
// It sets the latest call and the limit from what is believed now.
func (c *section) advise(eventID string) {
	c.adviceEvent = eventID
	c.nextTestTime = time.Time{}
	c.latestCallTime = c.timeAt(c.guide.latestCall(c.posterior))
	c.plannedCallTime = c.timeAt(c.guide.forPlan().latestCall(c.posterior))
	c.limitTime = c.timeAt(c.guide.hardLimit)
}

// rinseAtOnce tells whether the last strand test itself calls for water.
func (c *section) rinseRead() bool { return c.distressEvent != "" || c.atCap() }

func (c *section) atCap() bool {
	return c.lastReading != nil && c.lastReading.RemainingCurlPercent != nil && c.lastReading.GetRemainingCurlPercent() <= 100-c.guide.limits.CapPercent
}

// atTarget: the last reading was at the target, or in words that it stays smooth.
func (c *section) atTarget() bool {
	switch {
	case c.lastReading == nil:
		return false
	case c.lastReading.RemainingCurlPercent != nil:
		return c.lastReading.GetRemainingCurlPercent() <= 100-c.guide.limits.TargetPercent
	}
	return c.lastReading.Reading == pb.CurlReading_CURL_READING_STAYS_SMOOTH
}

// capAt is when the estimate's upper bound reaches the cap; zero where no estimate
// applies.
func (c *section) capTime() time.Time {
	if c.guide.directions {
		return time.Time{}
	}
	return c.timeAt(c.guide.capPassed(c.posterior, lowTail))
}

// overdueAt is when a call to the bowl by the estimate becomes one to rinse now:
// nothing happened for a while after the upper bound had reached the cap.
func (c *section) overdueTime() time.Time {
	at := c.capTime()
	if at.IsZero() {
		return c.limitTime
	}
	return later(at, later(c.latestCallTime, c.lastTestTime)).Add(minutes(dueGraceMinutes))
}

// end notes water on the section. What the exposures add up to is kept, in case
// product comes on again.
func (c *section) endExposure(t time.Time) {
	c.earlierMinutes = c.exposure(t)
	c.on, c.rinseTime, c.distressEvent, c.inUse = false, t, "", nil
	c.nextTestTime, c.latestCallTime, c.plannedCallTime = time.Time{}, time.Time{}, time.Time{}
}

// targetAt is when the target is expected.
func (c *section) targetTime() time.Time {
	return c.timeAt(minutesTo(c.guide.limits.TargetPercent, c.posterior.quantile(0.5)))
}

// nearAt is when going to the bowl brings water on at the target; zero where only a
// strand test can tell and none has.
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

// state is the section at t.
func (c *section) state(t time.Time) *pb.SectionState {
	s := &pb.SectionState{
		SectionId:          c.id,
		Contacts:           c.contacts,
		FirstContactTime:   stamp(c.firstContact),
		ExposureMinutes:    c.exposure(t),
		LastReadingPercent: c.lastPercent,
		LastTestTime:       stamp(c.lastTestTime),
		LastReading:        c.lastWord,
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

// estimates fills in what the model says.
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

// range3 is a figure at the middle and the ends of what is believed of ln k.
func (c *section) interval(figure func(lnRate float64) float64) *pb.Estimate {
	return &pb.Estimate{
		Value: figure(c.posterior.quantile(0.5)),
		Low:   figure(c.posterior.quantile(lowTail)),
		High:  figure(c.posterior.quantile(highTail)),
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
