package main

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/client"
	"alkalog/service/ledger"
)

// as is a context of a call by somebody.
func as(ctx context.Context, identity string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Development "+identity)
}

// recalls puts n entries on the log of chain ebb, by recalling as many lots, and
// returns when the log holds them.
func recalls(t *testing.T, conn *grpc.ClientConn, n int) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	operator := as(ctx, "role=operator name=operators/site")
	_, err := pb.NewDirectoryServiceClient(conn).CreateChain(operator, &pb.CreateChainRequest{ChainId: "ebb",
		Chain: &pb.Chain{DisplayName: "Ebb and Flow Hair"}, RequestId: uuid.NewString()})
	if err != nil {
		t.Fatal(err)
	}
	const many = 4 // at once
	done := make(chan error, many)
	for p := range many {
		manager := as(ctx, fmt.Sprintf("role=manager name=chains/ebb/practitioners/odile-%d", p)) // none is beyond a caller's quota
		go func() {
			done <- recallLots(manager, pb.NewCatalogServiceClient(conn), fmt.Sprintf("base-%d", p), n/many)
		}()
	}
	for range many {
		if err := <-done; err != nil {
			t.Fatal(err)
		}
	}
	wantOnLog(t, conn, int64(n))
}

// recallLots enters a product and recalls lots of it.
func recallLots(ctx context.Context, catalog pb.CatalogServiceClient, product string, n int) error {
	_, err := catalog.CreateProduct(ctx, &pb.CreateProductRequest{Parent: "chains/ebb", ProductId: product, RequestId: uuid.NewString(),
		Product: &pb.Product{DisplayName: "Ebb protective base", Kind: pb.ProductKind_PRODUCT_KIND_PROTECTIVE_BASE}})
	for i := 0; i < n && err == nil; i++ {
		_, err = catalog.RecallLot(ctx, &pb.RecallLotRequest{Name: "chains/ebb/products/" + product, LotCode: fmt.Sprintf("=L-%d", i),
			Reason: "the maker calls it back", RequestId: uuid.NewString()})
	}
	return err
}

// wantOnLog waits until the log holds that many entries. A manager asks: an
// auditor's reads would be entries themselves.
func wantOnLog(t *testing.T, conn *grpc.ClientConn, n int64) {
	t.Helper()
	ctx, cancel := context.WithTimeout(as(t.Context(), "role=manager name=chains/ebb/practitioners/odile"), patience)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		head, err := pb.NewAuditServiceClient(conn).GetCheckpoint(ctx, &pb.GetCheckpointRequest{Name: "chains/ebb"})
		if head.GetTreeSize() >= n {
			return
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatalf("the log holds %d entries and not %d: %v", head.GetTreeSize(), n, err)
		}
	}
}

// strangerKey is the public key of another log.
func strangerKey(t *testing.T) string {
	t.Helper()
	key, err := ledger.NewPrivateKey("stranger/ebb", make([]byte, 32))
	if err != nil {
		t.Fatal(err)
	}
	return key.Public().String()
}

