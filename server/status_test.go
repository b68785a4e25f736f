package main

import (
	"context"
	"encoding/json"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"google.golang.org/grpc/metadata"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
)

// TestAcceptRestore puts an older copy of the database back under a server's files.
// status says that it is read-only and why; accept-restore shows what is lost, accepts
// nothing unless it is confirmed with the right identifier, and afterwards the server
// writes again and the loss stays on the log. The copy is one of the files of a stopped
// database, or a base backup of one that a server works on.
func TestAcceptRestore(t *testing.T) {
	t.Parallel()
	for _, way := range []struct {
		name            string
		running, backup func(*testing.T, string)
	}{
		{"files", nil, func(t *testing.T, dir string) {
			mustRun(t, "cp", "-a", filepath.Join(dir, "pgdata"), filepath.Join(dir, "yesterday"))
		}},
		{"base backup", baseBackup, nil},
	} {
		t.Run(way.name, func(t *testing.T) {
			t.Parallel()
			acceptRestore(t, way.running, way.backup)
		})
	}
}

// baseBackup takes a base backup of the private database in a data directory, with all that
// it needs to start, and gives it to the user that the database belongs to.
func baseBackup(t *testing.T, dir string) {
	t.Helper()
	yesterday := filepath.Join(dir, "yesterday")
	mustRun(t, "pg_basebackup", "--host="+filepath.Join(dir, "run"), "--username=postgres", "--pgdata="+yesterday, "--wal-method=stream", "--checkpoint=fast")
	mustRun(t, "chown", "-R", "--reference="+filepath.Join(dir, "pgdata"), yesterday)
}

// mustRun runs a program of the system.
func mustRun(t *testing.T, program string, args ...string) {
	t.Helper()
	if out, err := exec.Command(program, args...).CombinedOutput(); err != nil {
		t.Fatalf("%s %q: %v: %s", program, args, err, out)
	}
}

// acceptRestore is TestAcceptRestore with a copy that is made by running while a server
// works on the database, or by backup when it is stopped. Either leaves it in "yesterday".
func acceptRestore(t *testing.T, running, backup func(*testing.T, string)) {
	dir := publicDir(t)
	createChain := func(id, request string, meanwhile func(*testing.T, string)) {
		t.Helper()
		p := start(t, "serve", "--data-dir", dir, "--address", "127.0.0.1:0")
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		defer cancel()
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Development role=operator name=operators/site")
		if _, err := pb.NewDirectoryServiceClient(p.healthy(t)).CreateChain(ctx, &pb.CreateChainRequest{ChainId: id, Chain: &pb.Chain{DisplayName: id}, RequestId: request}); err != nil {
			t.Fatal(err)
		}
		for seen := false; !seen; { // the server has seen it on the log
			if ctx.Err() != nil {
				t.Fatal("it does not come on the log")
			}
			text, _ := os.ReadFile(filepath.Join(dir, "checkpoints"))
			seen = strings.Contains(string(text), `"`+id+`"`)
		}
		if meanwhile != nil {
			meanwhile(t, dir)
		}
		p.signal(t, syscall.SIGTERM)
	}
	state := func() (s shownStatus) {
		t.Helper()
		code, out, problems := command(t, "status", "--json", "--data-dir", dir)
		if err := json.Unmarshal([]byte(out), &s); err != nil || code != 0 {
			t.Fatalf("status: exit code %d, %v: %s%s", code, err, out, problems)
		}
		return s
	}
	createChain("ebb", "018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d27", running)
	if backup != nil {
		backup(t, dir)
	}
	createChain("flow", "018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d28", nil)
	if s := state(); s.Unreachable != "" || !strings.Contains(s.LeaderName, "127.0.0.1:0, process ") || s.ReadOnly != "" || len(s.Logs) != 2 || !s.CheckpointFile || s.ErasedClients != 0 || s.System == "" || s.Timeline != 1 || s.Schema == 0 || s.MinServerSchema != s.Schema {
		t.Errorf("before: %+v", s)
	}
	if code, out, _ := command(t, "accept-restore", "--data-dir", dir); code != 0 || !strings.Contains(out, "nothing to accept") {
		t.Errorf("nothing was lost: exit code %d, %s", code, out)
	}
	if err := os.RemoveAll(filepath.Join(dir, "pgdata")); err != nil {
		t.Fatal(err)
	}
	mustRun(t, "cp", "-a", filepath.Join(dir, "yesterday"), filepath.Join(dir, "pgdata"))
	lost := state()
	if !strings.Contains(lost.ReadOnly, "flow") {
		t.Errorf("restored: %+v", lost)
	}
	if code, out, problems := command(t, "status", "--data-dir", dir); code != 0 || !strings.Contains(out, "rolled back") && !strings.Contains(out, "is gone") || !strings.Contains(out, "erasure file") {
		t.Errorf("for people: exit code %d, %s%s", code, out, problems)
	}
	accept := []string{"accept-restore", "--data-dir", dir, "--operator=operators/site", "--reason=the disk of the database was replaced"}
	for _, more := range []string{"", "--confirm=" + lost.System + "0", "--confirm=" + lost.System + " --reason=short", "--confirm=" + lost.System + " --operator=somebody"} {
		if code, _, problems := command(t, append(accept, strings.Fields(more)...)...); code == 0 {
			t.Errorf("%q was accepted: %s", more, problems)
		}
	}
	if s := state(); s.ReadOnly != lost.ReadOnly {
		t.Errorf("not confirmed: %+v", s)
	}
	if code, out, problems := command(t, append(accept, "--confirm="+lost.System)...); code != 0 || strings.Count(out, "accepted: ") != 1 || !strings.Contains(out, "chains/flow") {
		t.Fatalf("exit code %d: %s%s", code, out, problems)
	}
	createChain("quay", "018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d29", nil)
	if s := state(); s.ReadOnly != "" {
		t.Errorf("accepted: %+v", s)
	}
	if code, out, problems := command(t, "audit", "verify", "--records", "--data-dir", dir); code != 0 {
		t.Errorf("verify: exit code %d: %s%s", code, out, problems)
	}
}

