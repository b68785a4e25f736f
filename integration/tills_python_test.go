//go:build python

package integration

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// TestTillInPython plays the visit with the till of proto/examples/python.
func TestTillInPython(t *testing.T) {
	t.Parallel()
	k := newTillSite(t)
	want := k.records(t, k.playHere(t))
	generated := t.TempDir()
	shell(t, "..", `protoc -I proto -I proto/third_party --python_out=$1 --grpc_out=$1 --plugin=protoc-gen-grpc="$(command -v grpc_python_plugin)" \
		$(cd proto && ls alkalog/v1/*.proto) $(cd proto/third_party && ls buf/*/*.proto google/*/*.proto)`, generated)
	uploads := filepath.Join(t.TempDir(), "uploads.db")
	cert, key := k.certificate(t)
	python := func(more ...string) *exec.Cmd {
		command := exec.Command("/usr/bin/python3", append([]string{"../proto/examples/python/till.py", "--address", k.network.address(),
			"--authority", k.ClientCA, "--certificate", cert, "--key", key, "--uploads", uploads}, append(more, visitFile)...)...)
		command.Env = append(os.Environ(), "PYTHONPATH="+generated, "PYTHONDONTWRITEBYTECODE=1")
		return command
	}
	kept := func() string {
		text, err := os.ReadFile(uploads)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	got := k.records(t, k.playThrough(t, launch(t, python()), kept))
	if got != want {
		t.Errorf("the till in Python left other records: %s", firstDifference(want, got))
	}
}

// shell runs a command line in a directory.
func shell(t *testing.T, dir, line string, args ...string) {
	t.Helper()
	command := exec.Command("bash", append([]string{"-e", "-c", line, "bash"}, args...)...)
	command.Dir = dir
	if out, err := command.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", line, err, out)
	}
}
