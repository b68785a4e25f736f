package integration

import (
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"alkalog/server/serve"
)

// fence finds the code blocks of a page: what is behind the marks, and inside.
var fence = regexp.MustCompile("(?ms)^```([^\n]*)\n(.*?)^```$")

// TestReadme runs every example of the README's tour as printed, in one shell
// in the order of the page, and looks for the output that the page shows.
func TestReadme(t *testing.T) {
	t.Parallel()
	page, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	server, err := serve.Start(t.Context(), serve.Config{Address: "127.0.0.1:0", DataDir: privateDir(t), Development: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Stop(t.Context()) })
	script, shown := tour(string(page))
	if len(shown) < 3 || strings.Count(script, "Service/") < 9 {
		t.Fatalf("the tour is shorter than it was: %d shown outputs in\n%s", len(shown), script)
	}
	shell := exec.Command("bash", "-c", strings.ReplaceAll(script, serve.DefaultAddress, server.Addr()))
	shell.Dir = ".."
	said, err := shell.CombinedOutput()
	if err != nil {
		t.Fatalf("the tour ended with %v:\n%s", err, said)
	}
	for _, lines := range shown {
		if !strings.Contains(string(said), lines) {
			t.Errorf("the README shows\n%s\nbut the tour said\n%s", lines, said)
		}
	}
}

// tour is the script of the page, in which every example must succeed unless
// marked as one that fails, and the outputs that the page shows.
func tour(page string) (script string, shown []string) {
	script = "set -e -o pipefail\n"
	for _, block := range fence.FindAllStringSubmatch(page, -1) {
		switch block[1] {
		case "sh tour":
			script += block[2]
		case "sh tour fails":
			script += "if {\n" + block[2] + "} then echo 'this was to fail'; exit 1; fi\n"
		case "":
			shown = append(shown, block[2])
		}
	}
	return script, shown
}

// privateDir is a directory for a private cluster, which the user who runs the
// database must be able to enter.
func privateDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "alkalog-readme-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir + "/data"
}
