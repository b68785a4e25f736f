package demo

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"
)

// A small month has more careless and unlucky visits than a real one, so that each
// danger and each accident occurs. Its ordinary visits are too few for a share of 2 %:
// two visits more than the goal are allowed. `server demo --month` shows the shares.
func TestMonth(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	size, err := Month{Visits: 100, Salons: 4, Seed: 11, Behaviours: map[string]float64{"careful": 0.4, "careless": 0.5, "unlucky": 0.1},
		after: func(m *month) { wantAnswers(t, m) }}.complete()
	if err != nil {
		t.Fatal(err)
	}
	m, err := playMonth(t.Context(), Options{Out: &out, Start: start}, size)
	if err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	for _, g := range m.tally.frictionGoals(2) {
		if !g.reached {
			t.Errorf("missed: %s", g.text)
		}
	}
	for _, d := range dangers {
		if f := m.tally.caught[d]; d.where != "" && f == nil {
			t.Errorf("%q was never planted", d.name)
		}
	}
	for _, a := range accidents {
		if m.tally.befell[a] == nil {
			t.Errorf("%q never came about", a.name)
		}
	}
	if m.tally.visits != size.Visits {
		t.Errorf("%d of %d visits were counted", m.tally.visits, size.Visits)
	}
	if t.Failed() {
		t.Log(out.String())
	}
}

// What waits runs in the order of its time, and side by side where the time is the same.
func TestAgenda(t *testing.T) {
	t.Parallel()
	a := agenda{clock: &clock{now: openingTime()}}
	var said []string
	say := func(name string, minutes ...int) {
		a.add(openingTime(), func(wait func(time.Time)) {
			for _, m := range minutes {
				wait(openingTime().Add(time.Duration(m) * time.Minute))
				said = append(said, name+a.clock.Now().Format("04"))
			}
		})
	}
	say("a", 1, 4, 5)
	say("b", 2, 3)
	a.play(func() bool { return false }, func() {})
	if got, want := strings.Join(said, " "), "a01 b02 b03 a04 a05"; got != want {
		t.Errorf("%s, not %s", got, want)
	}
}

// An agenda that is halted lets its acts end without the clock.
func TestAgendaHalted(t *testing.T) {
	t.Parallel()
	a := agenda{clock: &clock{now: openingTime()}}
	ended := false
	a.add(openingTime(), func(wait func(time.Time)) {
		wait(openingTime().Add(time.Hour))
		ended = true
	})
	steps := 0
	a.play(func() bool { steps++; return steps > 1 }, func() {})
	if !ended || !a.clock.Now().Equal(openingTime()) {
		t.Errorf("ended: %t, at %s", ended, a.clock.Now())
	}
}

// Every value has its share, whatever the shuffle.
func TestQuota(t *testing.T) {
	t.Parallel()
	m, err := Month{Visits: 1000, Seed: 3}.complete()
	if err != nil {
		t.Fatal(err)
	}
	all := quota(newRandom(m.Seed, 1), behaviourShares, m.Visits)
	slices.Sort(all)
	for _, w := range behaviourShares {
		n := 0
		for _, b := range all {
			if b == w.value {
				n++
			}
		}
		if want := int(w.share*1000 + 0.5); n != want {
			t.Errorf("%d visits are %s, not %d", n, w.value, want)
		}
	}
}

// A month that does not fit into the salons' hours is refused.
func TestMonthTooFull(t *testing.T) {
	t.Parallel()
	if _, err := (Month{Visits: 1000, Salons: 1}).complete(); err == nil {
		t.Error("1,000 visits fit into one salon")
	}
}

// A goal is missed by the first visit beyond its share, and a danger that nothing showed
// misses its goal.
func TestFrictionGoals(t *testing.T) {
	t.Parallel()
	reached := func(tl *tally) (all []bool) {
		for _, g := range tl.frictionGoals(0) {
			all = append(all, g.reached)
		}
		return all
	}
	tl := newTally()
	tl.ordinary = row{visits: 100, refused: 2, overridden: 1, withRinseNow: 5}
	if got := reached(tl); slices.Contains(got, false) {
		t.Errorf("all goals are reached, not %v", got)
	}
	tl.ordinary = row{visits: 100, refused: 2, referred: 1, overridden: 2, withRinseNow: 6}
	tl.caught[dangers[0]] = &found{planted: 2, caught: 1}
	tl.befell[accidents[0]] = &found{planted: 1}
	tl.silent = []string{"a session"}
	if got := reached(tl); slices.Contains(got, true) {
		t.Errorf("no goal is reached, not %v", got)
	}
}
