package integration

import (
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/client"
	"alkalog/server/serve"
	"alkalog/server/verify"
)

// The promise: a server that finds an older database than it has left, as after
// a restored backup, serves reads and changes nothing until an operator accepts
// that, which is on the log; and a checkpoint that somebody has kept shows
// what is gone for ever.

// restoreServer is a server in this process on a directory of its own.
type restoreServer struct {
	dir    string
	server *serve.Server
}

// open starts the server, and returns its people.
func (h *restoreServer) open(t *testing.T, clock *clock) *chain {
	t.Helper()
	server, err := serve.Start(t.Context(), serve.Config{Address: "127.0.0.1:0", DataDir: h.dir, Clock: clock.Now, CoverageInterval: time.Hour, Development: true})
	if err != nil {
		t.Fatal(err)
	}
	h.server = server
	t.Cleanup(h.close)
	return (&testServer{stubs: dial(t, server.Addr()), clock: clock}).describeChain("ebb-and-flow")
}

func (h *restoreServer) close() { h.server.Stop(context.Background()) }

// backup copies the files of the stopped database.
func (h *restoreServer) backup(t *testing.T, to string) {
	t.Helper()
	copyData(t, filepath.Join(h.dir, "pgdata"), filepath.Join(h.dir, to))
}

// restore puts a copy in the place of the stopped database.
func (h *restoreServer) restore(t *testing.T, from string) {
	t.Helper()
	if err := os.RemoveAll(filepath.Join(h.dir, "pgdata")); err != nil {
		t.Fatal(err)
	}
	copyData(t, filepath.Join(h.dir, from), filepath.Join(h.dir, "pgdata"))
}

// copyData copies files with their owners and rights.
func copyData(t *testing.T, from, to string) {
	t.Helper()
	if out, err := exec.Command("cp", "-a", from, to).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
}

// covered waits until the log covers n entries, and returns its checkpoint.
func (c *chain) covered(t testing.TB, n int64) *pb.GetCheckpointResponse {
	t.Helper()
	var got *pb.GetCheckpointResponse
	eventually(t, "the log to cover what was recorded", func() bool {
		var err error
		got, err = c.audit.GetCheckpoint(c.odile.calling(t), &pb.GetCheckpointRequest{Name: c.name})
		return err == nil && got.TreeSize >= n
	})
	return got
}

// audited copies the log as an auditor does, and returns the verdict.
func (c *chain) audited(t testing.TB, against string) (verify.Report, error) {
	t.Helper()
	log := client.LogCopier{Client: auditor{c.audit, c.odile}, Chain: c.name}
	if against != "" {
		log.Against = []byte(against)
	}
	return log.Copy(t.Context(), filepath.Join(t.TempDir(), "copy"))
}

// auditor is the part of the auditor's client that a copy is made with.
type auditor struct {
	pb.AuditServiceClient
	who person
}

func (a auditor) GetCheckpoint(ctx context.Context, req *pb.GetCheckpointRequest, opts ...grpc.CallOption) (*pb.GetCheckpointResponse, error) {
	return a.AuditServiceClient.GetCheckpoint(a.who.identify(ctx), req, opts...)
}

func (a auditor) ExportEntries(ctx context.Context, req *pb.ExportEntriesRequest, opts ...grpc.CallOption) (grpc.ServerStreamingClient[pb.ExportEntriesResponse], error) {
	return a.AuditServiceClient.ExportEntries(a.who.identify(ctx), req, opts...)
}

// lastSeen is the checkpoint that the server has kept of the chain's log.
func (h *restoreServer) lastSeen(t *testing.T, chain string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(h.dir, "checkpoints"))
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Logs map[string]struct{ Checkpoint string }
	}
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	return file.Logs[chain].Checkpoint
}

