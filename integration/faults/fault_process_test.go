package faults

import (
	"syscall"
	"time"
)

// killServer kills a server at each moment of a write transaction, and once at a
// random instant.
func killServer(w *world) {
	moments := []moment{beforeBegin, beforeCommit, afterCommit, ""}
	w.random.Shuffle(len(moments), func(i, j int) { moments[i], moments[j] = moments[j], moments[i] })
	for _, at := range moments {
		i := w.some()
		if at != "" {
			w.strike(i, at, w.random.IntN(30), w.servers[i].kill)
		}
		w.servers[i].kill()
		w.wire(i).heal()
		w.servers[i].start()
		w.recovered(soonest)
		w.pause(100*time.Millisecond, 300*time.Millisecond)
	}
}

// strike does something at a moment of a write on a server's connections, after
// some others have passed. It returns when that has happened.
func (w *world) strike(server int, at moment, skip int, do func()) {
	w.t.Helper()
	hit := w.wire(server).strike(at, skip, 1, do)
	select {
	case <-hit:
	case <-time.After(20 * time.Second):
		w.t.Errorf("no write came to the moment %s", at)
	}
}

// killDatabase kills one backend, after which PostgreSQL restarts all of them; the
// whole database; and the database together with a server.
func killDatabase(w *world) {
	for _, kill := range w.shuffled(
		func() { syscall.Kill(w.backend(""), syscall.SIGKILL) },
		func() {
			w.pg().kill()
			w.pause(50*time.Millisecond, 300*time.Millisecond)
			w.pg().start()
		},
		func() {
			i := w.some()
			w.pg().kill()
			w.servers[i].kill()
			w.pg().start()
			w.servers[i].start()
		},
	) {
		kill()
		w.recovered(soonest)
		w.pause(100*time.Millisecond, 300*time.Millisecond)
	}
}

// shuffled are functions in random order.
func (w *world) shuffled(all ...func()) []func() {
	w.random.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	return all
}

// backend is the process of a random connection of the servers, of those in a
// transaction if there are any; condition narrows the choice.
func (w *world) backend(condition string) int {
	w.t.Helper()
	if condition == "" {
		condition = "true"
	}
	pid := 0
	w.wait("a connection of a server", func() bool {
		pid = int(w.pg().number(`select coalesce((select pid from pg_stat_activity where usename = 'alkalog_server' and ` + condition + `
			order by xact_start is null, random() limit 1), 0)`))
		return pid != 0
	})
	return pid
}

// stopProcesses suspends a server, the whole database, and one backend in the
// middle of a write, and lets them go on.
//
// A suspended backend must not hold up the others: writes are acknowledged while it
// is suspended, at the latest when the time for locks is over.
func stopProcesses(w *world) {
	for _, stop := range w.shuffled(
		func() {
			i := w.some()
			w.servers[i].signal(syscall.SIGSTOP)
			w.hold(4*time.Second, 12*time.Second) // longer than the lease of the leader
			w.servers[i].signal(syscall.SIGCONT)
		},
		func() {
			w.pg().signalAll(syscall.SIGSTOP)
			w.hold(2*time.Second, 12*time.Second)
			w.pg().signalAll(syscall.SIGCONT)
		},
		func() {
			pid := w.backend("state <> 'idle' and xact_start is not null and pid <> pg_backend_pid()")
			syscall.Kill(pid, syscall.SIGSTOP)
			defer syscall.Kill(pid, syscall.SIGCONT)
			for _, p := range w.probes {
				w.judgeTime("a write beside a suspended backend", p.untilWritten(w.t, patience), soonestBesideStopped)
			}
			w.hold(time.Second, 12*time.Second)
		},
	) {
		stop()
		w.recovered(soonest)
		w.pause(100*time.Millisecond, 300*time.Millisecond)
	}
}

// soonestBesideStopped is how soon a write must be acknowledged beside a suspended
// backend: after the lock timeout, half of the statement timeout of 8 s, and a
// retry. Our own choice.
const soonestBesideStopped = 6 * time.Second

// restartServers restarts every server in turn, in order, while the others serve,
// and adds a third one.
func restartServers(w *world) {
	if len(w.servers) == 2 {
		w.addServers(1, serverConfig{})
	}
	for i, s := range w.servers {
		s.stop()
		w.probes[(i+1)%len(w.probes)].untilWritten(w.t, patience)
		s.start()
		w.recovered(soonest)
	}
}

// breakLeader stops a server for longer than the lease, cuts its database
// connections, and kills it; in turn every server, so that it is the leader of the
// logs too. What is written meanwhile gets on the logs.
func breakLeader(w *world) {
	for i, s := range w.servers {
		for _, fail := range w.shuffled(
			func() {
				s.signal(syscall.SIGSTOP)
				w.hold(3500*time.Millisecond, 8*time.Second)
				w.logged()
				s.signal(syscall.SIGCONT)
			},
			func() {
				w.wire(i).refuse()
				w.hold(500*time.Millisecond, 5*time.Second)
				w.logged()
				w.wire(i).heal()
			},
			func() {
				s.kill()
				w.logged()
				s.start()
			},
		) {
			fail()
			w.recovered(soonest)
		}
	}
}

// logged waits until what is committed now is on the logs, by whichever server
// leads.
func (w *world) logged() {
	w.t.Helper()
	db := w.pg().db()
	defer db.Close()
	var last int64
	if err := db.QueryRow("select coalesce(max(position), 0) from audit_entries").Scan(&last); err != nil {
		w.t.Fatal(err)
	}
	began := time.Now()
	w.wait("the entries to be on their logs", func() bool {
		var waiting int
		err := db.QueryRow(`select count(*) from audit_entries e where position <= $1
			and not exists (select from log_entries l where l.chain = e.chain and l.id = e.id)`, last).Scan(&waiting)
		return err == nil && waiting == 0
	})
	w.row.logged = max(w.row.logged, time.Since(began))
	w.judgeTime("until the entries were on their logs", time.Since(began), soonestLogged)
}

// soonestLogged is how soon entries must be on their logs whatever happens to the
// leader: a server that is stopped in the middle of a transaction holds them back
// until the database ends its session, after two read timeouts of 10 s. Our own
// choice.
const soonestLogged = 25 * time.Second
