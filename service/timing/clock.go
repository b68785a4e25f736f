package timing

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// A till's clock may be wrong by hours, drift, and be set while a service runs. It
// is measured by echoes of the server's time, which no queue and no retry disturbs,
// and a session keeps the readings of each till. An event happened between two
// readings, so its offset is that of one of them; where both fit, the event has a
// span of times, and guidance takes the longest exposure in it.

// Measure adds what one attempt of a call tells of its sender's clock to a
// session's clocks. An echo that cannot be, such as of a time that is yet to come,
// tells nothing. The clocks that were given are not changed.
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

// ClockOf is the till's clock of a session, as an echo measured it last or as the
// sending times bound it.
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

// Corrected is a till's time by the server's clock, as far as the till's is known.
func CorrectedTime(c *pb.ClockState, told time.Time) time.Time {
	if !c.GetCorrected() {
		return told
	}
	return subtractOffset(told, c.GetOffsetMs())
}

func tillClock(clocks []*pb.TillClock, sender string) *pb.TillClock {
	i := slices.IndexFunc(clocks, func(c *pb.TillClock) bool { return c.Sender == sender })
	if i < 0 {
		return nil
	}
	return clocks[i]
}

// readings are what an echo tells: the offset when the server's time was received
// and, by the monotonic clock, the offset when this attempt was sent.
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

func readingAt(server, till time.Time) *pb.ClockReading {
	return &pb.ClockReading{Time: timestamppb.New(server), OffsetMs: milliseconds(till) - milliseconds(server)}
}

// withReading puts a reading in its place. Of a run of readings that agree with the
// first, the last alone is kept beside it.
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

func offsetsAgree(a, b *pb.ClockReading) bool {
	return max(a.OffsetMs, b.OffsetMs)-min(a.OffsetMs, b.OffsetMs) <= clockSlack.Milliseconds()/2
}

// Correct says when events of one batch happened by the server's clock, as far as
// echoes tell. The events are those of a sender with their record times set; recorded
// are the session's earlier ones.
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

func correctTime(s *pb.Session, known []*pb.StoredEvent, e *pb.StoredEvent) {
	c := tillClock(s.GetTillClocks(), e.Sender)
	if len(c.GetReadings()) == 0 {
		correctByBound(c, e)
		return
	}
	received := e.RecordTime.AsTime()
	fits := afterSessionStart(s, inDeviceSequence(known, e, candidateTimes(c, e.Event.GetOccurTime().AsTime(), received)))
	e.ClockBasis = pb.ClockBasis_CLOCK_BASIS_ECHO
	if len(fits) == 0 { // no clock that was measured explains it
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

// correctByBound takes off what the clock is ahead by at least. It is noted as known
// now; Fold goes by the bound of the whole session.
func correctByBound(c *pb.TillClock, e *pb.StoredEvent) {
	if c.GetBoundMs() == 0 {
		return
	}
	e.ClockBasis = pb.ClockBasis_CLOCK_BASIS_BOUND
	if !negligible(*c.BoundMs) {
		setCorrected(e, earlier(subtractOffset(e.Event.GetOccurTime().AsTime(), *c.BoundMs), e.RecordTime.AsTime()), *c.BoundMs)
	}
}

func setCorrected(e *pb.StoredEvent, at time.Time, offset int64) {
	e.ClockOffsetMs, e.CorrectedTime = &offset, timestamppb.New(at)
}

// fit is a time at which an event may have happened, with the offset that gives it.
type candidateTime struct {
	at     time.Time
	offset int64
}

func (f candidateTime) compare(g candidateTime) int { return f.at.Compare(g.at) }

// candidates are the times at which an event may have happened that the till says
// was at told: between two readings, by the offset of one of them. Those by the
// newest reading come last.
func candidateTimes(c *pb.TillClock, told, received time.Time) []candidateTime {
	var found []candidateTime
	consider := func(r *pb.ClockReading, from, to time.Time) {
		at := subtractOffset(told, r.OffsetMs)
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

// neighbours leaves those times that keep an event in the order of its device, as
// far as the times of the others are certain; all of them when none does.
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

// likely leaves out times before the session if others fit.
func afterSessionStart(s *pb.Session, fits []candidateTime) []candidateTime {
	return prefer(fits, func(f candidateTime) bool { return !f.at.Before(earliestContact(s).Add(-clockSlack)) })
}

func prefer(fits []candidateTime, good func(candidateTime) bool) []candidateTime {
	left := slices.DeleteFunc(slices.Clone(fits), func(f candidateTime) bool { return !good(f) })
	if len(left) == 0 {
		return fits
	}
	return left
}

// floor is before what a till of unknown clock can have noted of product: the
// session was begun before the product was on. For a service that was under way
// nobody knows, and the limit counts as reached.
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

// correctedTime is when an event happened, as it was known when it was recorded.
func correctedTime(e *pb.StoredEvent) time.Time {
	if e.CorrectedTime != nil {
		return e.CorrectedTime.AsTime()
	}
	return e.Event.GetOccurTime().AsTime()
}

// slack is what two clocks may differ by and still agree: an offset up to it is not
// corrected.
const clockSlack = time.Duration(clockSlackSeconds * float64(time.Second))

// negligible reports whether an offset is too small to be corrected.
func negligible(offsetMs int64) bool { return max(offsetMs, -offsetMs) <= clockSlack.Milliseconds() }

func subtractOffset(t time.Time, offsetMs int64) time.Time {
	rest := t.Sub(t.Truncate(time.Millisecond))
	return time.UnixMilli(t.UnixMilli() - offsetMs).Add(rest).UTC()
}

func milliseconds(t time.Time) int64 { return t.UnixMilli() }

func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
