package serve

import (
	"fmt"
	"slices"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// start is when the tests of counting begin.
func start() time.Time { return time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC) }

// aDenial is one of somebody's.
func aDenial(who string) denial {
	return denial{chain: "chains/ebb", actor: who, role: pb.Role_ROLE_TILL, method: "AuditService/ListEntries", reason: "ROLE_NOT_ALLOWED"}
}

// taken are the lines that wait for a chain.
func taken(t *testing.T, a *aggregator, chain string) []aggregate {
	t.Helper()
	byChain, lost := a.takeWaiting()
	if lost != 0 {
		t.Errorf("%d denials were lost", lost)
	}
	return byChain[chain]
}

// TestRepeatedDenialsAreAggregated: the first is recorded at once, later ones together when the
// minute is over, and each one exactly once.
func TestRepeatedDenialsAreAggregated(t *testing.T) {
	now := start()
	a := newAggregator(now)
	front := aDenial("chains/ebb/tills/front")
	a.add(front, "till 1", "trace 1", now)
	first := taken(t, &a, front.chain)
	if len(first) != 1 || first[0].count != 1 || first[0].denial != front || first[0].till != "till 1" || !first[0].first.Equal(now) {
		t.Fatalf("recorded at first: %+v", first)
	}
	for i := 1; i <= 5; i++ {
		a.add(front, "till 1", fmt.Sprint("trace ", i+1), now.Add(time.Duration(i)*time.Second))
	}
	if early := taken(t, &a, front.chain); len(early) != 0 || a.rotate(now.Add(window-1)) {
		t.Fatalf("recorded before the minute is over: %+v", early)
	}
	if !a.rotate(now.Add(window)) {
		t.Fatal("the minute is not over")
	}
	then := taken(t, &a, front.chain)
	if len(then) != 1 || then[0].count != 5 || then[0].trace != "trace 2" ||
		!then[0].first.Equal(now.Add(time.Second)) || !then[0].last.Equal(now.Add(5*time.Second)) {
		t.Fatalf("recorded when the minute is over: %+v", then)
	}
	a.rotate(now.Add(2 * window))
	if more := taken(t, &a, front.chain); len(more) != 0 {
		t.Fatalf("nothing happened, but recorded: %+v", more)
	}
	a.add(front, "", "", now.Add(2*window+1))
	a.add(front, "", "", now.Add(2*window+2))
	a.flush(now.Add(2*window + 3))
	if last := taken(t, &a, front.chain); len(last) != 2 || last[0].count+last[1].count != 2 {
		t.Fatalf("recorded at the end: %+v", last)
	}
}

// TestDifferentDenialsAreSeparate: denials that differ in any part are recorded separately.
func TestDifferentDenialsAreSeparate(t *testing.T) {
	a := newAggregator(start())
	all := []denial{aDenial("x"), aDenial("y"), aDenial("x"), aDenial("x"), aDenial("x"), aDenial("x")}
	all[2].chain, all[3].role, all[4].method, all[5].reason = "chains/low", pb.Role_ROLE_MANAGER, "AuditService/GetCheckpoint", "OUT_OF_SCOPE"
	for _, d := range append(all, all...) {
		a.add(d, "", "", start())
	}
	byChain, _ := a.takeWaiting()
	if len(byChain["chains/ebb"]) != 5 || len(byChain["chains/low"]) != 1 {
		t.Errorf("recorded %v", byChain)
	}
}

// TestRepeatedDenialsRaiseAnAlarm: from ten within ten minutes, and once an hour.
func TestRepeatedDenialsRaiseAnAlarm(t *testing.T) {
	now := start()
	a := newAggregator(now)
	alarms := func() (found []aggregate) {
		for _, line := range taken(t, &a, "chains/ebb") {
			if line.alarm {
				found = append(found, line)
			}
		}
		return found
	}
	step := func(n int, every time.Duration) {
		for range n {
			a.add(aDenial("x"), "", "", now)
			now = now.Add(every)
		}
	}
	step(30, alarmWithin/8) // never ten within ten minutes
	if got := alarms(); len(got) != 0 {
		t.Fatalf("rare denials alarm: %+v", got)
	}
	now = now.Add(alarmWithin)
	began := now
	step(9, time.Second)
	if got := alarms(); len(got) != 0 {
		t.Fatalf("nine alarm: %+v", got)
	}
	step(1, time.Second)
	got := alarms()
	if len(got) != 1 || got[0].count != alarmFrom || !got[0].first.Equal(began) || !got[0].last.Equal(began.Add(9*time.Second)) {
		t.Fatalf("ten raise %+v", got)
	}
	step(100, time.Second)
	if got := alarms(); len(got) != 0 {
		t.Fatalf("they alarm again: %+v", got)
	}
	now = now.Add(alarmInterval)
	a.rotate(now)
	step(alarmFrom, time.Second)
	if got := alarms(); len(got) != 1 {
		t.Fatalf("an hour later they raise %+v", got)
	}
	a.rotate(now.Add(2 * alarmInterval))
	if len(a.histories) != 0 {
		t.Errorf("%d histories are kept for ever", len(a.histories))
	}
}

