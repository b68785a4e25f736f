package main

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// privateVersion is what a server says of its private database.
var privateVersion = regexp.MustCompile(`a private PostgreSQL \d+`)

// TestPrivateDatabaseMovesToANewCluster follows the recipe of the operations page for a new
// major version of PostgreSQL: dump, a new cluster, restore. A retried request is answered
// again, the log is what it was, and the server writes. With ALKALOG_TEST_NEXT_PGBIN, the
// directory of programs of another major version, the new cluster is of that version;
// otherwise it is of the same.
func TestPrivateDatabaseMovesToANewCluster(t *testing.T) {
	t.Parallel()
	dir, dump := publicDir(t), filepath.Join(t.TempDir(), "private.dump")
	var next []string
	if bin := os.Getenv("ALKALOG_TEST_NEXT_PGBIN"); bin != "" {
		next = []string{"--pg-bin", bin}
	}
	call := func(id, request string, flags ...string) (*pb.CreateChainResponse, string) {
		t.Helper()
		p := start(t, append([]string{"serve", "--data-dir", dir, "--address", "127.0.0.1:0"}, flags...)...)
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		defer cancel()
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Development role=operator name=operators/site")
		answer, err := pb.NewDirectoryServiceClient(p.healthy(t)).CreateChain(ctx, &pb.CreateChainRequest{ChainId: id, Chain: &pb.Chain{DisplayName: id}, RequestId: request})
		if err != nil {
			t.Fatal(err)
		}
		for seen := false; !seen; { // it is on the log
			if ctx.Err() != nil {
				t.Fatal("it does not come on the log")
			}
			text, _ := os.ReadFile(filepath.Join(dir, "checkpoints"))
			seen = strings.Contains(string(text), `"`+id+`"`)
		}
		p.signal(t, syscall.SIGTERM)
		return answer, privateVersion.FindString(p.said)
	}
	do := func(args ...string) string {
		t.Helper()
		code, out, problems := command(t, args...)
		if code != 0 {
			t.Fatalf("%q: exit code %d: %s%s", args, code, out, problems)
		}
		return out
	}
	const request = "018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d27"
	first, before := call("ebb", request)
	do("maintain", "postgres", "--data-dir", dir, "--", "pg_dump", "--format=custom", "--file", dump)
	if err := os.Rename(filepath.Join(dir, "pgdata"), filepath.Join(dir, "pgdata.before")); err != nil {
		t.Fatal(err)
	}
	in := append([]string{"--data-dir", dir}, next...)
	do(append([]string{"migrate"}, in...)...) // makes the cluster and its roles
	run := append(append([]string{"maintain", "postgres"}, in...), "--")
	do(append(run, "psql", "--quiet", "--set=ON_ERROR_STOP=1", "--command=drop schema alkalog cascade")...)
	do(append(run, "pg_restore", "--exit-on-error", "--dbname=postgres", dump)...)
	again, after := call("ebb", request, next...)
	if !proto.Equal(first, again) {
		t.Errorf("a retry is answered %v, at first %v", again, first)
	}
	if len(next) > 0 && before == after {
		t.Errorf("both clusters are %s", before)
	}
	t.Logf("from %s to %s", before, after)
	call("flow", "018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d28", next...)
	if out := do(append([]string{"audit", "verify", "--records"}, in...)...); !strings.Contains(out, "chains/ebb") {
		t.Errorf("verify: %s", out)
	}
	if code, _, problems := command(t, append(run, "false")...); code != 1 || !strings.Contains(problems, "false: exit status 1") {
		t.Errorf("a program that fails: exit code %d: %s", code, problems)
	}
	if code, _, problems := command(t, "maintain", "postgres", "--data-dir", dir); code != 2 {
		t.Errorf("without a program: exit code %d: %s", code, problems)
	}
}
