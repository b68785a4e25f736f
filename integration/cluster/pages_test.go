package cluster

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestTopologiesPage runs the shell blocks of the page as they are printed, one after
// another in one shell, as the user who runs PostgreSQL; a block without a language must
// have been printed. Directory and ports are the test's own.
func TestTopologiesPage(t *testing.T) {
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	dir := sharedDir(t)
	own := strings.NewReplacer("/srv/alkalog", dir, "5433", port(freeAddress(t)), "5434", port(freeAddress(t)), "742$1", "$(port $1)", "127.0.0.1:7421", "127.0.0.1:$(port 1)")
	script := "set -e -o pipefail\nport() { if [ $1 = 1 ]; then echo " + port(freeAddress(t)) + "; else echo " + port(freeAddress(t)) + "; fi; }\n" +
		"stop() { for pid in server?/pid; do kill -9 $(cat $pid); done; for d in one two; do pg_ctl --pgdata $d --mode immediate stop; done; }\ntrap 'code=$?; set +e; cd " + dir + "; stop; exit $code' EXIT\n"
	var shown []string
	for i, part := range strings.Split("\n"+string(text), "\n```") {
		language, body, _ := strings.Cut(part, "\n")
		switch {
		case i%2 == 1 && language == "sh":
			script += body + "\n"
		case i%2 == 1 && language == "":
			shown = append(shown, body)
		}
	}
	programs := filepath.Dir(alkalog(t)) + ":" + buildGrpcurl(t) + ":" + programsOfPostgres(t) + ":"
	output, err := runShell(t, dir, own.Replace(script), "PATH="+programs+os.Getenv("PATH"), "HOME="+dir)
	if err != nil {
		log, _ := os.ReadFile(filepath.Join(dir, "server1.log"))
		t.Fatalf("the page ended with %v:\n%s\nthe server's log:\n%s", err, output, log[max(0, len(log)-3000):])
	}
	for _, body := range shown {
		if !strings.Contains(output, body) {
			t.Errorf("this was not printed:\n%s\nbut\n%s", body, output)
		}
	}
}

// runShell runs a script in a directory as its owner, and ends all that it has started.
func runShell(t *testing.T, dir, script string, env ...string) (string, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*waitTimeout)
	defer cancel()
	shell := exec.CommandContext(ctx, "bash", "-c", script)
	shell.Dir, shell.Env = dir, append(os.Environ(), env...)
	shell.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Credential: ownerOf(t, dir)}
	shell.Cancel = func() error { return syscall.Kill(-shell.Process.Pid, syscall.SIGTERM) }
	shell.WaitDelay = 10 * time.Second
	var output bytes.Buffer
	shell.Stdout, shell.Stderr = &output, &output
	err := shell.Run()
	return output.String(), err
}

// buildGrpcurl builds the tool by which the page calls a server, and returns its directory.
func buildGrpcurl(t *testing.T) string {
	t.Helper()
	dir := sharedDir(t)
	build := exec.Command("go", "build", "-modfile=proto/tools/go.mod", "-o", dir, "github.com/fullstorydev/grpcurl/cmd/grpcurl")
	build.Dir = "../.."
	if text, err := build.CombinedOutput(); err != nil {
		t.Fatalf("building grpcurl: %v: %s", err, text)
	}
	return dir
}
