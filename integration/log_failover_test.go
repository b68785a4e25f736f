package integration

import (
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/server/serve"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// TestLogFailover: three server processes keep one log. Each in turn is suspended,
// continued when others have taken over, and killed; the log loses nothing, doubles
// nothing, and extends every checkpoint that was given out.
func TestLogFailover(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	s.stop() // its own server keeps no log here
	settings := []string{childDatabase + "=" + s.database.DSN(storage.RoleServer), childKeys + "=" + s.keys}
	keepers := []*child{startProcess(t, settings...), startProcess(t, settings...), startProcess(t, settings...)}
	at := func(k *child) *chain {
		return (&testServer{stubs: dial(t, k.addr), clock: s.clock, database: s.database, sql: s.sql}).describeChain("ebb-and-flow")
	}
	at(keepers[0]).create(t)
	var given []string
	for i := range keepers {
		asleep, awake := keepers[i], at(keepers[(i+1)%len(keepers)])
		if err := asleep.command.Process.Signal(syscall.SIGSTOP); err != nil {
			t.Fatal(err)
		}
		awake.decision(t, brokenSkin)
		s.waitLogged(t)
		given = append(given, must(t, awake.odile, awake.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: awake.name}).Checkpoint)
		if err := asleep.command.Process.Signal(syscall.SIGCONT); err != nil {
			t.Fatal(err)
		}
		at(asleep).decision(t, brokenSkin) // it is awake again, and serves
		s.waitLogged(t)
	}
	for i, dies := range keepers[:2] {
		dies.kill()
		keepers = append(keepers, startProcess(t, settings...))
		at(keepers[i+1]).decision(t, brokenSkin)
		s.waitLogged(t)
	}
	c := at(keepers[2])
	for _, earlier := range given {
		if verdict, err := c.audited(t, earlier); err != nil || !verdict.Valid() {
			t.Errorf("against a checkpoint of %d entries: %v, %v", verdict.Earlier.Size, verdict.Faults, err)
		}
	}
	if refusals := c.entries(t, `kind = "REFUSAL"`); len(refusals) != 8 {
		t.Errorf("%d refusals are on the record, want 8", len(refusals))
	}
}

// TestKeysAreReplaced: an auditor who kept a checkpoint from before the key of the log
// was replaced, while the server ran, can still check all that came after; and an
// auditor who finds an unknown key gets an error.
func TestKeysAreReplaced(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	c.decision(t, brokenSkin)
	s.waitLogged(t)
	kept := c.covered(t, 1)
	path := filepath.Join(s.keys, "log")
	lines, err := keys.Lines(path)
	if err != nil {
		t.Fatal(err)
	}
	fresh, err := keys.NewLogKey(lines)
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range []struct {
		content   string
		handovers int
	}{{fresh + "\n" + lines[0] + "\n", 1}, {fresh + "\n", 2}} {
		if err := keys.Replace(path, []byte(step.content)); err != nil {
			t.Fatal(err)
		}
		eventually(t, "the log to be signed anew", func() bool { return len(c.covered(t, 1).Handovers) == step.handovers })
	}
	c.decision(t, brokenSkin)
	s.waitLogged(t)
	now := c.covered(t, kept.TreeSize+1)
	if now.Keys[0] == kept.Keys[0] || !slices.Contains(now.Keys, kept.Keys[0]) {
		t.Errorf("keys %v, before %v", now.Keys, kept.Keys)
	}
	if verdict, err := c.audited(t, kept.Checkpoint); err != nil || !verdict.Valid() || len(verdict.SignedBy) != 1 || verdict.SignedBy[0] != now.Keys[0] {
		t.Errorf("against a checkpoint of the old key: %v, signed by %v, %v", verdict.Faults, verdict.SignedBy, err)
	}
	damage(t, s, "log_handovers", "delete from log_handovers where revision = (select max(revision) from log_handovers)")
	verdict, err := c.audited(t, kept.Checkpoint)
	if err != nil || !strings.Contains(verdictText(verdict), "no key of the earlier checkpoint vouches for") {
		t.Errorf("without the handover: %v, %v", verdict.Faults, err)
	}
}

// TestServerWithoutKeysDoesNotStart: with an existing database, a server without keys
// does not start and names the command that makes them.
func TestServerWithoutKeysDoesNotStart(t *testing.T) {
	t.Parallel()
	database := storagetest.NewDatabase(t)
	for _, dir := range []string{"", t.TempDir()} {
		server, err := serve.Start(t.Context(), serve.Config{Address: "127.0.0.1:0", Database: database.DSN(storage.RoleServer), KeysDir: dir, Development: true})
		if err == nil {
			server.Stop(t.Context())
			t.Fatal("it starts")
		}
		if !strings.Contains(err.Error(), "alkalog keys") {
			t.Errorf("keys in %q: %v", dir, err)
		}
	}
}
