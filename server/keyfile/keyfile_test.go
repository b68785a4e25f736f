package keyfile_test

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"alkalog/server/keyfile"
)

func TestKeyFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "keys", "log")
	if _, err := keyfile.Read(path); !keyfile.Missing(err) {
		t.Errorf("what is not there: %v", err)
	}
	if err := keyfile.Create(path, []byte("# ours\n\none\n two \n")); err != nil {
		t.Fatal(err)
	}
	if err := keyfile.Create(path, []byte("other")); err == nil {
		t.Error("a key file was written over")
	}
	lines, err := keyfile.Lines(path)
	if err != nil || !slices.Equal(lines, []string{"one", "two"}) {
		t.Errorf("read %q, %v", lines, err)
	}
	if err := keyfile.Replace(path, []byte("three")); err != nil {
		t.Fatal(err)
	}
	if content, err := keyfile.Read(path); err != nil || string(content) != "three" {
		t.Errorf("read %q, %v", content, err)
	}
}

func TestExposedKeyFilesAreRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log")
	if err := keyfile.Create(path, []byte("canary")); err != nil {
		t.Fatal(err)
	}
	for _, rights := range []os.FileMode{0o640, 0o604, 0o620, 0o601} {
		if err := os.Chmod(path, rights); err != nil {
			t.Fatal(err)
		}
		content, err := keyfile.Read(path)
		if !errors.Is(err, keyfile.ErrExposed) || content != nil || strings.Contains(err.Error(), "canary") {
			t.Errorf("%v: %q, %v", rights, content, err)
		}
	}
	if _, err := keyfile.Read(filepath.Dir(path)); err == nil {
		t.Error("a directory was read as a key file")
	}
}

func TestLongKeyFilesAreRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log")
	if err := keyfile.Create(path, make([]byte, 64<<10+1)); err != nil {
		t.Fatal(err)
	}
	if _, err := keyfile.Read(path); err == nil {
		t.Error("it was read")
	}
}
