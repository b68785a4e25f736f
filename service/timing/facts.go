package timing

import (
	"cmp"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// view selects the time of a fact whose time is not certain.
type view int

const (
	// likeliest is the view of the log. Where several times fit it takes the shortest
	// exposure, so that no deviation is based on a time that may be wrong.
	likeliest view = iota
	// cautious is the view of the guidance: the longest exposure that fits.
	cautious
)

// fact is an event with the time at which it is taken to have happened.
type fact struct {
	*pb.Event
	// at is the time in the view that was asked for, likelyAt the time for the log.
	at       time.Time
	likelyAt time.Time
	// tillTime is the time by the till's clock; implausible: it cannot be right.
	tillTime    time.Time
	implausible bool
	// received is when the server recorded it; zero when that is not known.
	received time.Time
	sender   string
	// measured: an echo measured the till's clock.
	measured bool
	// certain: the fact has the same time in every view.
	certain bool
	// assumed: its exposure counts from the earliest time that fits.
	assumed bool
	// unknown names what this program does not know of it.
	unknown []string
}

// unmeasured reports whether the clock of the fact's till is not known.
func (f fact) unmeasured() bool { return !f.certain && !f.measured }

// sortedFacts returns the facts in order of time, each event ID once: a till may send a
// batch again, and the first record counts. Events of the same instant are in the order of
// their device, or else of recording.
//
// Times are assigned in two passes, because the range of an event whose clock was changed
// depends on the events around it. The cautious view then moves contacts to the earliest
// and rinses to the latest time that fits.
func sortedFacts(s *pb.Session, events []*pb.StoredEvent, v view) []fact {
	first := map[string]int{}
	var once []*pb.StoredEvent
	for _, e := range events {
		if e.GetEvent() == nil {
			continue
		}
		i, known := first[e.Event.EventId]
		switch {
		case !known:
			first[e.Event.EventId] = len(once)
			once = append(once, e)
		case recordedBefore(e, once[i]):
			once[i] = e
		}
	}
	slices.SortStableFunc(once, func(a, b *pb.StoredEvent) int { return cmp.Compare(a.Sequence, b.Sequence) })
	facts := make([]fact, len(once))
	for i, e := range once {
		facts[i] = newFact(s, e)
	}
	sortFacts(facts)
	assumeShortestExposure(facts, once)
	sortFacts(facts)
	if v == cautious && slices.ContainsFunc(facts, func(f fact) bool { return !f.certain }) {
		assumeLongestExposure(s, facts)
		assumeEarliestContact(facts, once)
		reopenReports(facts)
		sortFacts(facts)
	}
	return facts
}

// sortFacts sorts by time. Facts of the same instant keep their order, except that those
// of one device are in that device's order.
func sortFacts(facts []fact) {
	slices.SortStableFunc(facts, func(a, b fact) int { return a.at.Compare(b.at) })
	inDeviceOrder(facts)
}

// recordedBefore orders two records of the same event.
func recordedBefore(a, b *pb.StoredEvent) bool {
	return cmp.Or(a.GetRecordTime().AsTime().Compare(b.GetRecordTime().AsTime()), cmp.Compare(a.Sequence, b.Sequence)) < 0
}

// inDeviceOrder puts the events of the same instant and device into that device's order.
// They exchange their own positions only, so that events of other devices stay in place.
func inDeviceOrder(facts []fact) {
	for from := 0; from < len(facts); {
		to := from + 1
		for to < len(facts) && facts[to].at.Equal(facts[from].at) {
			to++
		}
		places := map[string][]int{}
		for i := from; i < to; i++ {
			if facts[i].DeviceSequence != nil {
				places[facts[i].sender] = append(places[facts[i].sender], i)
			}
		}
		for _, at := range places {
			those := make([]fact, len(at))
			for n, i := range at {
				those[n] = facts[i]
			}
			slices.SortStableFunc(those, func(a, b fact) int { return cmp.Compare(a.GetDeviceSequence(), b.GetDeviceSequence()) })
			for n, i := range at {
				facts[i] = those[n]
			}
		}
		from = to
	}
}

// newFact takes the likeliest time of an event: the till's time by the server's clock, but
// never later than recorded, because nothing is recorded before it happens.
// Records of several ages meet here: events without a time of recording, sessions
// from before clocks were compared, and tills whose clock was measured or is only
// bounded.
func newFact(s *pb.Session, e *pb.StoredEvent) fact {
	tillTime := e.Event.GetOccurTime().AsTime()
	f := fact{Event: withSeverestValues(e.Event), at: tillTime, tillTime: tillTime, sender: e.Sender, certain: true, unknown: unknownParts(e.Event)}
	if e.RecordTime == nil {
		f.likelyAt = f.at
		return f
	}
	if f.measured = e.ClockBasis == pb.ClockBasis_CLOCK_BASIS_ECHO; f.measured {
		f.at = correctedTime(e)
		f.certain = e.EarliestTime == nil && e.LatestTime == nil
		f.implausible = e.CorrectedTime != nil && e.ClockOffsetMs == nil // no reading explains it
	} else if s.GetClock() != nil { // else of before clocks were compared
		f.certain = false
		if bound := tillClock(s.GetTillClocks(), e.Sender).GetBoundMs(); !negligible(bound) {
			f.at = subtractOffset(tillTime, bound)
		}
		if startsClock(f.Event) && f.at.Before(earliestContact(s)) && tillTime.After(earliestContact(s)) {
			f.at = earliestContact(s) // the bound is of another clock: it was changed
		}
	}
	recorded := e.RecordTime.AsTime()
	f.received = recorded
	early := s.GetStartTime() != nil && f.at.Before(s.StartTime.AsTime().Add(-minutes(earliestBeforeMinutes)))
	f.implausible = f.implausible || f.OccurTime == nil || early || f.at.After(recorded.Add(minutes(aheadMinutes)))
	if f.implausible && !f.measured || f.at.After(recorded) {
		f.at = recorded
	}
	f.likelyAt = f.at
	return f
}

// assumeLongestExposure moves facts of tills whose clocks were never compared, so that
// exposure is the longest that fits. Product came on as soon as the session began, or as
// soon as the hair was last under water; strand tests keep their distance from the
// contact. Later rinses are taken by the till's own differences.
//
// A contact is never moved before water that came before it, no matter who noted the water:
// that water would end the exposure, and a second stage would have no alarm at all.
func assumeLongestExposure(s *pb.Session, facts []fact) {
	since := map[string]time.Time{}
	for _, f := range facts {
		if f.unmeasured() && rinsesWholeHead(f.Event) {
			since[f.sender] = f.at
		}
	}
	moved := map[string]map[string]time.Duration{} // contacts, by till and section
	var water time.Time                            // on the whole head, so far
	sectionWater := map[string]time.Time{}         // on a section, so far
	for i := range facts {
		f := &facts[i]
		switch section := sectionNamed(f.Event); {
		case rinsesWholeHead(f.Event):
			water = f.at
			moved = map[string]map[string]time.Duration{} // tests after it are of later contacts
		case stopsClock(f.Event):
			sectionWater[section] = f.at
		}
		from, wet := since[f.sender]
		if !wet {
			from = earliestContact(s)
		}
		if startsClock(f.Event) && !f.at.Before(from) {
			from = later(from, later(water, sectionWater[sectionNamed(f.Event)]))
		}
		if !f.unmeasured() || rinsesWholeHead(f.Event) {
			continue
		}
		if f.at.Before(from) {
			f.assumed = f.assumed || startsClock(f.Event) && !wet
			continue
		}
		switch {
		case startsClock(f.Event):
			if moved[f.sender] == nil {
				moved[f.sender] = map[string]time.Duration{}
			}
			id := f.GetSectionApplied().GetSectionId()
			moved[f.sender][id] = max(moved[f.sender][id], f.at.Sub(from))
			f.at, f.assumed = from, true
		case f.GetStrandTest() != nil:
			f.at = later(from, f.at.Add(-movedBefore(moved[f.sender], f.GetStrandTest().SectionId)))
		}
	}
}

// movedBefore is how far the contacts before a strand test were moved, by section. The
// empty section is a whole stage or head: its contact is that of every section, and its
// test is one of every section. The largest distance counts, because a test that is put
// too early makes the hair seem faster.
func movedBefore(contacts map[string]time.Duration, id string) time.Duration {
	most := time.Duration(0)
	for section, by := range contacts {
		if id == "" || section == "" || section == id {
			most = max(most, by)
		}
	}
	return most
}

// assumeShortestExposure assigns the time for the log to events that fit at several times,
// because their till's clock was changed: the latest for what starts an exposure, and the
// earliest after that for what ends one.
func assumeShortestExposure(facts []fact, events []*pb.StoredEvent) {
	spans := spansOf(events)
	on := map[string]time.Time{} // product put on last, by till
	for i := range facts {
		f, e := &facts[i], spans[facts[i].EventId]
		if f.measured && startsClock(f.Event) && e.LatestTime != nil {
			f.at = e.LatestTime.AsTime()
		}
		if f.measured && stopsClock(f.Event) && e.EarliestTime != nil {
			f.at = later(e.EarliestTime.AsTime(), on[f.sender])
		}
		if startsClock(f.Event) {
			on[f.sender] = later(on[f.sender], f.at)
		}
		f.likelyAt = f.at
	}
}

// spansOf returns the events by ID, for their earliest and latest times.
func spansOf(events []*pb.StoredEvent) map[string]*pb.StoredEvent {
	spans := map[string]*pb.StoredEvent{}
	for _, e := range events {
		spans[e.Event.EventId] = e
	}
	return spans
}

// assumeEarliestContact assigns the time for guidance to events that fit at several times,
// because their till's clock was changed: the earliest for what starts an exposure. What
// ends one gets the latest, with everything that came after it, unless product came on
// again.
func assumeEarliestContact(facts []fact, events []*pb.StoredEvent) {
	spans := spansOf(events)
	for i := range facts {
		f, e := &facts[i], spans[facts[i].EventId]
		switch {
		case f.certain || !f.measured:
		case startsClock(f.Event):
			f.at, f.assumed = earlier(correctedTime(e), f.at), true
			if e.EarliestTime != nil {
				f.at = e.EarliestTime.AsTime()
			}
		case stopsClock(f.Event) && e.LatestTime != nil && !slices.ContainsFunc(facts[i+1:], func(g fact) bool { return startsClock(g.Event) }):
			f.at = e.LatestTime.AsTime()
			for j := range facts[i+1:] {
				g := &facts[i+1+j]
				g.at = later(g.at, f.at)
			}
		}
	}
}

// sectionNamed returns the section that an event puts product or water on, or tests; empty
// for the whole head and for every other event.
func sectionNamed(e *pb.Event) string {
	return cmp.Or(e.GetSectionApplied().GetSectionId(), e.GetStrandTest().GetSectionId(), e.GetRinseStarted().GetSectionId(), e.GetWaterOn().GetSectionId())
}

// startsClock reports whether an event starts an exposure. Mixing starts the time within
// which a two-part product must be used.
func startsClock(e *pb.Event) bool { return IsContact(e) || e.GetMixed() != nil }

// IsContact reports whether an event is product on the hair.
func IsContact(e *pb.Event) bool { return e.GetSectionApplied() != nil || e.GetStageApplied() != nil }

// stopsClock reports whether an event ends exposures, by water or by something that is
// put on rinsed hair only.
func stopsClock(e *pb.Event) bool {
	switch what := e.Fact.(type) {
	case *pb.Event_RinseStarted, *pb.Event_RinseFinished, *pb.Event_NormalizerOn, *pb.Event_NormalizerOff, *pb.Event_Shampoo, *pb.Event_Conditioned,
		*pb.Event_Blotted, *pb.Event_NeutralizerOn, *pb.Event_NeutralizerOff:
		return true
	case *pb.Event_WaterOn:
		return what.WaterOn.Place == pb.Place_PLACE_HEAD
	}
	return false
}

// rinsesWholeHead reports whether an event puts the whole head under water.
// Only water can be for one section; what goes on rinsed hair is for the whole head.
func rinsesWholeHead(e *pb.Event) bool {
	return stopsClock(e) && e.GetRinseStarted().GetSectionId() == "" && e.GetWaterOn().GetSectionId() == ""
}

// noteImplausibleTime records a time that cannot be right. The fact itself is never
// refused for its time, because what happened must be recorded.
func (f *folding) noteImplausibleTime(e fact) {
	if e.implausible {
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_CLOCK, "", e.EventId, e.at,
			"the till gave %s as the time, which cannot be right; the time of recording is used", e.tillTime.UTC().Format(time.RFC3339))
	}
}

