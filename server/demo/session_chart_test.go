package demo

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"alkalog/server/report"
	"alkalog/server/serve"
)

// The picture of the demo's first service, from the database that the demo left
// behind; the ids in its name are left out.
func TestPictureOfTheService(t *testing.T) {
	t.Parallel()
	dir := openDir(t)
	var calls bytes.Buffer
	if err := Run(t.Context(), Options{JSON: true, Out: &calls, Dir: dir, Start: start}); err != nil {
		t.Fatal(err)
	}
	name := regexp.MustCompile(`chains/[^"]*/sessions/[0-9a-f-]+`).FindString(calls.String())
	session, events, err := serve.Session(t.Context(), serve.Config{DataDir: dir}, name)
	if err != nil {
		t.Fatal(err)
	}
	got := strings.ReplaceAll(normalise(string(report.DrawSession(session, events))), "<id>", "id") // the file stays a picture
	golden := filepath.Join("testdata", "session.svg")
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if line, is, was := firstDifference(got, string(want)); line > 0 {
		t.Errorf("line %d of the picture is\n%s\nand was\n%s\n(run with -update when the change is meant)", line, is, was)
	}
}

// openDir is a directory that the user who runs the database can enter.
func openDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "alkalog-demo-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "data")
}
