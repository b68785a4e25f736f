//go:build python

package integration

import (
	"testing"

	"alkalog/server/serve"
)

// withPython says that the blocks run that need Python with gRPC and protoc.
// .ci/run installs both; "go test ./..." needs neither.
const withPython = true

// TestReadme runs the README: a server in the background, and a till in Python.
func TestReadme(t *testing.T) {
	t.Parallel()
	r := newRun(t)
	r.env = []string{"ALKALOG_DATA_DIR=" + r.dir + "/data", "ALKALOG_ADDRESS=" + r.own.Replace(serve.DefaultAddress)}
	r.pages(t, withPython, "README.md")
}
