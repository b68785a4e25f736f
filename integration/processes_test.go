package integration

import (
	"testing"

	"alkalog/storage"
)

// TestTwoProcessesOnOneDatabase: what is recorded through one server process is
// seen by who watches through another, and the log is one.
func TestTwoProcessesOnOneDatabase(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	settings := []string{childDatabase + "=" + s.database.DSN(storage.RoleServer), childKeys + "=" + s.keys}
	first, second := startProcess(t, settings...), startProcess(t, settings...)
	here := &testServer{stubs: dial(t, first.addr), clock: s.clock, database: s.database, sql: s.sql}
	there := &testServer{stubs: dial(t, second.addr), clock: s.clock, database: s.database, sql: s.sql}

	display := watch(t, here, c.till, session.Name, "")
	display.until(t, "the state now", after(0))
	elsewhere := &chain{testServer: there, name: c.name, till: c.till}
	elsewhere.report(t, session, eventAt(session, 0, based()))
	display.until(t, "what was recorded through the other process", after(1))

	second.kill()
	third := startProcess(t, settings...)
	elsewhere.testServer = &testServer{stubs: dial(t, third.addr), clock: s.clock, database: s.database, sql: s.sql}
	elsewhere.report(t, session, eventAt(session, 0, note("after the other process was killed")))
	display.until(t, "what was recorded through the process in its place", after(2))
	first.stop(t)
	third.stop(t)
}