// noteClockOffsets records, once per session, that a till's clock is off.
// It shows in a measurement, in the bound, or in the start time that the till gave;
// the first that is large enough is recorded.
func (f *folding) noteClockOffsets() {
	for _, c := range f.session.GetTillClocks() {
		for _, r := range c.Readings {
			if !r.Time.AsTime().After(f.at) && f.noteClockOffset(r.OffsetMs, r.Time.AsTime()) {
				return
			}
		}
		if bound := c.GetBoundMs(); bound > 0 && f.noteClockOffset(bound, f.session.GetStartTime().AsTime()) {
			return
		}
	}
	if tillTime := f.session.GetTillStartTime(); tillTime != nil {
		by := milliseconds(tillTime.AsTime()) - milliseconds(f.session.GetStartTime().AsTime())
		if slices.ContainsFunc(f.session.TillClocks, func(c *pb.TillClock) bool { return c.GetBoundMs() < 0 && negligible(by-c.GetBoundMs()) }) {
			return // a queue would look the same
		}
		f.noteClockOffset(by, f.session.GetStartTime().AsTime())
	}
}

// noteClockOffset records an offset above clockOffSeconds, and reports whether it is one.
func (f *folding) noteClockOffset(offsetMs int64, at time.Time) bool {
	if max(offsetMs, -offsetMs) <= clockOffSeconds*1000 {
		return false
	}
	direction, size := "ahead", time.Duration(offsetMs)*time.Millisecond
	if offsetMs < 0 {
		direction, size = "behind", -size
	}
	f.addDeviation(pb.DeviationKind_DEVIATION_KIND_CLOCK, "", "", at, "the till's clock is %s %s; its times are corrected", size.Round(time.Second), direction)
	return true
}

