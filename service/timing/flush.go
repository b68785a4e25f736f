package timing

import (
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// flush is a place that needs running water: an eye or skin after a splash, the head after
// burning. Minutes of running water count from the last report. There is no "done": only
// medical help can end it.
type flush struct {
	place pb.Place
	// reportTime is the last report that calls for water, by reportEvent; zero: none.
	reportTime  time.Time
	reportEvent string
	splashTime  time.Time // zero: no splash
	// waterSince is when the running water began; zero while none runs.
	waterSince time.Time
	// ranMinutes are the minutes of earlier water since the report.
	ranMinutes float64
	watered    bool // water came after the report
	// waterOffTime is when the water was taken off, by waterOffEvent; zero: it was not.
	waterOffTime  time.Time
	waterOffEvent string
	helpTookOver  bool

	// When the server received that the water was off and, from a till whose clock is not
	// measured, that help took over. Such a report cannot excuse a deviation that was on
	// the log before the report was received.
	waterOffReceived, helpReceived time.Time
}

// report records a report. Water that already runs counts from then on.
func (w *flush) report(e fact) {
	w.reportTime, w.reportEvent, w.ranMinutes, w.helpTookOver = e.at, e.EventId, 0, false
	w.waterOffTime, w.waterOffEvent = time.Time{}, ""
	w.watered = !w.waterSince.IsZero()
}

// start counts water from t on, unless it runs already.
func (w *flush) start(t time.Time) {
	if w.waterSince.IsZero() {
		w.waterSince, w.watered = t, true
	}
}

// stop keeps the minutes so far: water that is taken off and put back adds up.
func (w *flush) stop(e fact) {
	if !w.waterSince.IsZero() {
		w.ranMinutes = w.minutes(e.at)
		w.waterSince, w.waterOffTime, w.waterOffEvent, w.waterOffReceived = time.Time{}, e.at, e.EventId, e.received
	}
}

// minutes is the minutes of running water from the report to t.
func (w *flush) minutes(t time.Time) float64 {
	if w.waterSince.IsZero() {
		return w.ranMinutes
	}
	return w.ranMinutes + t.Sub(later(w.waterSince, w.reportTime)).Minutes()
}

// needsCare reports whether the place needs water or a doctor.
func (w *flush) needsCare() bool { return !w.reportTime.IsZero() && !w.helpTookOver }

// tooShort reports whether water was taken off before the flush time.
func (w *flush) tooShort(least float64) bool {
	return !w.reportTime.IsZero() && w.watered && w.waterSince.IsZero() && w.ranMinutes < least
}

// endedByHelp reports whether help took over before water counted as off too soon at by.
// Help that is reported after the deviation, by a till whose clock is not measured,
// does not take it back.
func (w *flush) endedByHelp(by time.Time) bool {
	return w.helpTookOver && !(w.waterOffReceived.Before(w.helpReceived) && w.helpReceived.After(by))
}

// isEye reports whether a place is an eye. A place that was not stated counts as one.
func isEye(p pb.Place) bool {
	switch p {
	case pb.Place_PLACE_HEAD, pb.Place_PLACE_SKIN:
		return false
	}
	return true
}

// flushOf returns the flush of a place, and adds it if there is none.
func (f *folding) flushOf(p pb.Place) *flush {
	for _, w := range f.flushes {
		if w.place == p {
			return w
		}
	}
	w := &flush{place: p}
	f.flushes = append(f.flushes, w)
	slices.SortFunc(f.flushes, func(a, b *flush) int { return int(a.place - b.place) })
	return w
}

// splashed records product where it must not be.
func (f *folding) splashed(e fact, p pb.Place) {
	w := f.flushOf(p)
	f.reportFlush(w, e)
	w.splashTime = e.at
	if p == pb.Place_PLACE_HEAD {
		f.head.addBurn("")
		f.flushHead(e)
	}
}

// waterOn records running water. Without a place it is for the splash that waits for it,
// else for the head. Nobody flushes an eye without a reason, so water on an eye counts as
// a splash that was not recorded.
func (f *folding) waterOn(e fact, what *pb.WaterOn) {
	switch what.Place {
	case pb.Place_PLACE_HEAD:
		f.rinseStarted(e, what.SectionId)
		return
	case pb.Place_PLACE_UNSPECIFIED:
		waiting := false
		for _, w := range f.flushes {
			if w.place != pb.Place_PLACE_HEAD && w.needsCare() && w.waterSince.IsZero() {
				f.startFlush(w, e)
				waiting = true
			}
		}
		if !waiting {
			f.rinseStarted(e, what.SectionId)
		}
		return
	}
	w := f.flushOf(what.Place)
	f.startFlush(w, e)
	if !isEye(what.Place) {
		return
	}
	unstated := f.flushOf(pb.Place_PLACE_UNSPECIFIED)
	f.startFlush(unstated, e)
	if w.reportTime.IsZero() && unstated.reportTime.IsZero() {
		f.reportFlush(w, e)
	}
}

// waterOff records that water was taken off; without a place, everywhere.
func (f *folding) waterOff(e fact, what *pb.WaterOff) {
	for _, w := range f.flushes {
		unstated := w.place == pb.Place_PLACE_UNSPECIFIED && isEye(what.Place)
		if w.place != pb.Place_PLACE_HEAD && (w.place == what.Place || unstated || what.Place == pb.Place_PLACE_UNSPECIFIED) {
			w.stop(e)
		}
	}
	if what.Place == pb.Place_PLACE_HEAD || what.Place == pb.Place_PLACE_UNSPECIFIED {
		f.head.off(e, what.SectionId)
		f.flushHead(e)
	}
}

// helpCalled records that medical help took over and said that flushing may stop. Nobody
// else can say so: not a first-aider, not a poison information centre on the phone, and
// not help of an unknown kind.
func (f *folding) helpCalled(e fact, what *pb.HelpCalled) {
	if !what.TookOver || !isMedical(what.Kind) {
		return
	}
	for _, w := range f.flushes {
		f.checkFlush(w, e.at) // a flush that was short before help came stays on the log
		w.helpTookOver, w.helpReceived = true, time.Time{}
		if e.unmeasured() {
			w.helpReceived = e.received
		}
	}
}

// isMedical reports whether this help may say that flushing can stop.
func isMedical(k pb.HelpKind) bool {
	return k == pb.HelpKind_HELP_KIND_EMERGENCY || k == pb.HelpKind_HELP_KIND_DOCTOR
}

// headWater is running water on the head, and the places that need it. The empty section
// is the whole head.
type headWater struct {
	running map[string]bool // sections under water
	burnt   []string        // sections that need the flush time
	// waterSince is when water on any section began; zero while none runs.
	waterSince time.Time
	// ranMinutes are the minutes of earlier water since product was last put on.
	ranMinutes float64
	// waterOffTime is when the water was taken off, by waterOffEvent; zero: it was not.
	waterOffTime  time.Time
	waterOffEvent string
}

// on puts a section, or the whole head, under water. Water on several sections at
// once counts its minutes once.
func (h *headWater) on(t time.Time, id string) {
	if h.running == nil {
		h.running = map[string]bool{}
	}
	h.running[id] = true
	if h.waterSince.IsZero() {
		h.waterSince = t
	}
}

// off takes water off a section, or off the whole head. Water that was recorded for the
// whole head is off when it is taken off a part.
func (h *headWater) off(e fact, id string) {
	delete(h.running, id)
	if id == "" || h.running[""] {
		h.running = nil
	}
	if len(h.running) == 0 && !h.waterSince.IsZero() {
		h.ranMinutes += e.at.Sub(h.waterSince).Minutes()
		h.waterSince, h.waterOffTime, h.waterOffEvent = time.Time{}, e.at, e.EventId
	}
}

// reset forgets earlier water, because product is put on again.
func (h *headWater) reset() { h.ranMinutes, h.waterOffTime, h.waterOffEvent = 0, time.Time{}, "" }

// addBurn records a section that burns and needs the flush time.
func (h *headWater) addBurn(id string) {
	if !slices.Contains(h.burnt, id) {
		h.burnt = append(h.burnt, id)
	}
}

// runsOn reports whether water runs on a section; for the whole head, on any.
func (h *headWater) runsOn(id string) bool {
	return h.running[""] || h.running[id] || id == "" && len(h.running) > 0
}

// flushHead starts or stops the flush of the head: it counts only while water runs on
// every place that burns.
func (f *folding) flushHead(e fact) {
	if len(f.head.burnt) == 0 {
		return
	}
	w := f.flushOf(pb.Place_PLACE_HEAD)
	if slices.ContainsFunc(f.head.burnt, func(id string) bool { return !f.head.runsOn(id) }) {
		w.stop(e)
	} else {
		f.startFlush(w, e)
	}
}

// startFlush records water on a place. What was late before stays late.
func (f *folding) startFlush(w *flush, e fact) {
	f.checkFlush(w, e.at)
	w.start(e.at)
}

// reportFlush records a report that calls for water on a place.
func (f *folding) reportFlush(w *flush, e fact) {
	f.checkFlush(w, e.at)
	w.report(e)
}

// flushStates are the places that need or needed water.
// Water without a report is left out, because nothing there had called for it.
func (f *folding) flushStates() []*pb.FlushState {
	var states []*pb.FlushState
	for _, w := range f.flushes {
		if w.reportTime.IsZero() {
			continue
		}
		states = append(states, &pb.FlushState{
			Place:          w.place,
			WaterOnTime:    stamp(w.waterSince),
			FlushedMinutes: new(w.minutes(f.at)),
			LeastMinutes:   new(f.leastFlush()),
			SplashTime:     stamp(w.splashTime),
			HelpTookOver:   w.helpTookOver,
		})
	}
	return states
}

// leastFlush is the least minutes of running water.
// The limits of the session come first; the default counts where they state none.
func (f *folding) leastFlush() float64 {
	if f.limits.FlushMinutes != nil {
		return f.limits.GetFlushMinutes()
	}
	return flushMinutes
}

// checkFlush records that water was taken off too soon and not put back in time.
func (f *folding) checkFlush(w *flush, t time.Time) {
	if !w.tooShort(f.leastFlush()) {
		return
	}
	if by := w.waterOffTime.Add(minutes(flushGraceMinutes)); t.After(by) && !w.endedByHelp(by) {
		f.addDeviation(pb.DeviationKind_DEVIATION_KIND_FLUSH_SHORT, "", w.waterOffEvent, by,
			"water was taken from %s after %.1f minutes; at least %g are needed", placeWords(w.place), w.ranMinutes, f.leastFlush())
	}
}

// placeWords names a place as a stylist would.
// A place that is not known is called an eye, the most severe one.
func placeWords(p pb.Place) string {
	switch p {
	case pb.Place_PLACE_HEAD:
		return "the head"
	case pb.Place_PLACE_EYE_LEFT:
		return "the left eye"
	case pb.Place_PLACE_EYE_RIGHT:
		return "the right eye"
	case pb.Place_PLACE_SKIN:
		return "the skin"
	}
	return "the eye"
}
