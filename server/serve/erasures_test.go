package serve

import (
	"os"
	"path/filepath"
	"testing"
)

// TestTheFileOfErasuresIsThereBeforeTheFirst: where it cannot be, the server does
// not start, rather than erase somebody whom a backup would bring back.
func TestTheFileOfErasuresIsThereBeforeTheFirst(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := filepath.Join(dir, "kept", "erased")
	for range 2 {
		if _, err := openErasures(file, nil); err != nil {
			t.Fatal(err)
		}
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file: %v, %v", info, err)
	}
	if _, err := openErasures(filepath.Join(file, "erased"), nil); err == nil {
		t.Error("a file that cannot be made is no problem")
	}
}
