package faults

import (
	"strings"
	"time"
	"unsafe"
)

// clockSettings are how the wall clock of a server's machine can be wrong.
var clockSettings = []string{"1h", "-1h", "frozen"}

// breakClock sets the wall clocks of the servers' machines wrong, each in another
// way. The servers go on by the database's clock, say that theirs is wrong, and
// store no instant that is not the database's.
func breakClock(w *world) {
	began := w.pg().seconds()
	settings := append([]string(nil), clockSettings...)
	w.random.Shuffle(len(settings), func(i, j int) { settings[i], settings[j] = settings[j], settings[i] })
	for i, s := range w.servers {
		s.setClock(settings[i%len(settings)])
	}
	w.wait("the servers to say that their clocks are wrong", func() bool {
		for i, s := range w.servers {
			if !strings.Contains(w.probes[i].readiness(s.cfg.Metrics), "clock") {
				return false
			}
		}
		return true
	})
	w.hold(500*time.Millisecond, 10*time.Second)
	w.recovered(soonest) // they serve with a wrong clock too
	w.wantTimes(began)
	for _, s := range w.servers {
		s.setClock("0s")
	}
	w.wait("the servers to be ready", func() bool {
		for i, s := range w.servers {
			if w.probes[i].readiness(s.cfg.Metrics) != "ready" {
				return false
			}
		}
		return true
	})
	w.recovered(soonest)
	w.wantTimes(began)
}

// seconds is the time of the database's clock.
func (p *postgres) seconds() int64 {
	return p.number("select extract(epoch from clock_timestamp())::bigint")
}

// wantTimes checks that what was stored since then was stored between then and now,
// by the database's clock. 5 s are for what had begun before.
func (w *world) wantTimes(since int64) {
	w.t.Helper()
	for _, column := range []string{"audit_entries.record_time", "decisions.create_time", "sessions.update_time", "requests.claim_time"} {
		table, name, _ := strings.Cut(column, ".")
		now := w.pg().seconds()
		wrong := w.pg().number(`select count(*) from alkalog.`+table+` where `+name+` > to_timestamp($1) + interval '5 seconds'`, now)
		if wrong > 0 {
			w.t.Errorf("%d rows have a %s in the future", wrong, column)
		}
		old := w.pg().number(`select count(*) from alkalog.`+table+` where `+name+` < to_timestamp($1) - interval '60 seconds'`, since)
		if old > 0 {
			w.t.Errorf("%d rows have a %s from before the test", old, column)
		}
	}
}

// setWall returns an instant whose wall clock is set to another time and whose
// monotonic reading is as it was, as after somebody has set the machine's clock. No
// function of package time makes one, so the seconds in its first word are changed
// (package time, comment of type Time).
func setWall(t time.Time, wall time.Time) time.Time {
	ahead := wall.Unix() - t.Unix()
	first := (*uint64)(unsafe.Pointer(&t))
	*first = uint64(int64(*first) + ahead<<30)
	return t
}