// TestStatusWithoutDatabase asks for the status of a database that is stopped, and of one
// that is suspended: it accepts connections and says nothing. What the server's files say
// is shown all the same, the cause is named, and the exit code is not 0.
func TestStatusWithoutDatabase(t *testing.T) {
	t.Parallel()
	dir, files := publicDir(t), t.TempDir()
	cluster, err := localpg.Start(t.Context(), localpg.Config{Dir: dir, Unsafe: true})
	if err != nil {
		t.Fatal(err)
	}
	defer cluster.Stop()
	keysDir := filepath.Join(files, "keys")
	if code, _, problems := command(t, "keys", "--dir", keysDir); code != 0 {
		t.Fatal(problems)
	}
	state := filepath.Join(files, "state")
	if err := os.WriteFile(state, []byte("seen before\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	dsn := cluster.DSN("", storage.RoleServer) + " connect_timeout=2"
	status := []string{"status", "--database", dsn, "--keys-dir", keysDir, "--state-file", state}
	check := func(cause string) {
		t.Helper()
		code, out, problems := command(t, status...)
		if code != 1 || !strings.Contains(out, cause) || !strings.Contains(out, "seen before") || !strings.Contains(problems, "could not be read") {
			t.Errorf("exit code %d, want %q and the state file:\n%s%s", code, cause, out, problems)
		}
		for _, text := range []string{"closed network connection", "context deadline", "use of closed"} {
			if strings.Contains(out+problems, text) {
				t.Errorf("it does not name the cause but says %q:\n%s%s", text, out, problems)
			}
		}
		var shown shownStatus
		code, out, _ = command(t, append(status, "--json")...)
		if err := json.Unmarshal([]byte(out), &shown); err != nil || code != 1 || !strings.Contains(shown.Unreachable, cause) || shown.StateFile != "seen before" {
			t.Errorf("as JSON: exit code %d, %v, %+v", code, err, shown)
		}
	}
	postmaster := postmasterOf(t, filepath.Join(dir, "pgdata"))
	if err := syscall.Kill(postmaster, syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	check("did not answer within 2s")
	if err := syscall.Kill(postmaster, syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	if err := cluster.Stop(); err != nil {
		t.Fatal(err)
	}
	check("no such file or directory") // of its socket
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(listener.Addr().String())
	listener.Close()
	status[2] = "host=127.0.0.1 port=" + port + " dbname=alkalog user=alkalog_server"
	check("connection refused")
}

// postmasterOf returns the process ID of the PostgreSQL in a data directory.
func postmasterOf(t *testing.T, dir string) int {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(first)
	if err != nil {
		t.Fatal(err)
	}
	return pid
}
