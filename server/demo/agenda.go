package demo

import (
	"container/heap"
	"iter"
	"sync"
	"time"
)

// agenda plays what many people do side by side on one simulated clock. The acts whose
// time has come run at the same time, until they wait; then the clock moves on. Acts must
// not share what they change.
type agenda struct {
	clock *clock
	turns turns
	added int
}

// tick is the step of the simulated clock; waits end at whole steps. Our own choice:
// shorter than any reaction, and long enough that acts run side by side.
const tick = 10 * time.Second

// together is how many acts run at the same time, at most.
const together = 6

// turn is an act that waits for its time.
type turn struct {
	// The time for which it waits, a whole step of the clock.
	at time.Time
	// Acts of the same time begin in the order in which they were added.
	order int
	// Lets the act go on; returns the next time for which it waits, and false when it
	// has ended.
	next func() (time.Time, bool)
	// Ends the act early: its waits return at once.
	stop func()
	// It has not ended.
	more bool
}

// act is what somebody does; wait returns when the clock has reached a time. When
// the agenda is stopped, wait returns at once.
type act func(wait func(until time.Time))

// add puts an act on the agenda. The act becomes a coroutine: it looks like a function
// that sleeps, and costs no timer and no polling.
func (a *agenda) add(at time.Time, do act) {
	next, stop := iter.Pull(func(yield func(time.Time) bool) {
		do(func(until time.Time) { yield(until) })
	})
	a.added++
	heap.Push(&a.turns, &turn{at: wholeTick(at), order: a.added, next: next, stop: stop})
}

// wholeTick is the first whole step that is not before a time. Times that are due
// between two steps are due at the next one.
func wholeTick(t time.Time) time.Time {
	if down := t.Truncate(tick); down.Before(t) {
		return down.Add(tick)
	}
	return t
}

// play runs all acts to their ends, or until halted. After each step it calls
// progress, when no act runs. Acts that are left when it was halted are ended: they
// run on without the clock, so their calls must do nothing by then. Nothing is
// added while acts run.
func (a *agenda) play(halted func() bool, progress func()) {
	for len(a.turns) > 0 && !halted() {
		now := a.turns[0].at
		a.clock.moveTo(now)
		var due []*turn
		for len(a.turns) > 0 && a.turns[0].at.Equal(now) {
			due = append(due, heap.Pop(&a.turns).(*turn))
		}
		a.take(due)
		for _, t := range due {
			if t.more {
				heap.Push(&a.turns, t)
			}
		}
		progress()
	}
	for _, t := range a.turns {
		t.stop()
	}
}

// take lets acts go on until they wait or end. The clock stands still meanwhile, so all of
// them see the same time, whatever the calls really take.
func (a *agenda) take(due []*turn) {
	var running sync.WaitGroup
	places := make(chan struct{}, together)
	for _, t := range due {
		places <- struct{}{}
		running.Go(func() {
			defer func() { <-places }()
			var until time.Time
			until, t.more = t.next()
			t.at = wholeTick(until)
		})
	}
	running.Wait()
}

// turns is a heap of turns by time.
type turns []*turn

func (t turns) Len() int { return len(t) }
func (t turns) Less(i, j int) bool {
	if !t[i].at.Equal(t[j].at) {
		return t[i].at.Before(t[j].at)
	}
	return t[i].order < t[j].order
}
func (t turns) Swap(i, j int) { t[i], t[j] = t[j], t[i] }
func (t *turns) Push(x any)   { *t = append(*t, x.(*turn)) }
func (t *turns) Pop() any {
	last := len(*t) - 1
	x := (*t)[last]
	*t = (*t)[:last]
	return x
}