// TestDenialsAreBounded: callers cannot fill a log: a chain gets few lines a minute,
// little is kept, and every denial is counted somewhere.
func TestDenialsAreBounded(t *testing.T) {
	now := start()
	a := newAggregator(now)
	const known, anonymous, chains = 3000, 3000, 40
	for i := range known {
		a.add(aDenial(fmt.Sprint("person ", i)), "", "", now)
	}
	for i := range anonymous {
		for c := range chains {
			d := aDenial("")
			d.chain, d.method = fmt.Sprint("chains/c", c), fmt.Sprint("m", i)
			a.add(d, "", "", now)
		}
	}
	if len(a.kinds) > 2*(maxKinds+maxAnonymousKinds) || len(a.histories) > maxHistories || len(a.waiting) > maxWaiting {
		t.Errorf("kept: %d kinds, %d histories, %d lines", len(a.kinds), len(a.histories), len(a.waiting))
	}
	a.flush(now.Add(window))
	byChain, lost := a.takeWaiting()
	count := lost
	for chain, lines := range byChain {
		n := 0
		for _, line := range lines {
			if !line.alarm {
				n++
				count += line.count
			}
		}
		if n > maxKindsPerChain+2 { // the rest: at first, and at the end
			t.Errorf("%s gets %d lines in a minute", chain, n)
		}
	}
	if count != known+anonymous*chains {
		t.Errorf("%d denials are counted, of %d", count, known+anonymous*chains)
	}
	// Strangers have not crowded out who is known.
	a.add(aDenial("one more"), "", "", now.Add(window))
	if lines := taken(t, &a, "chains/ebb"); len(lines) != 1 || lines[0].actor != "one more" {
		t.Errorf("recorded %+v", lines)
	}
}

// TestAnonymousDenialsDoNotHideAlarms: however many kinds of denials those without an
// identity make, what somebody known does again and again raises an alarm.
func TestAnonymousDenialsDoNotHideAlarms(t *testing.T) {
	now := start()
	a := newAggregator(now)
	for minute := range 9 {
		for i := range 2 * maxAnonymousKinds {
			d := aDenial("")
			d.chain = fmt.Sprintf("chains/c%d-%d", minute, i)
			a.add(d, "", "", now)
		}
		now = now.Add(window)
		a.rotate(now)
		if minute < 8 { // at last, the lines cannot be written as fast
			a.takeWaiting()
		}
	}
	for range alarmFrom {
		a.add(aDenial("somebody"), "", "", now)
	}
	if !slices.ContainsFunc(a.waiting, func(line aggregate) bool { return line.alarm && line.actor == "somebody" }) {
		t.Error("no alarm is raised")
	}
	now = now.Add(2 * alarmInterval)
	a.flush(now)
	if a.anonymousHistories != 0 || len(a.histories) != 0 {
		t.Errorf("%d anonymous histories are counted, of %d", a.anonymousHistories, len(a.histories))
	}
}

// TestFailedWritesAreQueuedAgain: what could not be written waits, before what came later,
// and no more than there is room for.
func TestFailedWritesAreQueuedAgain(t *testing.T) {
	a := newAggregator(start())
	a.add(aDenial("x"), "", "", start())
	lines := taken(t, &a, "chains/ebb")
	a.add(aDenial("y"), "", "", start())
	a.requeue(lines)
	if again := taken(t, &a, "chains/ebb"); len(again) != 2 || again[0].id != lines[0].id || again[1].actor != "y" {
		t.Errorf("wait: %+v", again)
	}
	for i := range maxWaiting {
		d := aDenial("x")
		d.chain = fmt.Sprint("chains/", i)
		a.add(d, "", "", start())
	}
	a.requeue(lines)
	byChain, lost := a.takeWaiting()
	if len(byChain["chains/ebb"]) == 0 || lost == 0 {
		t.Errorf("%d lines of the chain, %d lost", len(byChain["chains/ebb"]), lost)
	}
}
