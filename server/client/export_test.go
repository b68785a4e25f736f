package client

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/verify"
	"alkalog/service/ledger"
)

// An honest server is in the tests of integration; this one lies, breaks off or
// goes away, as it is told.
type scriptedServer struct {
	pb.UnimplementedAuditServiceServer
	entries [][]byte
	seal    *pb.GetCheckpointResponse
	// sent is told of each answer, and may change it or break the stream off.
	sent func(*pb.ExportEntriesResponse) error
	// asked counts the streams.
	asked int
}

func (s *scriptedServer) GetCheckpoint(context.Context, *pb.GetCheckpointRequest) (*pb.GetCheckpointResponse, error) {
	return s.seal, nil
}

func (s *scriptedServer) ExportEntries(req *pb.ExportEntriesRequest, stream pb.AuditService_ExportEntriesServer) error {
	s.asked++
	first := 0
	fmt.Sscanf(req.ResumeToken, "after %d", &first)
	for i := first; i < len(s.entries); i++ {
		answer := &pb.ExportEntriesResponse{Entry: &pb.AuditEntry{}, Stored: s.entries[i], Index: int64(i), ResumeToken: fmt.Sprintf("after %d", i+1)}
		if err := s.sent(answer); err != nil {
			return err
		}
		if err := stream.Send(answer); err != nil {
			return err
		}
	}
	return nil
}

// newServer is a server with a log of n entries.
func newServer(t *testing.T, n int) *scriptedServer {
	t.Helper()
	s := &scriptedServer{sent: func(*pb.ExportEntriesResponse) error { return nil }}
	leaves := make([]ledger.Hash, n)
	for i := range n {
		stored, err := proto.Marshal(&pb.AuditEntry{Name: fmt.Sprintf("chains/ebb/entries/e%d", i)})
		if err != nil {
			t.Fatal(err)
		}
		s.entries, leaves[i] = append(s.entries, stored), ledger.LeafHash(stored)
	}
	head, _, err := ledger.Empty().Append(nil, leaves)
	if err != nil {
		t.Fatal(err)
	}
	key, err := ledger.NewPrivateKey("example.org/ebb", bytes.Repeat([]byte{1}, 32))
	if err != nil {
		t.Fatal(err)
	}
	signed, err := ledger.Checkpoint{Origin: key.Name(), Head: head}.Sign([]ledger.PrivateKey{key})
	if err != nil {
		t.Fatal(err)
	}
	s.seal = &pb.GetCheckpointResponse{Checkpoint: string(signed), Keys: []string{key.Public().String()}, TreeSize: int64(n)}
	return s
}

// log serves, and returns the log as a client sees it.
func (s *scriptedServer) log(t *testing.T) LogCopier {
	t.Helper()
	g := grpc.NewServer()
	pb.RegisterAuditServiceServer(g, s)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go g.Serve(listener)
	t.Cleanup(g.Stop)
	conn, err := grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return LogCopier{Client: pb.NewAuditServiceClient(conn), Chain: "chains/ebb"}
}

// wantNothing wants an empty directory: a copy that failed leaves nothing.
func wantNothing(t *testing.T, dir string) {
	t.Helper()
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("there are %v left, %v", left, err)
	}
}

func TestCopy(t *testing.T) {
	for _, n := range []int{0, 1, 256, 600} {
		s := newServer(t, n)
		log, told := s.log(t), int64(0)
		log.Progress = func(done, of int64) { told = done*1000 + of }
		dir := filepath.Join(t.TempDir(), "copy")
		verdict, err := log.Copy(t.Context(), dir)
		if err != nil || !verdict.Valid() || verdict.Size != int64(n) || told != int64(n*1000+n) {
			t.Errorf("%d entries: %v, %v, progress %d", n, err, verdict.Faults, told)
		}
		if again, err := verify.Dir(dir, []byte(s.seal.Checkpoint)); err != nil || !again.Valid() {
			t.Errorf("%d entries, in their place: %v, %v", n, err, again.Faults)
		}
		if info, err := os.Stat(dir); err != nil || info.Mode().Perm() != 0o700 {
			t.Errorf("others can read the copy: %v, %v", info.Mode(), err)
		}
	}
}

