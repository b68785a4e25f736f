package integration

import (
	"syscall"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
)

// TestKeepersOfTheLog: three server processes keep one log. Each in turn is
// stopped in its tracks, woken when others have gone on without it, and killed;
// the log loses nothing, doubles nothing, and extends every checkpoint that was
// given out.
func TestKeepersOfTheLog(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.stop() // its own server keeps no log here
	settings := []string{childDatabase + "=" + s.database.DSN(storage.RoleServer), childKeys + "=" + s.keys}
	keepers := []*child{startProcess(t, settings...), startProcess(t, settings...), startProcess(t, settings...)}
	at := func(k *child) *chain {
		return (&site{stubs: dial(t, k.addr), clock: s.clock, database: s.database, sql: s.sql}).people("ebb-and-flow")
	}
	at(keepers[0]).settle(t)
	var given []string
	for i := range keepers {
		asleep, awake := keepers[i], at(keepers[(i+1)%len(keepers)])
		if err := asleep.command.Process.Signal(syscall.SIGSTOP); err != nil {
			t.Fatal(err)
		}
		awake.decision(t, brokenSkin)
		s.integrated(t)
		given = append(given, must(t, awake.odile, awake.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: awake.name}).Checkpoint)
		if err := asleep.command.Process.Signal(syscall.SIGCONT); err != nil {
			t.Fatal(err)
		}
		at(asleep).decision(t, brokenSkin) // it is awake again, and serves
		s.integrated(t)
	}
	for i, dies := range keepers[:2] {
		dies.kill()
		keepers = append(keepers, startProcess(t, settings...))
		at(keepers[i+1]).decision(t, brokenSkin)
		s.integrated(t)
	}
	c := at(keepers[2])
	for _, earlier := range given {
		if verdict, err := c.audited(t, earlier); err != nil || !verdict.Holds() {
			t.Errorf("against a checkpoint of %d entries: %v, %v", verdict.Earlier.Size, verdict.Faults, err)
		}
	}
	if refusals := c.entries(t, `kind = "REFUSAL"`); len(refusals) != 8 {
		t.Errorf("%d refusals are on the record, want 8", len(refusals))
	}
}
