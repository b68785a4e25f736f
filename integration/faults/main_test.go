// Package faults breaks servers and databases while clients are at work, and
// checks that nothing that was acknowledged is lost or done twice.
package faults

import (
	"os"
	"testing"
)

// TestMain runs the tests. A copy of this program that a test has started serves
// instead.
func TestMain(m *testing.M) {
	if code, ok := serveChild(); ok {
		os.Exit(code)
	}
	code := m.Run()
	removeTemplate()
	os.Exit(code)
}
