package faults

import (
	"os"
	"path/filepath"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// breakAudit takes away, in turn, the right to insert entries, the table of the
// entries, and the key that signs the logs. Without a place for entries nothing is
// acknowledged, reads are answered, and the servers say why they are not ready.
func breakAudit(w *world) {
	known := newChain()
	for w.probes[0].send(known, 5*time.Second) != nil {
	}
	for _, fail := range w.shuffled(
		func() {
			w.pg().exec("revoke insert on alkalog.audit_entries from alkalog_server")
			w.wantNoWrites(known.ChainId)
			w.pg().exec("grant insert on alkalog.audit_entries to alkalog_server")
		},
		func() {
			db := w.pg().db()
			defer db.Close()
			tx, err := db.Begin()
			if err == nil {
				_, err = tx.Exec("lock table alkalog.audit_entries in exclusive mode")
			}
			if err != nil {
				w.t.Fatal(err)
			}
			w.wantNoWrites(known.ChainId)
			tx.Rollback()
		},
		func() {
			key := filepath.Join(w.keys, "log")
			if err := os.Rename(key, key+".away"); err != nil {
				w.t.Fatal(err)
			}
			w.hold(2*time.Second, 10*time.Second)
			if err := os.Rename(key+".away", key); err != nil {
				w.t.Fatal(err)
			}
			w.logged()
		},
	) {
		fail()
		w.recovered(soonest)
	}
}

// wantNoWrites checks that nothing is written while no entry can be, that the caller
// is told why, that reads go on, and that the servers say that they are not ready.
func (w *world) wantNoWrites(chain string) {
	w.t.Helper()
	for i, p := range w.probes {
		var err error
		w.wait("writes to be refused because of the audit log", func() bool {
			err = p.write(15 * time.Second)
			return status.Code(err) == codes.Unavailable && reasonOf(err) == "AUDIT_UNAVAILABLE"
		})
		if err := p.read(chain, 5*time.Second); err != nil {
			w.t.Errorf("server %d: a read: %v", i+1, err)
		}
		w.wait("the server to say that the audit log is the cause", func() bool {
			return p.readiness(w.servers[i].cfg.Metrics) == "audit"
		})
	}
	// Transactions that had begun before have ended by now.
	before := w.pg().number("select count(*) from alkalog.requests")
	for i, p := range w.probes {
		if err := p.write(15 * time.Second); status.Code(err) != codes.Unavailable || reasonOf(err) != "AUDIT_UNAVAILABLE" {
			w.t.Errorf("server %d: a write without an audit log: %v, %s", i+1, err, reasonOf(err))
		}
	}
	if after := w.pg().number("select count(*) from alkalog.requests"); after != before {
		w.t.Errorf("%d requests were stored without an audit log", after-before)
	}
}
