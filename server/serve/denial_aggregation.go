package serve

import (
	"sync"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
)

// denial is the key that denials are aggregated by. It holds nothing that a
// caller has typed, except for names that an identity proves.
type denial struct {
	chain  string // resource name of the chain whose log records it
	actor  string // empty: anonymous
	role   pb.Role
	method string
	reason string // reason code
}

// anonymous reports whether the denied caller has no identity.
func (d denial) anonymous() bool { return d.actor == "" }

// aggregate is one or more denials of a kind, to be recorded in one entry. Its id
// is made when it is queued, so a second attempt to write it can be recognized.
type aggregate struct {
	denial
	id          string
	till, trace string // of the first denial
	count       int64
	first, last time.Time
	alarm       bool
	attempted   bool // a write was attempted, and may have succeeded
}

// denials returns how many denials are recorded by this aggregate alone. An
// alarm counts as none, because it repeats denials that have entries.
func (t aggregate) denials() int64 {
	if t.alarm {
		return 0
	}
	return t.count
}

// Bounds of what is kept and written, so that callers cannot exhaust memory or
// fill a log; our own choices.
const (
	window = time.Minute // denials of one kind within it are recorded together

	maxKindsPerChain     = 60               // kinds recorded for one chain in a window; the others are counted together
	maxAnonymousPerChain = 10               // of these, of anonymous callers
	maxKinds             = 4096             // kinds of identified callers in a window
	maxAnonymousKinds    = 1024             // kinds of anonymous callers in a window
	maxWaiting           = 8192             // aggregates waiting to be written; anonymous ones use at most half
	maxHistories         = 8192             // kinds whose past is kept for alarms; anonymous ones use at most half
	alarmFrom            = 10               // denials of one kind raise an alarm,
	alarmWithin          = 10 * time.Minute // if they occur within this time
	alarmInterval        = time.Hour        // between two alarms of one kind
)

// aggregator counts denials of the same kind. It does no I/O. Callers choose what
// is in a denial only within closed sets: a method, a reason, and names that an
// identity proves or, for anonymous callers, the chain alone.
type aggregator struct {
	mu    sync.Mutex
	began time.Time // of the current window
	// kinds are those seen in this window. The first denial of a kind is queued at
	// once; count holds the ones after it.
	kinds          map[denial]*aggregate
	anonymousKinds int // of these, of anonymous callers
	byChain        map[string]chainCount
	// histories are the past of each kind, over several windows.
	histories          map[denial]*history
	anonymousHistories int // of these, of anonymous callers
	waiting            []aggregate
	dropped            int64 // denials without an entry, for lack of space
}

// chainCount is how many kinds are recorded for a chain in this window.
type chainCount struct{ all, anonymous int }

// history is the past of one kind, kept for alarms. It survives the windows,
// since alarms look at ten minutes.
type history struct {
	times   []time.Time // of the last denials
	alarmed time.Time
}

// newAggregator returns an aggregator whose first window begins now.
func newAggregator(now time.Time) aggregator {
	return aggregator{began: now, kinds: map[denial]*aggregate{}, byChain: map[string]chainCount{}, histories: map[denial]*history{}}
}

// add counts one denial. The first of its kind is queued at once. Within a window
// a kind thus has two entries at most: the first at once, the rest as a count.
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

// atLimit reports whether no further kind like d is recorded in this window.
// Anonymous callers have their own part of the bounds, so that they cannot hide
// the denials of known ones.
func (a *aggregator) atLimit(d denial) bool {
	n := a.byChain[d.chain]
	if d.anonymous() {
		return n.anonymous >= maxAnonymousPerChain || a.anonymousKinds >= maxAnonymousKinds
	}
	return n.all-n.anonymous >= maxKindsPerChain-maxAnonymousPerChain || len(a.kinds)-a.anonymousKinds >= maxKinds
}

// openKind starts to count a kind in this window. Its first denial is queued by
// the caller, so count starts at zero.
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

// raiseAlarm queues an alarm entry when a kind has become frequent. It knows only
// what this server has seen since it started. Times are kept only as far as the
// alarm needs them.
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

// enqueue adds an aggregate to those that wait to be written.
func (a *aggregator) enqueue(t aggregate) {
	if len(a.waiting) >= maxWaiting || t.anonymous() && len(a.waiting) >= maxWaiting/2 {
		a.dropped += t.denials()
		return
	}
	t.id = storage.NewID()
	a.waiting = append(a.waiting, t)
}

// rotate starts a new window if the current one has ended, and reports whether
// it has.
func (a *aggregator) rotate(now time.Time) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.rotateLocked(now)
}

// rotateLocked is rotate for a caller that holds the lock.
func (a *aggregator) rotateLocked(now time.Time) bool {
	if now.Sub(a.began) < window {
		return false
	}
	a.flushLocked(now)
	return true
}

// flush ends the window now.
func (a *aggregator) flush(now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.flushLocked(now)
}

// flushLocked queues what was counted in the window, and removes histories that
// can no longer raise an alarm.
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

// takeWaiting removes the waiting aggregates and returns them by chain, with the
// number of denials that were dropped. The caller writes them, and gives back
// with requeue what failed.
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

// requeue puts aggregates that could not be written before all others. Beyond the
// bound the newest are dropped and counted.
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
