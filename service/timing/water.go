package timing

import (
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// flush is a place that needs running water: an eye or skin after a splash, the
// head after burning. Minutes of running water count from the last report on; there
// is no "done", only medical help that takes over.
type flush struct {
	place  pb.Place
	needed time.Time // last report; zero: none
	event  string    // that report
	splash time.Time // zero: no splash
	since  time.Time // water runs since; zero: it does not
	ran    float64   // minutes of earlier spells of water since the report
	wet    bool      // water came after the report
	ended  time.Time // water taken away; zero: it was not
	endBy  string    // the event that says so
	helped bool      // medical help took over

	// When the server received that the water was off and, of a till whose clock is not
	// measured, that help took over. That is no proof against a deviation that was on
	// the log before it was received.
	endReceived, helpReceived time.Time
}

// need notes a report. Water that runs already counts from then on.
func (w *flush) need(e fact) {
	w.needed, w.event, w.ran, w.helped = e.at, e.EventId, 0, false
	w.ended, w.endBy = time.Time{}, ""
	w.wet = !w.since.IsZero()
}

func (w *flush) start(t time.Time) {
	if w.since.IsZero() {
		w.since, w.wet = t, true
	}
}

func (w *flush) stop(e fact) {
	if !w.since.IsZero() {
		w.ran = w.minutes(e.at)
		w.since, w.ended, w.endBy, w.endReceived = time.Time{}, e.at, e.EventId, e.received
	}
}

// minutes of running water since the report, up to t.
func (w *flush) minutes(t time.Time) float64 {
	if w.since.IsZero() {
		return w.ran
	}
	return w.ran + t.Sub(later(w.since, w.needed)).Minutes()
}

// open tells whether the place needs water or a doctor.
func (w *flush) open() bool { return !w.needed.IsZero() && !w.helped }

// short tells whether water was taken away before the flush time.
func (w *flush) short(least float64) bool {
	return !w.needed.IsZero() && w.wet && w.since.IsZero() && w.ran < least
}

// excused tells whether help took over before water counted as off too soon at by.
func (w *flush) excused(by time.Time) bool {
	return w.helped && !(w.endReceived.Before(w.helpReceived) && w.helpReceived.After(by))
}

// isEye tells eyes from the rest. A place that was not stated counts as an eye.
func isEye(p pb.Place) bool {
	switch p {
	case pb.Place_PLACE_HEAD, pb.Place_PLACE_SKIN:
		return false
	}
	return true
}

// flushOf finds the flush of a place, or adds one.
func (f *service) flushOf(p pb.Place) *flush {
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

// splashed notes product where it must not be.
func (f *service) splashed(e fact, p pb.Place) {
	w := f.flushOf(p)
	f.needFlush(w, e)
	w.splash = e.at
	if p == pb.Place_PLACE_HEAD {
		f.head.needed("")
		f.flushHead(e)
	}
}

// waterOn notes running water. Where no place is stated it is for the splash that
// waits for it, else for the head. Nobody flushes an eye without a reason, so water
// on one counts as a splash that was not noted.
func (f *service) waterOn(e fact, what *pb.WaterOn) {
	switch what.Place {
	case pb.Place_PLACE_HEAD:
		f.rinsing(e, what.SectionId)
		return
	case pb.Place_PLACE_UNSPECIFIED:
		waiting := false
		for _, w := range f.flushes {
			if w.place != pb.Place_PLACE_HEAD && w.open() && w.since.IsZero() {
				f.startFlush(w, e)
				waiting = true
			}
		}
		if !waiting {
			f.rinsing(e, what.SectionId)
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
	if w.needed.IsZero() && unstated.needed.IsZero() {
		f.needFlush(w, e)
	}
}

// waterOff notes that water was taken away; where no place is stated, everywhere.
func (f *service) waterOff(e fact, what *pb.WaterOff) {
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

// helped notes that medical help took over and said that flushing may stop. Nobody
// else can say so: not a first-aider, not a poison information centre on the phone,
// and not one whose kind is not stated or not known.
func (f *service) helped(e fact, what *pb.HelpCalled) {
	if !what.TookOver || !isMedical(what.Kind) {
		return
	}
	for _, w := range f.flushes {
		f.flushShort(w, e.at)
		w.helped, w.helpReceived = true, time.Time{}
		if e.unmeasured() {
			w.helpReceived = e.received
		}
	}
}

func isMedical(k pb.HelpKind) bool {
	return k == pb.HelpKind_HELP_KIND_EMERGENCY || k == pb.HelpKind_HELP_KIND_DOCTOR
}

// headWater is running water on the head, and where it is needed. The empty section
// is the whole head.
type headWater struct {
	under  map[string]bool // sections under water
	hurt   []string        // sections that burnt
	since  time.Time       // water on any since; zero: none
	ran    float64         // minutes of earlier spells since product was last put on
	ended  time.Time       // water taken away; zero: it was not
	ending string          // the event that says so
}

func (h *headWater) on(t time.Time, id string) {
	if h.under == nil {
		h.under = map[string]bool{}
	}
	h.under[id] = true
	if h.since.IsZero() {
		h.since = t
	}
}

// off takes water from a section, or from the whole head. Water that was noted for
// the whole head is off when it is taken from a part.
func (h *headWater) off(e fact, id string) {
	delete(h.under, id)
	if id == "" || h.under[""] {
		h.under = nil
	}
	if len(h.under) == 0 && !h.since.IsZero() {
		h.ran += e.at.Sub(h.since).Minutes()
		h.since, h.ended, h.ending = time.Time{}, e.at, e.EventId
	}
}

// again forgets the water of before: product is put on.
func (h *headWater) again() { h.ran, h.ended, h.ending = 0, time.Time{}, "" }

func (h *headWater) needed(id string) {
	if !slices.Contains(h.hurt, id) {
		h.hurt = append(h.hurt, id)
	}
}

// reaches tells whether water runs on a section; for the whole head, on any.
func (h *headWater) reaches(id string) bool {
	return h.under[""] || h.under[id] || id == "" && len(h.under) > 0
}

// flushHead starts or stops the flush of the head: water runs wherever it burnt.
func (f *service) flushHead(e fact) {
	if len(f.head.hurt) == 0 {
		return
	}
	w := f.flushOf(pb.Place_PLACE_HEAD)
	if slices.ContainsFunc(f.head.hurt, func(id string) bool { return !f.head.reaches(id) }) {
		w.stop(e)
	} else {
		f.startFlush(w, e)
	}
}

// startFlush notes water on a place.
func (f *service) startFlush(w *flush, e fact) {
	f.flushShort(w, e.at)
	w.start(e.at)
}

// needFlush notes a report that calls for water on a place.
func (f *service) needFlush(w *flush, e fact) {
	f.flushShort(w, e.at)
	w.need(e)
}

// flushStates are the places that need or needed water.
func (f *service) flushStates() []*pb.FlushState {
	var states []*pb.FlushState
	for _, w := range f.flushes {
		if w.needed.IsZero() {
			continue
		}
		states = append(states, &pb.FlushState{
			Place:          w.place,
			WaterOnTime:    stamp(w.since),
			FlushedMinutes: new(w.minutes(f.at)),
			LeastMinutes:   new(f.leastFlush()),
			SplashTime:     stamp(w.splash),
			HelpTookOver:   w.helped,
		})
	}
	return states
}

// leastFlush is the minutes of running water at the least.
func (f *service) leastFlush() float64 {
	if f.limits.FlushMinutes != nil {
		return f.limits.GetFlushMinutes()
	}
	return flushMinutes
}

// flushShort notes that water was taken away too soon and not put back in time.
func (f *service) flushShort(w *flush, t time.Time) {
	if !w.short(f.leastFlush()) {
		return
	}
	if by := w.ended.Add(minutes(flushGraceMinutes)); t.After(by) && !w.excused(by) {
		f.deviate(pb.DeviationKind_DEVIATION_KIND_FLUSH_SHORT, "", w.endBy, by,
			"water was taken from %s after %.1f minutes; at least %g are needed", placeWords(w.place), w.ran, f.leastFlush())
	}
}

// placeWords names a place as a stylist would.
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