// clockState is what the state says about the till's clock: nil for sessions from before
// clocks were compared. When guidance had to assume a time, it says what it assumed.
func (f *folding) clockState() *pb.ClockState {
	if f.session.GetClock() == nil {
		return nil
	}
	s := &pb.ClockState{Basis: f.session.Clock.Basis, OffsetMs: f.session.Clock.OffsetMs, Corrected: f.session.Clock.Corrected}
	switch {
	case !f.timesAssumed:
	case f.session.GetUnderWay() && s.Basis != pb.ClockBasis_CLOCK_BASIS_ECHO:
		s.Assumption = "Rinse now. The till's clock is not known and product was on before, so the limit counts as reached."
	case s.Basis != pb.ClockBasis_CLOCK_BASIS_ECHO:
		s.Assumption = "Go by the longest time. The till's clock is not known, so exposure counts from the start of the service."
	default:
		s.Assumption = "Go by the longest time. The till's clock was changed, so exposure counts from the earliest time that fits."
	}
	return s
}

// reopenReports moves a report that calls for water to the time at which it was received,
// when its till's clock is not known and water that would answer it was received before.
// By a slow clock, "it burns" after a finished flush looks like the report that the flush
// answered; it must call again. Within one till the device's own order is certain whatever
// its clock says, so a report noted before the water is not moved.
func reopenReports(facts []fact) {
	for i := range facts {
		f := &facts[i]
		if !f.unmeasured() || f.received.IsZero() || !callsForRinse(f.Event) {
			continue
		}
		for _, g := range facts {
			before := !g.received.IsZero() && g.received.Before(f.received)
			if before && !g.at.Before(f.at) && concernsWater(g.Event) && !f.notedBefore(g) {
				f.at = f.received
				break
			}
		}
	}
}

// callsForRinse reports whether an event itself calls for water.
// Of a fact that this program does not know, the till says whether it does.
func callsForRinse(e *pb.Event) bool {
	switch what := e.Fact.(type) {
	case *pb.Event_ComfortCheck:
		return isBurn(what.ComfortCheck.Comfort) || what.ComfortCheck.Comfort == pb.Comfort_COMFORT_TINGLING
	case *pb.Event_Splash:
		return true
	case *pb.Event_OtherFact:
		return what.OtherFact.RinseNow
	}
	return false
}

// concernsWater reports whether an event is, implies or ends water, or ends the need of
// it.
func concernsWater(e *pb.Event) bool {
	switch e.Fact.(type) {
	case *pb.Event_WaterOn, *pb.Event_WaterOff, *pb.Event_HelpCalled:
		return true
	}
	return stopsClock(e)
}

// notedBefore reports whether f was noted before g on the same till, by its sequence
// numbers.
// Numbers of two devices cannot be compared.
func (f fact) notedBefore(g fact) bool {
	return f.sender == g.sender && f.DeviceSequence != nil && g.DeviceSequence != nil && f.GetDeviceSequence() < g.GetDeviceSequence()
}
