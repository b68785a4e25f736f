package serve

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/consultation"
	"alkalog/service/fault"
)

// smallDisk mounts a file system of 64 kB in memory.
func smallDisk(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=64k,mode=0755"); err != nil {
		t.Skipf("only root can mount a small disk: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
	return dir
}

// fillUp writes a file until the disk is full.
func fillUp(t *testing.T, file string) {
	t.Helper()
	f, err := os.Create(file)
	for err == nil {
		_, err = f.Write(make([]byte, 4096))
	}
	f.Close()
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatal(err)
	}
}

// newClient creates a client of the chain ebb.
func newClient(t *testing.T, conn *grpc.ClientConn) string {
	t.Helper()
	made, err := pb.NewConsultationServiceClient(conn).CreateClient(manager(t, "ebb"), &pb.CreateClientRequest{
		Parent: "chains/ebb", Client: &pb.Client{DisplayName: "Invented Person"}, RequestId: uuid.NewString()})
	return found(t, made, err).Client.Name
}

// TestErasingOnAFullDisk: with the disk of the erasure file full, nothing is erased and
// the caller learns it; everything else works, also after a restart. When there is
// room again, the same request erases the client, and the file says so.
func TestErasingOnAFullDisk(t *testing.T) {
	t.Parallel()
	disk := smallDisk(t)
	s := newPrivateServer(t)
	s.server.Stop(t.Context())
	s.erasures = filepath.Join(disk, "erased")
	s.start(t)
	makeChains(t, s.conn)
	client, filler := newClient(t, s.conn), filepath.Join(disk, "filler")
	fillUp(t, filler)
	req := &pb.EraseClientRequest{Name: client, RequestId: uuid.NewString()}
	refused := func(when string) {
		t.Helper()
		clients := pb.NewConsultationServiceClient(s.conn)
		_, err := clients.EraseClient(manager(t, "ebb"), req)
		wantError(t, err, codes.Unavailable, "ERASURE_FILE_UNAVAILABLE", "nothing was erased")
		if _, err := clients.GetClient(manager(t, "ebb"), &pb.GetClientRequest{Name: client}); err != nil {
			t.Errorf("%s the client is gone: %v", when, err)
		}
		newClient(t, s.conn)
		until(t, "the metric says so", func() bool { return s.metric(t, "alkalog_erasure_file_unwritable") == "1" })
	}
	refused("while the server runs,")
	s.server.Stop(t.Context())
	if err := os.Remove(s.erasures); err != nil { // so that it cannot even be created
		t.Fatal(err)
	}
	fillUp(t, filler+"2")
	s.start(t)
	refused("after a restart,")
	if err := errors.Join(os.Remove(filler), os.Remove(filler+"2")); err != nil {
		t.Fatal(err)
	}
	clients := pb.NewConsultationServiceClient(s.conn)
	for range 2 {
		if _, err := clients.EraseClient(manager(t, "ebb"), req); err != nil {
			t.Errorf("with room again: %v", err)
		}
	}
	_, err := clients.GetClient(manager(t, "ebb"), &pb.GetClientRequest{Name: client})
	wantError(t, err, codes.NotFound, "NOT_FOUND")
	if text, err := os.ReadFile(s.erasures); err != nil || !strings.Contains(string(text), "\n"+client+"\n") {
		t.Errorf("the file says %q, %v", text, err)
	}
	until(t, "the metric says so", func() bool { return s.metric(t, "alkalog_erasure_file_unwritable") == "0" })
}

// unwritten is a list whose notes fail after the client was erased.
type unwritten struct{ fails bool }

func (u *unwritten) Reserve() (consultation.Reservation, error) { return u, nil }
func (u *unwritten) Release()                                   {}
func (u *unwritten) Note(string) error {
	if u.fails {
		return syscall.EIO
	}
	return nil
}

// TestAnErasureThatWasNotNotedIsUnknown: the client is erased, and the caller is told
// that it is not known, until the note is there.
func TestAnErasureThatWasNotNotedIsUnknown(t *testing.T) {
	t.Parallel()
	s := newPrivateServer(t)
	makeChains(t, s.conn)
	req := &pb.EraseClientRequest{Name: newClient(t, s.conn), RequestId: uuid.NewString()}
	list := &unwritten{fails: true}
	service := consultation.Service{DB: s.server.database.db, Now: s.server.cfg.reference.Now, Rules: s.server.cfg.Compiled.engine, Erasures: list}
	ctx := actor.NewContext(t.Context(), actor.Actor{Role: pb.Role_ROLE_MANAGER, Name: "chains/ebb/managers/odile", Chain: "chains/ebb"})
	_, err := service.EraseClient(ctx, req)
	err, _ = fault.Known(err)
	wantError(t, err, codes.Unavailable, "OUTCOME_UNKNOWN", "retry with the same request_id")
	list.fails = false
	if _, err := service.EraseClient(ctx, req); err != nil {
		t.Errorf("repeated: %v", err)
	}
}

// TestReservedLinesAreUsedAgain: a refused erasure leaves its room to the next, and
// neither room nor an incomplete line is taken for a client.
func TestReservedLinesAreUsedAgain(t *testing.T) {
	t.Parallel()
	s := newPrivateServer(t)
	db, file := s.server.database.db, filepath.Join(t.TempDir(), "erased")
	list, err := openErasures(file, db)
	if err != nil {
		t.Fatal(err)
	}
	names := []string{"chains/ebb/clients/one", "chains/ebb/clients/two", "chains/flow/clients/three"}
	for _, name := range names {
		for _, noted := range []bool{false, true} {
			room, err := list.Reserve()
			if err == nil && noted {
				err = room.Note(name)
			}
			if err != nil {
				t.Fatal(err)
			}
			room.Release()
		}
	}
	if _, err := list.Reserve(); err != nil { // as a server that is killed leaves it
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil || strings.Count(string(text), strings.Repeat("#", reservedLine)) != 1 || len(text) != 4*(reservedLine+2) {
		t.Errorf("the file says %q, %v", text, err)
	}
	again, err := openErasures(file, db)
	if err != nil || len(again.known) != len(names) {
		t.Errorf("read again: %v, %v", again.known, err)
	}
}
