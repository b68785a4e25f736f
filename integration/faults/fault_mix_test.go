package faults

import "time"

// mixed are the faults of the random mix, by name: those that need no database of
// their own.
var mixed = []struct {
	name   string
	inject func(*world)
}{
	{"server killed", killServer}, {"database killed", killDatabase}, {"processes stopped", stopProcesses}, {"network", breakNetwork},
	{"clocks", breakClock}, {"requests repeated", repeatRequests}, {"servers restarted", restartServers}, {"leader lost", breakLeader},
	{"failover", failOver}, {"old primary", returnOldPrimary}, {"audit log", breakAudit}, {"primary stopped", stopPrimary},
}

// everything makes a primary, its synchronous standby and three servers whose clocks
// the test sets.
func everything(w *world) {
	pair(0)(w)
	w.addServers(3, serverConfig{Clock: true})
}

// nemesis breaks one thing after the other, in random order.
func nemesis(w *world) {
	w.mixing = true
	next := mixed[w.random.IntN(len(mixed))]
	w.t.Logf("%s", next.name)
	next.inject(w)
	w.pause(100*time.Millisecond, time.Second)
}
