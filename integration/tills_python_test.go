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
	generated := t.TempDir()
	shell(t, "..", `protoc -I proto -I proto/third_party --python_out=$1 --grpc_out=$1 --plugin=protoc-gen-grpc="$(command -v grpc_python_plugin)" \
		$(cd proto && ls alkalog/v1/*.proto) $(cd proto/third_party && ls buf/*/*.proto google/*/*.proto)`, generated)
	k.playTill(t, func(flags ...string) *exec.Cmd {
		command := exec.Command("/usr/bin/python3", append([]string{"../proto/examples/python/till.py"}, flags...)...)
		command.Env = append(os.Environ(), "PYTHONPATH="+generated, "PYTHONDONTWRITEBYTECODE=1")
		return command
	})
}

// TestTillInTypeScript plays the visit with the till of proto/examples/typescript, over
// the web door.
func TestTillInTypeScript(t *testing.T) {
	t.Parallel()
	k := newTillSite(t)
	k.network.lead(k.secure.WebAddr())
	// Built in a directory of its own, because npm writes beside the source.
	built := t.TempDir()
	shell(t, "..", `cp -r proto "$1" && cd "$1/proto/examples/typescript" && npm ci --no-audit --no-fund && npm run build`, built)
	k.playTill(t, func(flags ...string) *exec.Cmd {
		return exec.Command("node", append([]string{filepath.Join(built, "proto/examples/typescript/built/till.js")}, flags...)...)
	})
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

// TestTillInCurl plays the visit with proto/examples/curl, over the web door, and compares
// the records with those of a visit that nobody plays by a till.
func TestTillInCurl(t *testing.T) {
	t.Parallel()
	k := newTillSite(t)
	want := k.records(t, k.playHere(t))
	cert, key := k.certificate(t)
	command := exec.Command("../proto/examples/curl/visit.sh", visitFile)
	command.Env = append(os.Environ(), "ADDRESS="+k.secure.WebAddr(), "AUTHORITY="+k.ClientCA, "CERTIFICATE="+cert, "KEY="+key)
	p := launch(t, command)
	p.ends()
	p.shows("outcome: It burned", 1)
	if got := k.records(t, p.session()); got != want {
		t.Errorf("curl left other records: %s", firstDifference(want, got))
	}
}