// TestBrokenStreamGoesOn: a stream that breaks off again and again is resumed,
// and every entry comes once.
func TestBrokenStreamGoesOn(t *testing.T) {
	s := newServer(t, 600)
	breaks := 0
	s.sent = func(a *pb.ExportEntriesResponse) error {
		if a.Index == int64(100+breaks*150) && breaks < 3 {
			breaks++
			return status.Error([]codes.Code{0, codes.Unavailable, codes.Aborted, codes.ResourceExhausted}[breaks], "come back")
		}
		return nil
	}
	log, seen := s.log(t), 0
	log.OnEntry = func(*pb.AuditEntry) error { seen++; return nil }
	verdict, err := log.Copy(t.Context(), filepath.Join(t.TempDir(), "copy"))
	if err != nil || !verdict.Valid() || seen != 600 || s.asked != 4 {
		t.Errorf("%v: %d entries in %d streams: %v", err, seen, s.asked, verdict.Faults)
	}
}

// TestLies: a server that sends something else than it has signed is found out.
func TestLies(t *testing.T) {
	for name, lie := range map[string]func(*scriptedServer, *pb.ExportEntriesResponse){
		"was expected": func(_ *scriptedServer, a *pb.ExportEntriesResponse) { a.Index += a.Index / 7 },
		"sent 10":      func(s *scriptedServer, a *pb.ExportEntriesResponse) { s.entries = s.entries[:10] },
	} {
		s := newServer(t, 20)
		s.sent = func(a *pb.ExportEntriesResponse) error { lie(s, a); return nil }
		dir := t.TempDir()
		if _, err := s.log(t).Copy(t.Context(), filepath.Join(dir, "copy")); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
		wantNothing(t, dir)
	}
	s := newServer(t, 20)
	s.sent = func(a *pb.ExportEntriesResponse) error {
		if a.Index == 7 {
			a.Stored, _ = proto.Marshal(&pb.AuditEntry{Name: "chains/ebb/entries/e7", Summary: "as somebody would have it"})
		}
		return nil
	}
	dir := filepath.Join(t.TempDir(), "copy")
	if verdict, err := s.log(t).Copy(t.Context(), dir); err != nil || verdict.Valid() {
		t.Errorf("an entry that was not signed passes: %v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "checkpoint")); err != nil {
		t.Errorf("the evidence is gone: %v", err)
	}
}

// TestFailedCopyLeavesNothing: neither a server that stays away, nor a reader
// that has enough, leaves half a copy.
func TestFailedCopyLeavesNothing(t *testing.T) {
	s := newServer(t, 20)
	away := status.Error(codes.Unavailable, "away")
	s.sent = func(a *pb.ExportEntriesResponse) error {
		if a.Index == 5 {
			return away
		}
		return nil
	}
	dir := t.TempDir()
	log := s.log(t)
	log.Timeout = time.Millisecond
	if _, err := log.Copy(t.Context(), filepath.Join(dir, "copy")); status.Code(err) != codes.Unavailable {
		t.Errorf("a server that stays away: %v", err)
	}
	enough := errors.New("enough")
	log.OnEntry = func(*pb.AuditEntry) error { return enough }
	if _, err := log.Copy(t.Context(), filepath.Join(dir, "copy")); !errors.Is(err, enough) {
		t.Errorf("a reader that has enough: %v", err)
	}
	stopped, stop := context.WithCancel(t.Context())
	log.OnEntry, log.Timeout = func(*pb.AuditEntry) error { stop(); return nil }, time.Hour
	if _, err := log.Copy(stopped, filepath.Join(dir, "copy")); err == nil {
		t.Error("an interrupted copy was made")
	}
	wantNothing(t, dir)
}

func TestDirectoryInUse(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "theirs"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := newServer(t, 3).log(t).Copy(t.Context(), dir); !errors.Is(err, verify.ErrNotEmpty) {
		t.Errorf("into a directory in use: %v", err)
	}
	if held, err := os.ReadDir(dir); err != nil || len(held) != 1 {
		t.Errorf("it holds %v, %v", held, err)
	}
}
