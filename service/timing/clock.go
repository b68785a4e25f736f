package timing

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// MeasureClock adds what one attempt of a call says about its sender's clock to a
// session's clocks, and returns the clocks. An impossible echo, such as one of a future
// time, is ignored. The slice and the messages that were passed are not changed.
//
// The echo gives readings of the offset. Without an echo, the smallest difference
// between sending and receiving bounds it: a message cannot arrive before it is sent, so
// the clock is ahead by at least that much. There is no bound from the other side,
// because a queue of 40 minutes looks like a clock that is 40 minutes slow.
func MeasureClock(clocks []*pb.TillClock, sender string, echo *pb.ClockEcho, sent *timestamppb.Timestamp, received time.Time) []*pb.TillClock {
	fresh := readings(echo, sent, received)
	if len(fresh) == 0 && sent == nil {
		return clocks
	}
	clocks = slices.Clone(clocks)
	i := slices.IndexFunc(clocks, func(c *pb.TillClock) bool { return c.Sender == sender })
	if i < 0 {
		i, clocks = len(clocks), append(clocks, &pb.TillClock{Sender: sender})
	}
	c := proto.CloneOf(clocks[i])
	clocks[i] = c
	for _, r := range fresh {
		c.Readings = withReading(c.Readings, r)
	}
	if sent != nil {
		bound := milliseconds(sent.AsTime()) - milliseconds(received)
		if c.BoundMs == nil || bound > *c.BoundMs {
			c.BoundMs = &bound
		}
	}
	return clocks
}

// ClockStateOf returns what is known of a till's clock: the last offset that an echo
// measured, else the bound from the sending times.
// An offset that is negligible is shown and not corrected.
func ClockStateOf(clocks []*pb.TillClock, sender string) *pb.ClockState {
	c := tillClock(clocks, sender)
	s := &pb.ClockState{}
	switch n := len(c.GetReadings()); {
	case n > 0:
		s.Basis, s.OffsetMs = pb.ClockBasis_CLOCK_BASIS_ECHO, &c.Readings[n-1].OffsetMs
	case c.GetBoundMs() != 0:
		s.Basis, s.OffsetMs = pb.ClockBasis_CLOCK_BASIS_BOUND, c.BoundMs
	}
	s.Corrected = !negligible(s.GetOffsetMs())
	return s
}

// CorrectedTime converts a till's time to the server's clock, as far as the offset is
// known.
func CorrectedTime(c *pb.ClockState, tillTime time.Time) time.Time {
	if !c.GetCorrected() {
		return tillTime
	}
	return subtractOffset(tillTime, c.GetOffsetMs())
}

// tillClock returns the clock of a sender; nil when nothing is known of it.
func tillClock(clocks []*pb.TillClock, sender string) *pb.TillClock {
	i := slices.IndexFunc(clocks, func(c *pb.TillClock) bool { return c.Sender == sender })
	if i < 0 {
		return nil
	}
	return clocks[i]
}

// readings returns what an echo measures: the offset at the moment when the till
// received the server's time and, by the till's monotonic clock, the offset when this
// attempt was sent. The second shows a clock that was changed in between.
func readings(echo *pb.ClockEcho, sent *timestamppb.Timestamp, received time.Time) []*pb.ClockReading {
	if echo.GetServerTime() == nil || echo.GetReceiveTime() == nil {
		return nil
	}
	server := echo.ServerTime.AsTime()
	if server.After(received.Add(clockSlack)) || received.Sub(server) > hours(echoHours) {
		return nil
	}
	found := []*pb.ClockReading{readingAt(server, echo.ReceiveTime.AsTime())}
	then := server.Add(time.Duration(echo.GetElapsedMs()) * time.Millisecond)
	if echo.ElapsedMs != nil && sent != nil && !then.After(received.Add(clockSlack)) {
		found = append(found, readingAt(then, sent.AsTime()))
	}
	return found
}

// readingAt is the till's time less the server's at the same moment, in
// milliseconds: positive when the till is ahead.
func readingAt(server, till time.Time) *pb.ClockReading {
	return &pb.ClockReading{Time: timestamppb.New(server), OffsetMs: milliseconds(till) - milliseconds(server)}
}

