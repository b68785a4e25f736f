package integration

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/verify"
	"alkalog/service/ledger"
)

// The promise: an auditor with an earlier checkpoint detects every change by somebody
// with all rights in the database. Where an auditor without one cannot, the tests say
// so.

// scene of an attack: a log of ten entries of how the chain began and eight
// refusals, whose checkpoint the auditor has
// kept, and four more since.
type tamperedChain struct {
	*chain
	kept string
}

func newTamperedChain(t *testing.T) tamperedChain {
	t.Helper()
	s := newTestServer(t)
	a := tamperedChain{chain: s.newChain(t, "ebb-and-flow")}
	for range 8 {
		a.decision(t, brokenSkin)
	}
	s.waitLogged(t)
	a.kept = must(t, a.odile, a.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: a.name}).Checkpoint
	for range 4 {
		a.decision(t, brokenSkin)
	}
	s.waitLogged(t)
	return a
}

// verifyCopy is what an auditor finds: what stopped the copy, or what verify says
// of it, or nothing.
func (a tamperedChain) verifyCopy(t *testing.T, against string) string {
	t.Helper()
	report, err := a.audited(t, against)
	if err != nil {
		return "no copy: " + err.Error()
	}
	return verdictText(report)
}

// verdictText is what a report says, in a line.
func verdictText(r verify.Report) string {
	var lines []string
	for _, f := range r.Faults {
		lines = append(lines, f.String())
	}
	return strings.Join(lines, "; ")
}

// rewrite changes what the fourth entry says and makes tiles, root and, with the
// key, the checkpoint again, so that nothing in the database contradicts another.
func (a tamperedChain) rewrite(t *testing.T, keys []ledger.PrivateKey) {
	t.Helper()
	stored := bodies(t, a.sql, "select body from log_entries join audit_entries using (chain, id) order by place")
	forged := &pb.AuditEntry{}
	if err := proto.Unmarshal(stored[3], forged); err != nil {
		t.Fatal(err)
	}
	forged.Summary = "All was well."
	body, err := proto.Marshal(forged)
	if err != nil {
		t.Fatal(err)
	}
	stored[3] = body
	leaves := make([]ledger.Hash, len(stored))
	for i, s := range stored {
		leaves[i] = ledger.LeafHash(s)
	}
	head, tiles, err := ledger.Empty().Append(nil, leaves)
	if err != nil {
		t.Fatal(err)
	}
	damage(t, a.testServer, "audit_entries", fmt.Sprintf(`update audit_entries set body = '\x%x' where id = (select id from log_entries where place = 3)`, body))
	for _, tile := range tiles {
		damage(t, a.testServer, "log_tiles", fmt.Sprintf(`update log_tiles set hashes = '\x%x' where level = %d and index = %d`, tile.Hashes, tile.Level, tile.Index))
	}
	damage(t, a.testServer, "log_heads", fmt.Sprintf(`update log_heads set root = '\x%x'`, head.Root[:]))
	if keys == nil {
		return
	}
	signed, err := ledger.Checkpoint{Origin: keys[0].Name(), Head: head}.Sign(keys)
	if err != nil {
		t.Fatal(err)
	}
	damage(t, a.testServer, "log_heads", fmt.Sprintf(`update log_heads set checkpoint = '\x%x'`, signed))
}

// chainKeys are the keys of the chain's log, as one has them who has stolen the
// key file.
func (s *testServer) chainKeys(t *testing.T, chain string) []ledger.PrivateKey {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(s.keys, "log"))
	if err != nil {
		t.Fatal(err)
	}
	key, err := ledger.ParsePrivateKey(strings.TrimSpace(string(text)))
	if err == nil {
		key, err = key.For(chain)
	}
	if err != nil {
		t.Fatal(err)
	}
	return []ledger.PrivateKey{key}
}

// chainPublic are the public keys of the chain's log.
func (a tamperedChain) chainPublic(t *testing.T) []string {
	return []string{a.chainKeys(t, "ebb-and-flow")[0].Public().String()}
}

// restarted starts the server again, and returns what it says from then on.
func (a tamperedChain) restarted(t *testing.T) *logBuffer {
	t.Helper()
	a.stop()
	says := new(logBuffer)
	a.logger = slog.New(slog.NewTextHandler(says, nil))
	a.start(t)
	return says
}

// logBuffer is what a server says, which can be read while it does.
type logBuffer struct {
	mu   sync.Mutex
	text strings.Builder
}

func (w *logBuffer) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.Write(p)
}

func (w *logBuffer) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.String()
}
