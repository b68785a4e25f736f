// Package faults shows that nothing is lost, doubled or forked whatever breaks.
//
// Client processes use every service of real server processes and keep a history
// of all their calls (journal_test.go, client_test.go, visit_test.go). Meanwhile a
// test breaks something. In the end everything works again, each call with an
// unknown outcome is repeated, and the checker compares the history with the
// auditor's API, an export of the log and the tables themselves (check_test.go).
//
// The checker itself is tested with servers that have one planted defect each
// (planted_test.go): it must find every one of them.
//
// What is random comes from a seed, which each test prints and which can be given
// back in ALKALOG_FAULT_SEED. A stored history is checked again with
// ALKALOG_FAULT_HISTORY; see DEVELOPERS.md.
package faults

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"testing"

	"alkalog/storage/storagetest"
)

const (
	// seedVariable gives back the seed of an earlier run.
	seedVariable = "ALKALOG_FAULT_SEED"
	// historyVariable is a directory with the history of an earlier run.
	historyVariable = "ALKALOG_FAULT_HISTORY"
	// keepVariable is a directory in which histories are kept after the tests.
	keepVariable = "ALKALOG_FAULT_KEEP"
	// clientVariable is the file with the orders of a client process.
	clientVariable = "ALKALOG_FAULT_CLIENT"
)

// TestMain runs the tests. A copy of this program that a test has started as a
// client process makes calls instead.
func TestMain(m *testing.M) {
	if code, ok := serveChild(); ok {
		os.Exit(code)
	}
	if orders := os.Getenv(clientVariable); orders != "" {
		if err := runClient(orders); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	code := storagetest.Run(m)
	removeTemplate()
	binaries.remove()
	os.Exit(code)
}

// newSeed returns the seed of a test: a random one, or the one that was given. It is
// printed, so that a failure can be repeated.
func newSeed(t testing.TB) uint64 {
	t.Helper()
	seed := rand.Uint64()
	if text := os.Getenv(seedVariable); text != "" {
		given, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			t.Fatalf("%s: %v", seedVariable, err)
		}
		seed = given
	}
	t.Logf("seed %d (again with %s=%d)", seed, seedVariable, seed)
	return seed
}

// programs are the server programs that were built, by build tags.
type programs struct {
	mu    sync.Mutex
	dir   string
	built map[string]string
}

// binaries are those of this test binary.
var binaries programs

// serverBinary builds the server as it is delivered, with build tags if any, once per
// test binary.
func serverBinary(t testing.TB, tags string) string {
	t.Helper()
	binaries.mu.Lock()
	defer binaries.mu.Unlock()
	if path := binaries.built[tags]; path != "" {
		return path
	}
	if binaries.dir == "" {
		dir, err := os.MkdirTemp("", "alkalog-faults-")
		if err != nil {
			t.Fatal(err)
		}
		binaries.dir, binaries.built = dir, map[string]string{}
	}
	path := filepath.Join(binaries.dir, "server-"+tags)
	build := exec.Command("go", "build", "-tags", tags, "-o", path, "alkalog/server")
	if text, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v: %v: %s", build, err, text)
	}
	binaries.built[tags] = path
	return path
}

// remove deletes the programs.
func (p *programs) remove() {
	if p.dir != "" {
		os.RemoveAll(p.dir)
	}
}
