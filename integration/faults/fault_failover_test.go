package faults

import (
	"syscall"
	"time"
)

// failOver kills the primary and everything of it, promotes the standby, and makes
// the old primary a standby of the new one.
func failOver(w *world) {
	w.promoteStandby()
	w.recovered(soonestAfterFailover)
	w.rejoin()
	w.recovered(soonest)
}

// promoteStandby kills the primary and promotes its standby.
func (w *world) promoteStandby() {
	w.pg().kill()
	w.primary = 1 - w.primary
	w.pg().exec("select pg_promote(wait => true)")
}

// rejoin makes the old primary a standby of the new one.
func (w *world) rejoin() {
	w.nodes[1-w.primary].kill()
	w.addStandby()
}

// returnOldPrimary brings the old primary back as it was, after the standby was
// promoted: before the other in the list of hosts, and without the name of its
// standby, so that nothing in PostgreSQL keeps it from taking writes. Then a server
// is restarted, which knows of the failover only from its file.
func returnOldPrimary(w *world) {
	w.promoteStandby()
	w.recovered(soonestAfterFailover)
	old := w.nodes[1-w.primary]
	old.dropSetting("synchronous_standby_names")
	old.start()
	kept := old.number("select count(*) from alkalog.requests")
	for i := range w.servers {
		w.wire(i).cut() // all connect anew
		w.pause(50*time.Millisecond, 200*time.Millisecond)
	}
	i := w.some()
	w.servers[i].kill()
	w.servers[i].start()
	w.recovered(soonestAfterFailover)
	w.pause(200*time.Millisecond, 500*time.Millisecond)
	if now := old.number("select count(*) from alkalog.requests"); now != kept {
		w.t.Errorf("the old primary took %d writes", now-kept)
	}
	w.rejoin()
	w.recovered(soonest)
}

// stopPrimary suspends the primary; used by the mix.
func stopPrimary(w *world) {
	w.pg().signalAll(syscall.SIGSTOP)
	w.hold(2*time.Second, 8*time.Second)
	w.pg().signalAll(syscall.SIGCONT)
	w.recovered(soonest)
}
