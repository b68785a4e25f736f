// Package keyfile reads and writes the files that secrets lie in. A secret has a
// file of its own that nobody but the server's user can read; one that others
// can read is refused, because what it guards is no longer sure.
package keyfile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// The longest files, in bytes: of keys, and of lists of whom to trust or not.
const (
	maxSize    = 64 << 10
	maxTrusted = 1 << 20
)

// ErrExposed says that others than the owner of a key file can read or change it.
var ErrExposed = errors.New("keyfile: others can read or change it")

// Read reads a key file. It must be a plain file of at most 64 KiB with no
// rights for group and others. Its contents are never part of an error.
func Read(path string) ([]byte, error) { return read(path, 0o077, "600", maxSize) }

// ReadTrusted reads a file that holds no secret but decides who is trusted, such
// as a certificate or a list of public keys: as Read, but others may read it,
// and it can have 1 MiB.
func ReadTrusted(path string) ([]byte, error) { return read(path, 0o022, "644", maxTrusted) }

// read reads a file that others have none of the given rights to.
func read(path string, withheld fs.FileMode, right string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("keyfile: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, fmt.Errorf("keyfile: %w", err)
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("keyfile: %s is not a plain file", path)
	case info.Mode().Perm()&withheld != 0:
		return nil, fmt.Errorf("%w: %s has the rights %v; take them away with chmod %s", ErrExposed, path, info.Mode().Perm(), right)
	case info.Size() > most:
		return nil, fmt.Errorf("keyfile: %s has %d bytes and can have %d at most", path, info.Size(), most)
	}
	content, err := io.ReadAll(io.LimitReader(f, most))
	if err != nil {
		return nil, fmt.Errorf("keyfile: %w", err)
	}
	return content, nil
}

// Lines reads a key file that holds one thing a line; blank lines and lines
// that begin with # are left out.
func Lines(path string) ([]string, error) {
	content, err := Read(path)
	if err != nil {
		return nil, err
	}
	return split(content), nil
}

// TrustedLines is Lines for a file that ReadTrusted reads.
func TrustedLines(path string) ([]string, error) {
	content, err := ReadTrusted(path)
	if err != nil {
		return nil, err
	}
	return split(content), nil
}

// split returns the lines of a text that mean something.
func split(content []byte) []string {
	var lines []string
	for line := range strings.Lines(string(content)) {
		line = strings.TrimSpace(line)
		if line != "" && !strings.HasPrefix(line, "#") {
			lines = append(lines, line)
		}
	}
	return lines
}

// Create writes a key file that must not exist yet, and its directory if need
// be. When it returns nil the file is on the disk.
func Create(path string, content []byte) error { return create(path, content, 0o600) }

// CreateTrusted is Create for a file that others may read.
func CreateTrusted(path string, content []byte) error { return create(path, content, 0o644) }

func create(path string, content []byte, rights fs.FileMode) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fmt.Errorf("keyfile: %w", err)
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("keyfile: %w", err)
	}
	if err := fill(f, content, rights); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// Replace writes a key file in place of the one that may be there: a reader
// finds the old or the new one, and never a part.
func Replace(path string, content []byte) error { return replace(path, content, 0o600) }

// ReplaceTrusted is Replace for a file that others may read.
func ReplaceTrusted(path string, content []byte) error { return replace(path, content, 0o644) }

// replace writes beside the file, under a name of this call's own: several may
// be at it.
func replace(path string, content []byte, rights fs.FileMode) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".new-")
	if err != nil {
		return fmt.Errorf("keyfile: %w", err)
	}
	defer os.Remove(f.Name()) // gone already when all went well
	if err := fill(f, content, rights); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return fmt.Errorf("keyfile: %w", err)
	}
	return syncDir(filepath.Dir(path))
}

// Missing reports whether an error of Read says that there is no such file.
func Missing(err error) bool { return errors.Is(err, fs.ErrNotExist) }

// fill writes a file with the given rights, down to the disk, and closes it.
func fill(f *os.File, content []byte, rights fs.FileMode) error {
	_, err := f.Write(content)
	if err = errors.Join(err, f.Chmod(rights), f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("keyfile: %w", err)
	}
	return nil
}

// syncDir makes the names in a directory durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("keyfile: %w", err)
	}
	if err = errors.Join(d.Sync(), d.Close()); err != nil {
		return fmt.Errorf("keyfile: %w", err)
	}
	return nil
}
