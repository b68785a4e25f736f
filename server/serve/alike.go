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
func (d denial) stranger() bool { return d.actor == "" }

// told is one line for the log.
type told struct {
	denial
	id          string
	till, trace string // of the first
	count       int64
	first, last time.Time
	alarm       bool
	tried       bool // it was tried to write it, and may be written
}

// denials is how many denials nobody knows of without the line. What an alarm is
// about is told in others.
func (t told) denials() int64 {
	if t.alarm {
		return 0
	}
	return t.count
}

// Bounds of what is kept and written, whatever callers do. All are our own
// choices.
const (
	window = time.Minute // denials that are alike are told together for so long

	mostByChain    = 60   // kinds told of one chain in a window; the rest is counted together
	mostStrangers  = 10   // of these, of callers without an identity
	mostKinds      = 4096 // kinds of known callers, in a window
	mostUnknown    = 1024 // kinds of callers without an identity, in a window
	mostWaiting    = 8192 // lines that wait to be written; none of strangers beyond half of it
	mostHistories  = 8192 // kinds whose past is known, for alarms; half of them at most of strangers
	alarmFrom      = 10   // denials that are alike raise an alarm,
	alarmWithin    = 10 * time.Minute
	alarmNotBefore = time.Hour // after the last
)

// alike counts denials that are alike.
type alike struct {
	mu        sync.Mutex
	began     time.Time
	kinds     map[denial]*told // seen in this window; count is of those not told yet
	unknown   int              // of these, kinds of strangers
	byChain   map[string]chainCount
	histories map[denial]*history
	strange   int // of these, of strangers
	waiting   []told
	lost      int64 // denials that there was no room to tell of
}

// chainCount is how many kinds of a chain are told in this window.
type chainCount struct{ all, strangers int }

// history is what is known of the past of one kind.
type history struct {
	times   []time.Time // the last ones
	alarmed time.Time
}

func newAlike(now time.Time) alike {
	return alike{began: now, kinds: map[denial]*told{}, byChain: map[string]chainCount{}, histories: map[denial]*history{}}
}

// add counts one denial. The first of its kind waits to be written at once.
func (a *alike) add(d denial, till, trace string, now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.turnLocked(now)
	kind, known := a.kinds[d]
	if !known && a.full(d) {
		// Kinds beyond the bounds are counted together, for the whole chain.
		d = denial{chain: d.chain, reason: "OTHER_DENIALS"}
		till, trace = "", ""
		if kind, known = a.kinds[d]; !known && len(a.kinds) >= 2*(mostKinds+mostUnknown) {
			a.lost++
			return
		}
	}
	switch {
	case !known:
		a.begin(d)
		a.wait(told{denial: d, till: till, trace: trace, count: 1, first: now, last: now})
	case kind.count == 0:
		*kind = told{denial: d, till: till, trace: trace, count: 1, first: now, last: now}
	default:
		kind.count++
		kind.last = now
	}
	a.watch(d, now)
}

// full reports whether no more kinds like d are told in this window.
func (a *alike) full(d denial) bool {
	n := a.byChain[d.chain]
	if d.stranger() {
		return n.strangers >= mostStrangers || a.unknown >= mostUnknown
	}
	return n.all-n.strangers >= mostByChain-mostStrangers || len(a.kinds)-a.unknown >= mostKinds
}

// begin opens the window of a kind.
func (a *alike) begin(d denial) {
	a.kinds[d] = &told{denial: d}
	n := a.byChain[d.chain]
	n.all++
	if d.stranger() {
		n.strangers++
		a.unknown++
	}
	a.byChain[d.chain] = n
}

// watch raises an alarm when there are many of a kind. It goes by what this
// server has seen since it was started.
func (a *alike) watch(d denial, now time.Time) {
	h := a.histories[d]
	if h == nil {
		if len(a.histories) >= mostHistories || d.stranger() && a.strange >= mostHistories/2 {
			return
		}
		if d.stranger() {
			a.strange++
		}
		h = &history{}
		a.histories[d] = h
	}
	h.times = append(h.times, now)
	if len(h.times) > alarmFrom {
		h.times = h.times[1:]
	}
	first := h.times[0]
	if len(h.times) < alarmFrom || now.Sub(first) > alarmWithin || (!h.alarmed.IsZero() && now.Sub(h.alarmed) < alarmNotBefore) {
		return
	}
	h.alarmed = now
	a.wait(told{denial: d, count: alarmFrom, first: first, last: now, alarm: true})
}

// wait puts a line where it waits to be written.
func (a *alike) wait(t told) {
	if len(a.waiting) >= mostWaiting || t.stranger() && len(a.waiting) >= mostWaiting/2 {
		a.lost += t.denials()
		return
	}
	t.id = storage.NewID()
	a.waiting = append(a.waiting, t)
}

// turn begins a new window when the last one is over, and reports whether it
// was.
func (a *alike) turn(now time.Time) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.turnLocked(now)
}

func (a *alike) turnLocked(now time.Time) bool {
	if now.Sub(a.began) < window {
		return false
	}
	a.endLocked(now)
	return true
}

// end closes the window now.
func (a *alike) end(now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.endLocked(now)
}

// endLocked lets what was counted be written, and forgets what no alarm can
// come of any more.
func (a *alike) endLocked(now time.Time) {
	for _, kind := range a.kinds {
		if kind.count > 0 {
			a.wait(*kind)
		}
	}
	a.began, a.unknown = now, 0
	clear(a.kinds)
	clear(a.byChain)
	for d, h := range a.histories {
		if now.Sub(h.times[len(h.times)-1]) > alarmWithin && now.Sub(h.alarmed) > alarmNotBefore {
			delete(a.histories, d)
			if d.stranger() {
				a.strange--
			}
		}
	}
}

// take hands over what waits to be written, by chain, and how many denials there
// was no room for.
func (a *alike) take() (map[string][]told, int64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	byChain := map[string][]told{}
	for _, t := range a.waiting {
		byChain[t.chain] = append(byChain[t.chain], t)
	}
	lost := a.lost
	a.waiting, a.lost = nil, 0
	return byChain, lost
}

// putBack lets what could not be written wait again, before all else.
func (a *alike) putBack(rows []told) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.waiting = append(rows, a.waiting...)
	if extra := len(a.waiting) - mostWaiting; extra > 0 {
		for _, t := range a.waiting[mostWaiting:] {
			a.lost += t.denials()
		}
		a.waiting = a.waiting[:mostWaiting]
	}
}