// withReading inserts a reading in order of time. Of a run of readings that agree, only
// the first and the last are kept: between them the offset did not change, and a session
// of an hour would otherwise store hundreds.
func withReading(all []*pb.ClockReading, r *pb.ClockReading) []*pb.ClockReading {
	if slices.ContainsFunc(all, func(known *pb.ClockReading) bool { return proto.Equal(known, r) }) {
		return all
	}
	at, _ := slices.BinarySearchFunc(all, r, func(a, b *pb.ClockReading) int { return a.Time.AsTime().Compare(b.Time.AsTime()) })
	all = slices.Insert(slices.Clone(all), at, r)
	if n := len(all); at == n-1 && n > 2 && offsetsAgree(all[n-3], all[n-2]) && offsetsAgree(all[n-3], r) {
		all = slices.Delete(all, n-2, n-1)
	}
	if len(all) > mostReadings {
		all = all[len(all)-mostReadings:]
	}
	return all
}

// offsetsAgree reports whether two readings measured the same offset, within half of the
// slack, because both have an error.
func offsetsAgree(a, b *pb.ClockReading) bool {
	return max(a.OffsetMs, b.OffsetMs)-min(a.OffsetMs, b.OffsetMs) <= clockSlack.Milliseconds()/2
}

// CorrectTimes sets the corrected times of the events of one batch, by the server's
// clock, as far as echoes measured the offset. The batch is of one sender and has its
// record times set; recorded holds the session's earlier events.
//
// Events are corrected in the order of their device, because each one limits the times
// that fit for the next.
func CorrectTimes(s *pb.Session, recorded, batch []*pb.StoredEvent) {
	batch = slices.Clone(batch)
	slices.SortStableFunc(batch, func(a, b *pb.StoredEvent) int {
		return cmp.Compare(a.Event.GetDeviceSequence(), b.Event.GetDeviceSequence())
	})
	known := slices.Clone(recorded)
	for _, e := range batch {
		correctTime(s, known, e)
		known = append(known, e)
	}
}

// correctTime sets the times of one event. Of several times that fit, the one by the
// newest reading is the corrected time, and the others are its range.
// An event that no reading explains gets the time of recording, and as its range all
// of the session until then.
func correctTime(s *pb.Session, known []*pb.StoredEvent, e *pb.StoredEvent) {
	c := tillClock(s.GetTillClocks(), e.Sender)
	if len(c.GetReadings()) == 0 {
		correctByBound(c, e)
		return
	}
	received := e.RecordTime.AsTime()
	fits := afterSessionStart(s, inDeviceSequence(known, e, candidateTimes(c, e.Event.GetOccurTime().AsTime(), received)))
	e.ClockBasis = pb.ClockBasis_CLOCK_BASIS_ECHO
	if len(fits) == 0 { // no measured offset explains the time
		e.CorrectedTime, e.EarliestTime, e.LatestTime = e.RecordTime, timestamppb.New(earlier(earliestContact(s), received)), e.RecordTime
		return
	}
	best := fits[len(fits)-1]
	early, late := slices.MinFunc(fits, candidateTime.compare), slices.MaxFunc(fits, candidateTime.compare)
	if !negligible(best.offset) {
		setCorrected(e, best.at, best.offset)
	}
	if best.at.Sub(early.at) > clockSlack {
		e.EarliestTime = timestamppb.New(early.at)
	}
	if late.at.Sub(best.at) > clockSlack {
		e.LatestTime = timestamppb.New(late.at)
	}
}

// correctByBound subtracts the least offset that the sending times allow. The event
// stores the bound that is known now; Fold uses the bound of the whole session, which
// later batches may raise.
func correctByBound(c *pb.TillClock, e *pb.StoredEvent) {
	if c.GetBoundMs() == 0 {
		return
	}
	e.ClockBasis = pb.ClockBasis_CLOCK_BASIS_BOUND
	if !negligible(*c.BoundMs) {
		setCorrected(e, earlier(subtractOffset(e.Event.GetOccurTime().AsTime(), *c.BoundMs), e.RecordTime.AsTime()), *c.BoundMs)
	}
}

// setCorrected keeps the offset beside the time, so that it shows why a time was
// moved.
func setCorrected(e *pb.StoredEvent, at time.Time, offset int64) {
	e.ClockOffsetMs, e.CorrectedTime = &offset, timestamppb.New(at)
}

// candidateTime is a time at which an event may have happened, with the clock offset that
// leads to it.
type candidateTime struct {
	at     time.Time
	offset int64
}

func (f candidateTime) compare(g candidateTime) int { return f.at.Compare(g.at) }