// TestAuditCommands is an auditor's day on the command line: list, count, copy,
// verify, report.
func TestAuditCommands(t *testing.T) {
	t.Parallel()
	p := start(t, "--data-dir", publicDir(t), "--address", "127.0.0.1:0")
	recalls(t, p.healthy(t), 8)
	at, dir := "--address="+p.address, t.TempDir()
	copied := filepath.Join(dir, "copy")
	exits := func(want int, args ...string) (out, problems string) {
		t.Helper()
		code, out, problems := command(t, args...)
		if code != want {
			t.Errorf("%s: exit code %d, want %d\n%s%s", strings.Join(args, " "), code, want, out, problems)
		}
		return out, problems
	}

	out, _ := exits(0, "audit", "list", "ebb", at, "--page-size=3", "--filter", `kind = "LOT_RECALLED"`)
	if lines := strings.Split(strings.TrimSpace(out), "\n"); len(lines) != 8 || !json.Valid([]byte(lines[7])) {
		t.Errorf("8 recalls in pages of 3 are\n%s", out)
	}
	out, _ = exits(0, "audit", "list", "chains/ebb", at, "--limit=5", "--output=csv", "--filter", `kind = "LOT_RECALLED"`)
	table, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if err != nil || len(table) != 6 || table[0][4] != "reason" || table[1][4] != ledger.OpaqueLot {
		t.Errorf("five of them as CSV are %v\n%s", err, out)
	}
	out, _ = exits(0, "audit", "summary", "ebb", at, "--by=kind", "--output=json", "--from=2020-01-01")
	if !json.Valid([]byte(out)) {
		t.Errorf("the counts are\n%s", out)
	}
	exits(0, "audit", "summary", "ebb", at, "--by=practitioner", "--output=table")
	exits(0, "audit", "summary", "ebb", at, "--by=override", "--output=csv")

	out, _ = exits(0, "audit", "export", "ebb", at, "--out", copied, "--also=ndjson")
	if !strings.Contains(out, "HOLDS") || !strings.Contains(out, "lot recalled") {
		t.Errorf("the verdict on the copy is\n%s", out)
	}
	if readable, err := os.ReadFile(copied + ".ndjson"); err != nil || strings.Count(string(readable), "\n") < 8 {
		t.Errorf("beside it lies %v\n%s", err, readable)
	}
	if _, problems := exits(1, "audit", "export", "ebb", at, "--out", copied); !strings.Contains(problems, "not empty") {
		t.Errorf("a second copy into the same directory: %s", problems)
	}
	exits(0, "audit", "export", "ebb", at, "--out", filepath.Join(dir, "second"), "--against", filepath.Join(copied, "checkpoint"))
	exits(0, "audit", "verify", filepath.Join(dir, "second"), "--against", filepath.Join(copied, "checkpoint"))
	exits(0, "audit", "verify", filepath.Join(dir, "second"), "--against", copied)
	exits(3, "audit", "verify", copied, "--against", filepath.Join(dir, "second"))

	out, _ = exits(0, "audit", "list", "ebb", at, "--limit=1")
	var first struct{ Name string }
	if err := json.Unmarshal([]byte(out), &first); err != nil {
		t.Fatal(err)
	}
	kept, keys := filepath.Join(dir, "first.tlog-proof"), filepath.Join(copied, "keys")
	if out, _ = exits(0, "audit", "prove", first.Name, at, "--out", kept); !strings.Contains(out, "PROVED  entry 0 of the ") {
		t.Errorf("the proof says\n%s", out)
	}
	exits(0, "audit", "check-proof", kept, "--keys", keys)
	proof, err := os.ReadFile(kept)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.SplitN(string(proof), "\n", 3)
	bare, entry := filepath.Join(dir, "bare.tlog-proof"), filepath.Join(dir, "entry")
	stored, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(lines[1], "extra "))
	if err = errors.Join(err, os.WriteFile(bare, []byte(lines[0]+"\n"+lines[2]), 0o600), os.WriteFile(entry, stored, 0o600)); err != nil {
		t.Fatal(err)
	}
	exits(0, "audit", "check-proof", bare, "--keys", keys, "--entry", entry)
	exits(3, "audit", "check-proof", bare, "--keys", keys, "--entry", keys)
	if _, problems := exits(1, "audit", "check-proof", bare, "--keys", keys); !strings.Contains(problems, "--entry") {
		t.Errorf("a proof without its entry: %s", problems)
	}
	exits(0, "audit", "verify", copied, "--keys", keys)
	exits(0, "audit", "verify", copied, "--keys", keys, "--live", at)
	other := filepath.Join(dir, "other-keys")
	if err := os.WriteFile(other, []byte(strangerKey(t)+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	exits(3, "audit", "verify", copied, "--keys", other)
	exits(3, "audit", "export", "ebb", at, "--out", filepath.Join(dir, "distrusted"), "--keys", other)
	exits(1, "audit", "verify", copied, "--keys", kept)
	if err := os.WriteFile(kept, bytes.Replace(proof, []byte("index 0"), []byte("index 1"), 1), 0o600); err != nil {
		t.Fatal(err)
	}
	exits(3, "audit", "check-proof", kept, "--keys", keys)
	exits(1, "audit", "check-proof", keys, "--keys", keys)
	exits(2, "audit", "check-proof", kept)
	exits(2, "audit", "prove", "chains/ebb", at, "--out", kept)
	exits(1, "audit", "prove", "chains/ebb/entries/none", at, "--out", kept)

	out, _ = exits(0, "audit", "list", "ebb", at, "--output=table", "--kind=lot_recalled", "--product=base-1", "--actor=odile-1", "--limit=2")
	if lines := strings.Split(strings.TrimSpace(out), "\n"); len(lines) != 3 {
		t.Errorf("two recalls of one product are\n%s", out)
	}
	out, _ = exits(0, "audit", "summary", "ebb", at, "--by=product", "--kind=LOT_RECALLED", "--output=csv")
	if table, err := csv.NewReader(strings.NewReader(out)).ReadAll(); err != nil || len(table) != 5 || table[1][1] != "product" || table[1][3] != "2" || !strings.HasPrefix(table[1][2], "chains/ebb/products/base-") {
		t.Errorf("recalls by product are %v\n%s", err, out)
	}
	for by, want := range map[string]string{"rule": "deciding rule", "any-rule": "any rule"} {
		if out, _ = exits(0, "audit", "summary", "ebb", at, "--by="+by, "--output=table", "--kind=LOT_RECALLED"); !strings.Contains(out, want) {
			t.Errorf("by %s does not say %q:\n%s", by, want, out)
		}
	}
	_, problems := exits(0, "audit", "followed", "ebb", at, "--within=48h", "--same-salon")
	if !strings.Contains(problems, "0 of 0 refusals and referrals were followed") {
		t.Errorf("followed says %s", problems)
	}
	if out, _ = exits(0, "audit", "discomfort", "ebb", at, "--by=salon", "--output=csv"); !strings.Contains(out, "\n,0,0,0,,,\n") {
		t.Errorf("without any discomfort: %q", out)
	}
	_, problems = exits(2, "audit", "list", "ebb", at, "--product=base-9")
	if !strings.Contains(problems, "chains/ebb/products/base-1") {
		t.Errorf("an unknown product: %s", problems)
	}
	exits(2, "audit", "thread", "chains/ebb", at)
	exits(2, "audit", "thread", "chains/ebb/clients/nobody", at)
	exits(2, "audit", "readers", "chains/ebb", at)
	exits(1, "audit", "lot", "ebb", "L-9999", at)
	exits(2, "audit", "followed", "ebb", at, "--within=90m")

	page := filepath.Join(dir, "report.html")
	exits(0, "audit", "report", "ebb", at, "--out", page, "--from=2020-01-01")
	if info, err := os.Stat(page); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the report is %v, %v", info, err)
	}
	if text, _ := os.ReadFile(page); !strings.Contains(string(text), "a lot recalled; its code is in the product") || !strings.Contains(string(text), "it is signed by a key below") {
		t.Errorf("the report says\n%s", text)
	}

	for line, want := range map[string]int{
		"audit": 2, "audit list": 2, "audit list ebb --output=paper": 2, "audit export ebb": 2, "audit summary ebb --by=moon": 2,
		"audit summary ebb --from=today": 2, "audit summary ebb --from=2026-11-03 --to=2026-11-03": 2, "audit report ebb --out=x.html --to=soon": 2,
		"audit list ebb --data-dir=x --address=y:1": 2, "audit list ebb --database=host=/nowhere": 2, "audit list ebb --filter=moon --address=" + p.address: 2,
		"audit list none --address=" + p.address: 1, "audit list ebb --address=nowhere": 1,
	} {
		exits(want, strings.Fields(line)...)
	}
	p.signal(t, syscall.SIGTERM)
	if _, problems := exits(1, "audit", "list", "ebb", at); !strings.Contains(problems, "connection refused") {
		t.Errorf("without a server: %s", problems)
	}
}

