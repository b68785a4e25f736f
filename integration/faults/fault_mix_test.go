package faults

import "time"

// mixed are the faults of the random mix: those that need no database of their own.
var mixed = []func(*world){
	killServer, killDatabase, stopProcesses, breakNetwork, breakClock, repeatRequests, restartServers, failOver, returnOldPrimary, breakAudit, stopPrimary,
}

// everything makes a primary, its synchronous standby and three servers whose clocks
// the test sets.
func everything(w *world) {
	pair(0)(w)
	w.addServers(3, serverConfig{Clock: true})
}

// nemesis breaks one thing after the other, in random order.
func nemesis(w *world) {
	mixed[w.random.IntN(len(mixed))](w)
	w.pause(100*time.Millisecond, time.Second)
}