// TestRestoredBackup restores a real copy of the database of a stopped server.
func TestRestoredBackup(t *testing.T) {
	t.Parallel()
	h := &restoreServer{dir: privateDir(t)}
	at := &clock{now: time.Date(2026, time.November, 3, 12, 0, 0, 0, time.UTC)}
	c := h.open(t, at)
	c.create(t)
	early := &pb.CreateSalonRequest{Parent: c.name, SalonId: "mill-lane", RequestId: newID(),
		Salon: &pb.Salon{DisplayName: "Mill Lane", Jurisdiction: pb.Jurisdiction_JURISDICTION_UK, TimeZone: "Europe/London"}}
	made := must(t, c.odile, c.directory.CreateSalon, early)
	for range 3 {
		c.decision(t, brokenSkin)
	}
	c.covered(t, 11+3) // 11: the chain, its people and its shelf
	h.close()
	h.backup(t, "yesterday")

	c = h.open(t, at)
	c.decision(t, brokenSkin)
	kept := c.covered(t, 11+4)
	h.close()
	h.restore(t, "yesterday")

	c = h.open(t, at)
	wantReadOnly(t, c)
	if again := must(t, c.odile, c.directory.CreateSalon, early); !proto.Equal(again, made) {
		t.Errorf("a retry of before is answered %v, at first %v", again, made)
	}
	if got := c.covered(t, 0); got.TreeSize >= kept.TreeSize {
		t.Errorf("the log has %d entries", got.TreeSize)
	}
	acceptDatabase(t, c, h.lastSeen(t, "ebb-and-flow"))
	c.decision(t, brokenSkin)
	c.covered(t, 11+5)
	wantErased(t, c, kept.Checkpoint)
	h.close()

	c = h.open(t, at)
	c.decision(t, brokenSkin) // what was accepted once stays so
	h.close()
}

// wantReadOnly checks that a server answers who asks, and changes nothing.
func wantReadOnly(t *testing.T, c *chain) {
	t.Helper()
	refusals := c.entries(t, `kind = "REFUSAL"`)
	err := mustFail(t, c.odile, c.directory.CreateSalon, &pb.CreateSalonRequest{Parent: c.name, SalonId: "new-one", RequestId: newID(),
		Salon: &pb.Salon{DisplayName: "New", Jurisdiction: pb.Jurisdiction_JURISDICTION_UK, TimeZone: "Europe/London"}})
	wantError(t, "a change", err, codes.FailedPrecondition, "LOG_MISMATCH")
	if !strings.Contains(err.Error(), "alkalog accept-restore") {
		t.Errorf("it does not say what to do: %v", err)
	}
	consultation := must(t, c.amara, c.consultation.ListConsultations, &pb.ListConsultationsRequest{Parent: refusals[0].Client}).Consultations[0]
	err = mustFail(t, c.amara, c.eligibility.CheckEligibility, c.question(consultation.Name))
	wantError(t, "a decision", err, codes.FailedPrecondition, "LOG_MISMATCH")
	wantEntries(t, "refusals", c.entries(t, `kind = "REFUSAL"`), refusals)
}

// acceptDatabase has an operator accept the database as it is; earlier is the checkpoint
// that it does not follow from.
func acceptDatabase(t *testing.T, c *chain, earlier string) {
	t.Helper()
	req := &pb.AcceptRestoreRequest{Name: c.name, Reason: "the disk of the database was replaced", RequestId: newID()}
	wantError(t, "a manager", mustFail(t, c.odile, c.audit.AcceptRestore, req), codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	first := must(t, c.operator, c.audit.AcceptRestore, req)
	e := first.Entry
	if e.Kind != pb.EntryKind_ENTRY_KIND_RESTORED || e.Summary != req.Reason || e.EarlierCheckpoint != earlier || e.Actor != c.operator.name {
		t.Errorf("the entry says %v", e)
	}
	if again := must(t, c.operator, c.audit.AcceptRestore, req); !proto.Equal(again, first) {
		t.Errorf("the retry is answered %v, at first %v", again, first)
	}
	other := proto.CloneOf(req)
	other.Reason = "another reason, which is no shorter than that"
	wantError(t, "the same id with other content", mustFail(t, c.operator, c.audit.AcceptRestore, other), codes.AlreadyExists, "REQUEST_ID_REUSED")
	other.RequestId = newID()
	wantError(t, "once more", mustFail(t, c.operator, c.audit.AcceptRestore, other), codes.FailedPrecondition, "NOTHING_TO_ACCEPT")
	if found := c.entries(t, `kind = "RESTORED"`); len(found) != 1 || !proto.Equal(found[0], e) {
		t.Errorf("on the log: %v", found)
	}
}

// wantErased checks that the log holds by itself and not against a checkpoint of
// before the restore.
func wantErased(t *testing.T, c *chain, earlier string) {
	t.Helper()
	if verdict, err := c.audited(t, ""); err != nil || !verdict.Valid() {
		t.Errorf("by itself: %v, %v", verdict.Faults, err)
	}
	verdict, err := c.audited(t, earlier)
	if err != nil || verdict.Valid() {
		t.Errorf("against the earlier checkpoint: %v, %v", verdict.Faults, err)
	}
}