// TestVerifyWithoutServer: a copy is verified where there is neither server nor
// network; what was tampered with exits 3 and says which entry. The server that
// it is copied from is the command's own.
func TestVerifyWithoutServer(t *testing.T) {
	t.Parallel()
	data, dir := publicDir(t), t.TempDir()
	p := start(t, "--data-dir", data, "--address", "127.0.0.1:0")
	recalls(t, p.healthy(t), 4)
	p.signal(t, syscall.SIGTERM)
	copied := filepath.Join(dir, "copy")
	if code, out, problems := command(t, "audit", "export", "ebb", "--data-dir", data, "--out", copied); code != 0 {
		t.Fatalf("exit code %d: %s%s", code, out, problems)
	}
	bundles, err := filepath.Glob(filepath.Join(copied, "tile", "entries", "000.p", "*"))
	if err != nil || len(bundles) != 1 {
		t.Fatalf("%v, %v", bundles, err)
	}
	honest, err := os.ReadFile(bundles[0])
	if err != nil {
		t.Fatal(err)
	}
	verdict := func(args ...string) (int, string, string) {
		child := exec.Command(os.Args[0], append([]string{"audit", "verify", copied}, args...)...)
		child.Env = append(os.Environ(), "ALKALOG_TEST_AS_SERVER=1")
		var out, problems bytes.Buffer
		child.Stdout, child.Stderr = &out, &problems
		child.Run() // the exit code tells
		return child.ProcessState.ExitCode(), out.String(), problems.String()
	}
	if code, out, problems := verdict(); code != 0 || !strings.HasPrefix(out, "HOLDS") {
		t.Errorf("the honest copy: exit code %d\n%s%s", code, out, problems)
	}
	tampered := bytes.Replace(honest, []byte("chain created"), []byte("chain creates"), 1)
	if err := os.WriteFile(bundles[0], tampered, 0o600); err != nil {
		t.Fatal(err)
	}
	if code, out, problems := verdict(); code != 3 || !strings.Contains(out, "entry 0, chains/ebb/entries/") || !strings.Contains(problems, "is not valid") {
		t.Errorf("one byte is changed: exit code %d\n%s%s", code, out, problems)
	}
	code, out, _ := verdict("--output=json")
	var told struct {
		Holds  bool
		Faults []struct{ Index int64 }
	}
	if err := json.Unmarshal([]byte(out), &told); err != nil || code != 3 || told.Holds || len(told.Faults) == 0 || told.Faults[0].Index != 0 {
		t.Errorf("as JSON: exit code %d, %v\n%s", code, err, out)
	}
	if code, _, _ := verdict("--against", filepath.Join(dir, "none")); code != 1 {
		t.Errorf("against a file that is not there: exit code %d", code)
	}
	if code, _, _ := verdict("--output=paper"); code != 2 {
		t.Errorf("wrong usage: exit code %d", code)
	}
	if code, _, _ := command(t, "audit", "verify", filepath.Join(dir, "none")); code != 1 {
		t.Errorf("no copy at all: exit code %d", code)
	}
}

