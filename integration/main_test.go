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
	dir, database := os.Getenv(childDir), os.Getenv(childDatabase)
	if dir != "" || database != "" {
		os.Exit(serveAsChild(context.Background(), dir, database))
	}
	os.Exit(storagetest.Run(m))
}
