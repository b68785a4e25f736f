package serve

import (
	"sync"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
)

// denial is what denials have in common that are told in one entry: nothing
// that a caller typed, but for the names that an identity proves.
type denial struct {
	chain  string // resource name of the chain whose log it belongs on
	actor  string // empty: nobody known
	role   pb.Role
	method string
	reason string // coded
}

// stranger reports whether nobody knows who was denied.
func (d denial) anonymous() bool { return d.actor == "" }

// told is one line for the log.
type aggregate struct {
	denial
	id          string
	till, trace string // of the first
	count       int64
	first, last time.Time
	alarm       bool
	attempted   bool // it was tried to write it, and may be written
}

// denials is how many denials nobody knows of without the line. What an alarm is
// about is told in others.
func (t aggregate) denials() int64 {
	if t.alarm {
		return 0
	}
	return t.count
}

// Bounds of what is kept and written, whatever callers do. All are our own
// choices.
const (
	window = time.Minute // denials that are alike are told together for so long

	maxKindsPerChain     = 60   // kinds told of one chain in a window; the rest is counted together
	maxAnonymousPerChain = 10   // of these, of callers without an identity
	maxKinds             = 4096 // kinds of known callers, in a window
	maxAnonymousKinds    = 1024 // kinds of callers without an identity, in a window
	maxWaiting           = 8192 // lines that wait to be written; none of strangers beyond half of it
	maxHistories         = 8192 // kinds whose past is known, for alarms; half of them at most of strangers
	alarmFrom            = 10   // denials that are alike raise an alarm,
	alarmWithin          = 10 * time.Minute
	alarmInterval        = time.Hour // after the last
)

// alike counts denials that are alike.
type aggregator struct {
	mu                 sync.Mutex
	began              time.Time
	kinds              map[denial]*aggregate // seen in this window; count is of those not told yet
	anonymousKinds     int                   // of these, kinds of strangers
	byChain            map[string]chainCount
	histories          map[denial]*history
	anonymousHistories int // of these, of strangers
	waiting            []aggregate
	dropped            int64 // denials that there was no room to tell of
}

// chainCount is how many kinds of a chain are told in this window.
type chainCount struct{ all, anonymous int }

// history is what is known of the past of one kind.
type history struct {
	times   []time.Time // the last ones
	alarmed time.Time
}

func newAggregator(now time.Time) aggregator {
	return aggregator{began: now, kinds: map[denial]*aggregate{}, byChain: map[string]chainCount{}, histories: map[denial]*history{}}
}

// add counts one denial. The first of its kind waits to be written at once.
func (a *aggregator) add(d denial, till, trace string, now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.rotateLocked(now)
	kind, known := a.kinds[d]
	if !known && a.atLimit(d) {
		// Kinds beyond the bounds are counted together, for the whole chain.
		d = denial{chain: d.chain, reason: "OTHER_DENIALS"}
		till, trace = "", ""
		if kind, known = a.kinds[d]; !known && len(a.kinds) >= 2*(maxKinds+maxAnonymousKinds) {
			a.dropped++
			return
		}
	}
	switch {
	case !known:
		a.openKind(d)
		a.enqueue(aggregate{denial: d, till: till, trace: trace, count: 1, first: now, last: now})
	case kind.count == 0:
		*kind = aggregate{denial: d, till: till, trace: trace, count: 1, first: now, last: now}
	default:
		kind.count++
		kind.last = now
	}
	a.raiseAlarm(d, now)
}

// full reports whether no more kinds like d are told in this window.
func (a *aggregator) atLimit(d denial) bool {
	n := a.byChain[d.chain]
	if d.anonymous() {
		return n.anonymous >= maxAnonymousPerChain || a.anonymousKinds >= maxAnonymousKinds
	}
	return n.all-n.anonymous >= maxKindsPerChain-maxAnonymousPerChain || len(a.kinds)-a.anonymousKinds >= maxKinds
}

// begin opens the window of a kind.
func (a *aggregator) openKind(d denial) {
	a.kinds[d] = &aggregate{denial: d}
	n := a.byChain[d.chain]
	n.all++
	if d.anonymous() {
		n.anonymous++
		a.anonymousKinds++
	}
	a.byChain[d.chain] = n
}

// watch raises an alarm when there are many of a kind. It goes by what this
// server has seen since it was started.
func (a *aggregator) raiseAlarm(d denial, now time.Time) {
	h := a.histories[d]
	if h == nil {
		if len(a.histories) >= maxHistories || d.anonymous() && a.anonymousHistories >= maxHistories/2 {
			return
		}
		if d.anonymous() {
			a.anonymousHistories++
		}
		h = &history{}
		a.histories[d] = h
	}
	h.times = append(h.times, now)
	if len(h.times) > alarmFrom {
		h.times = h.times[1:]
	}
	first := h.times[0]
	if len(h.times) < alarmFrom || now.Sub(first) > alarmWithin || (!h.alarmed.IsZero() && now.Sub(h.alarmed) < alarmInterval) {
		return
	}
	h.alarmed = now
	a.enqueue(aggregate{denial: d, count: alarmFrom, first: first, last: now, alarm: true})
}

// wait puts a line where it waits to be written.
func (a *aggregator) enqueue(t aggregate) {
	if len(a.waiting) >= maxWaiting || t.anonymous() && len(a.waiting) >= maxWaiting/2 {
		a.dropped += t.denials()
		return
	}
	t.id = storage.NewID()
	a.waiting = append(a.waiting, t)
}

// turn begins a new window when the last one is over, and reports whether it
// was.
func (a *aggregator) rotate(now time.Time) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.rotateLocked(now)
}

func (a *aggregator) rotateLocked(now time.Time) bool {
	if now.Sub(a.began) < window {
		return false
	}
	a.flushLocked(now)
	return true
}

// end closes the window now.
func (a *aggregator) flush(now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.flushLocked(now)
}

// endLocked lets what was counted be written, and forgets what no alarm can
// come of any more.
func (a *aggregator) flushLocked(now time.Time) {
	for _, kind := range a.kinds {
		if kind.count > 0 {
			a.enqueue(*kind)
		}
	}
	a.began, a.anonymousKinds = now, 0
	clear(a.kinds)
	clear(a.byChain)
	for d, h := range a.histories {
		if now.Sub(h.times[len(h.times)-1]) > alarmWithin && now.Sub(h.alarmed) > alarmInterval {
			delete(a.histories, d)
			if d.anonymous() {
				a.anonymousHistories--
			}
		}
	}
}

// take hands over what waits to be written, by chain, and how many denials there
// was no room for.
func (a *aggregator) takeWaiting() (map[string][]aggregate, int64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	byChain := map[string][]aggregate{}
	for _, t := range a.waiting {
		byChain[t.chain] = append(byChain[t.chain], t)
	}
	lost := a.dropped
	a.waiting, a.dropped = nil, 0
	return byChain, lost
}

// putBack lets what could not be written wait again, before all else.
func (a *aggregator) requeue(rows []aggregate) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.waiting = append(rows, a.waiting...)
	if extra := len(a.waiting) - maxWaiting; extra > 0 {
		for _, t := range a.waiting[maxWaiting:] {
			a.dropped += t.denials()
		}
		a.waiting = a.waiting[:maxWaiting]
	}
}