// TestReaderGoesAway: listing into a closed pipe is an error, and the
// command ends.
func TestReaderGoesAway(t *testing.T) {
	t.Parallel()
	p := start(t, "--data-dir", publicDir(t), "--address", "127.0.0.1:0")
	recalls(t, p.healthy(t), 4)
	for _, form := range []string{"table", "json", "ndjson", "csv"} {
		reader, writer, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		reader.Close()
		child := exec.Command(os.Args[0], "audit", "list", "ebb", "--address", p.address, "--output", form)
		child.Env = append(os.Environ(), "ALKALOG_TEST_AS_SERVER=1")
		var problems bytes.Buffer
		child.Stdout, child.Stderr = writer, &problems
		child.Run() // the exit code tells
		writer.Close()
		if code := child.ProcessState.ExitCode(); code != 1 || !strings.Contains(problems.String(), "broken pipe") {
			t.Errorf("%s: exit code %d: %s", form, code, &problems)
		}
	}
}

// TestExportGoesOn: a server that is killed in the middle of a copy and started
// again is asked for the rest; every entry comes once, and the copy holds.
func TestExportGoesOn(t *testing.T) {
	t.Parallel()
	data, n := publicDir(t), 1000
	p := start(t, "--data-dir", data, "--address", "127.0.0.1:0")
	conn := p.healthy(t)
	recalls(t, conn, n)
	var streams atomic.Int64
	counted, err := grpc.NewClient(p.address, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithStreamInterceptor(func(ctx context.Context, desc *grpc.StreamDesc, cc *grpc.ClientConn, method string, streamer grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
			streams.Add(1)
			return streamer(ctx, desc, cc, method, opts...)
		}))
	if err != nil {
		t.Fatal(err)
	}
	defer counted.Close()
	ctx, cancel := context.WithTimeout(as(t.Context(), "role=auditor name=chains/ebb/auditors/vesna"), patience)
	defer cancel()
	seen := 0
	log := client.LogCopier{Client: pb.NewAuditServiceClient(counted), Chain: "chains/ebb", Timeout: patience, OnEntry: func(*pb.AuditEntry) error {
		if seen++; seen == 10 {
			p.signal(t, syscall.SIGKILL)
			p = start(t, "--data-dir", data, "--address", p.address)
		}
		return nil
	}}
	verdict, err := log.Copy(ctx, filepath.Join(t.TempDir(), "copy"))
	if err != nil || !verdict.Valid() || verdict.Size != int64(seen) || seen < n {
		t.Errorf("%v: %d entries were seen, the copy has %d: %v", err, seen, verdict.Size, verdict.Faults)
	}
	if streams.Load() < 2 {
		t.Error("the copy came in one stream: it was not cut")
	}
}
