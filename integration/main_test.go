package integration

import (
	"context"
	"os"
	"testing"

	"alkalog/storage/storagetest"
)

// TestMain runs the tests. A copy of this program that a test has started to
// kill it serves instead.
func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		os.Exit(serveAsChild(context.Background(), dir))
	}
	os.Exit(storagetest.Run(m))
}
