package keys_test

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"alkalog/server/keys"
)

func TestKeyFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "keys", "log")
	if _, err := keys.Read(path); !keys.Missing(err) {
		t.Errorf("what is not there: %v", err)
	}
	if err := keys.Create(path, []byte("# ours\n\none\n two \n")); err != nil {
		t.Fatal(err)
	}
	if err := keys.Create(path, []byte("other")); err == nil {
		t.Error("a key file was written over")
	}
	lines, err := keys.Lines(path)
	if err != nil || !slices.Equal(lines, []string{"one", "two"}) {
		t.Errorf("read %q, %v", lines, err)
	}
	if err := keys.Replace(path, []byte("three")); err != nil {
		t.Fatal(err)
	}
	if content, err := keys.Read(path); err != nil || string(content) != "three" {
		t.Errorf("read %q, %v", content, err)
	}
}

func TestExposedKeyFilesAreRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log")
	if err := keys.Create(path, []byte("canary")); err != nil {
		t.Fatal(err)
	}
	for _, rights := range []os.FileMode{0o640, 0o604, 0o620, 0o601} {
		if err := os.Chmod(path, rights); err != nil {
			t.Fatal(err)
		}
		content, err := keys.Read(path)
		if !errors.Is(err, keys.ErrExposed) || content != nil || strings.Contains(err.Error(), "canary") {
			t.Errorf("%v: %q, %v", rights, content, err)
		}
	}
	if _, err := keys.Read(filepath.Dir(path)); err == nil {
		t.Error("a directory was read as a key file")
	}
}

func TestLongKeyFilesAreRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log")
	if err := keys.Create(path, make([]byte, 64<<10+1)); err != nil {
		t.Fatal(err)
	}
	if _, err := keys.Read(path); err == nil {
		t.Error("it was read")
	}
}

// Several servers that share a file may replace it at the same time:
// a reader finds the complete content of one of them.
func TestReplacedBySeveral(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, "shared")
	var writers sync.WaitGroup
	for i := range 8 {
		content := strings.Repeat(string(rune('a'+i)), 10_000*(i+1))
		writers.Go(func() {
			for range 20 {
				if err := keys.Replace(path, []byte(content)); err != nil {
					t.Error(err)
				}
				read, err := os.ReadFile(path)
				if err != nil || len(read) == 0 || len(read) != 10_000*(int(read[0]-'a')+1) || strings.Trim(string(read), string(read[:1])) != "" {
					t.Errorf("it is torn: %d bytes, %v", len(read), err)
				}
			}
		})
	}
	writers.Wait()
	if left, err := os.ReadDir(dir); err != nil || len(left) != 1 {
		t.Errorf("beside it lies %v, %v", left, err)
	}
}