// candidateTimes returns the times at which an event may have happened that the till
// stamped with tillTime. Between two readings the clock had the offset of one of them: it
// was changed at some moment in between. The candidates of the newest reading come last.
func candidateTimes(c *pb.TillClock, tillTime, received time.Time) []candidateTime {
	var found []candidateTime
	consider := func(r *pb.ClockReading, from, to time.Time) {
		at := subtractOffset(tillTime, r.OffsetMs)
		if at.Before(from.Add(-clockSlack)) || at.After(to.Add(clockSlack)) {
			return
		}
		found = append(found, candidateTime{earlier(at, received), r.OffsetMs})
	}
	rs := c.Readings
	consider(rs[0], time.Time{}, rs[0].Time.AsTime())
	for i := range len(rs) - 1 {
		from, to := rs[i].Time.AsTime(), rs[i+1].Time.AsTime()
		consider(rs[i], from, to)
		consider(rs[i+1], from, to)
	}
	last := rs[len(rs)-1]
	consider(last, last.Time.AsTime(), received)
	return found
}

// inDeviceSequence keeps the times that agree with the sequence numbers of the device,
// compared with events whose times are certain. If no time agrees, it keeps all.
func inDeviceSequence(known []*pb.StoredEvent, e *pb.StoredEvent, fits []candidateTime) []candidateTime {
	if e.Event.DeviceSequence == nil {
		return fits
	}
	return prefer(fits, func(f candidateTime) bool {
		return !slices.ContainsFunc(known, func(o *pb.StoredEvent) bool {
			if o.Sender != e.Sender || o.Event.DeviceSequence == nil || o.EarliestTime != nil || o.LatestTime != nil {
				return false
			}
			at := correctedTime(o)
			return o.Event.GetDeviceSequence() < e.Event.GetDeviceSequence() && f.at.Before(at.Add(-clockSlack)) ||
				o.Event.GetDeviceSequence() > e.Event.GetDeviceSequence() && f.at.After(at.Add(clockSlack))
		})
	})
}

// afterSessionStart drops times before the session, if others fit.
func afterSessionStart(s *pb.Session, fits []candidateTime) []candidateTime {
	return prefer(fits, func(f candidateTime) bool { return !f.at.Before(earliestContact(s).Add(-clockSlack)) })
}

// prefer keeps the times that are good, or all of them when none is.
// A preference never leaves an event without a time.
func prefer(fits []candidateTime, good func(candidateTime) bool) []candidateTime {
	left := slices.DeleteFunc(slices.Clone(fits), func(f candidateTime) bool { return !good(f) })
	if len(left) == 0 {
		return fits
	}
	return left
}

// earliestContact is the earliest possible time of product on the hair, for tills whose
// clock is not known: a session begins before the product is on. A service that was
// already under way when its session began has no such bound, so its hard limit counts as
// reached.
func earliestContact(s *pb.Session) time.Time {
	begun := s.GetCreateTime()
	if begun == nil {
		begun = s.GetStartTime()
	}
	if s.GetUnderWay() {
		return earlier(s.GetStartTime().AsTime(), begun.AsTime().Add(-minutes(limitsOf(s).HardLimitMinutes)))
	}
	return begun.AsTime()
}

// correctedTime is when an event happened, by what was known when it was recorded.
func correctedTime(e *pb.StoredEvent) time.Time {
	if e.CorrectedTime != nil {
		return e.CorrectedTime.AsTime()
	}
	return e.Event.GetOccurTime().AsTime()
}

// clockSlack is the largest difference at which two clocks count as equal: an offset up
// to it is not corrected.
const clockSlack = time.Duration(clockSlackSeconds * float64(time.Second))

// negligible reports whether an offset, in milliseconds, is too small to be corrected.
func negligible(offsetMs int64) bool { return max(offsetMs, -offsetMs) <= clockSlack.Milliseconds() }

// subtractOffset returns the server's time of a till's time. Offsets are whole
// milliseconds; the fraction of a millisecond of t is kept, so that the order of events
// is kept too.
func subtractOffset(t time.Time, offsetMs int64) time.Time {
	rest := t.Sub(t.Truncate(time.Millisecond))
	return time.UnixMilli(t.UnixMilli() - offsetMs).Add(rest).UTC()
}

// milliseconds is a time in whole milliseconds since 1970 in UTC, the unit of all
// offsets.
func milliseconds(t time.Time) int64 { return t.UnixMilli() }

func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
