// Package keys makes, stores, reads and rotates every key of an installation.
//
// An installation is a directory (type Installation). It holds the certificate
// authority, the server's certificate, the token signing keys, the audit log
// keys, the keys that wrap the keys of clients, and the revocation list.
//
// Three rules hold for all of these files:
//
//   - A secret has a file of its own with no permissions for group and others.
//     Read refuses any other file, because its secret may have leaked. Files
//     that only decide who is trusted may be readable by everyone (ReadTrusted).
//   - A key is never overwritten. Make creates what is missing, Rotate adds a
//     new key in front of the old ones, and Drop removes the old ones when
//     nothing depends on them.
//   - A file is replaced atomically and synced before the call returns, so a
//     reader sees the old or the new content. Watch makes a running server
//     notice the replacement without a restart.
//
// The package knows nothing of callers and roles: package identity decides who
// a certificate or a token names.
package keys

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// maxSecretBytes and maxTrustedBytes limit the size of files in bytes, so that a wrong
// path does not fill the memory. Our own choice.
const (
	maxSecretBytes  = 64 << 10
	maxTrustedBytes = 1 << 20
)

// ErrExposed means that the file permissions let others read or change a file.
var ErrExposed = errors.New("keys: file permissions are too open")

// Read reads a secret. The file must be a regular file of at most 64 KiB without
// permissions for group and others. Errors never contain the content.
func Read(path string) ([]byte, error) { return read(path, 0o077, "600", maxSecretBytes) }

// ReadTrusted reads a file that holds no secret but decides who is trusted, such
// as a certificate or a list of public keys. Others may read it but not write
// it, and it may have 1 MiB.
func ReadTrusted(path string) ([]byte, error) { return read(path, 0o022, "644", maxTrustedBytes) }

// read reads a file that has none of the forbidden permission bits.
//
// The file is opened first and then examined, so that it cannot be exchanged between
// the two. The permissions of the directories above it are not examined.
func read(path string, forbidden fs.FileMode, want string, maxBytes int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, fmt.Errorf("keys: %w", err)
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("keys: %s is not a regular file", path)
	case info.Mode().Perm()&forbidden != 0:
		return nil, fmt.Errorf("%w: %s has %v; run chmod %s", ErrExposed, path, info.Mode().Perm(), want)
	case info.Size() > maxBytes:
		return nil, fmt.Errorf("keys: %s has %d bytes, want at most %d", path, info.Size(), maxBytes)
	}
	content, err := io.ReadAll(io.LimitReader(f, maxBytes))
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	return content, nil
}

// Lines reads a secret file with one item per line. It omits blank lines and
// lines that begin with #.
//
// Errors do not quote a line.
func Lines(path string) ([]string, error) {
	content, err := Read(path)
	if err != nil {
		return nil, err
	}
	var items []string
	for _, line := range splitLines(content) {
		items = append(items, line.Text)
	}
	return items, nil
}

// Line is a line of a file, with its number for error messages.
type Line struct {
	Number int // the first line is 1
	Text   string
}

// TrustedLines is Lines with line numbers, for a file that ReadTrusted reads.
func TrustedLines(path string) ([]Line, error) {
	content, err := ReadTrusted(path)
	if err != nil {
		return nil, err
	}
	return splitLines(content), nil
}

// splitLines returns the lines that are neither blank nor a comment, trimmed.
func splitLines(content []byte) []Line {
	var lines []Line
	number := 0
	for text := range strings.Lines(string(content)) {
		number++
		if text = strings.TrimSpace(text); text != "" && !strings.HasPrefix(text, "#") {
			lines = append(lines, Line{number, text})
		}
	}
	return lines
}

// Create writes a secret to a file that must not exist yet, and creates its
// directory if necessary. When it returns nil, the file is durable.
//
// If the program crashes before it returns, the file can exist with a part of its
// content; no later call replaces it.
func Create(path string, content []byte) error { return create(path, content, 0o600) }

// CreateTrusted is Create for a file that others may read.
func CreateTrusted(path string, content []byte) error { return create(path, content, 0o644) }

// create writes a new file with the given permissions. The file is closed to others
// until its content is complete.
func create(path string, content []byte, mode fs.FileMode) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	if err := writeAndClose(f, content, mode); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// Replace writes a secret and atomically replaces the file at path, if there is
// one. A concurrent reader sees the old or the new content, never a mixture.
//
// If the program crashes before it returns, the old file is still there, and a
// temporary file can be left beside it.
func Replace(path string, content []byte) error { return replace(path, content, 0o600) }

// ReplaceTrusted is Replace for a file that others may read.
func ReplaceTrusted(path string, content []byte) error { return replace(path, content, 0o644) }

// replace writes to a temporary file with a unique name, because several
// processes may replace the same file.
func replace(path string, content []byte, mode fs.FileMode) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".new-")
	if err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	defer os.Remove(f.Name()) // fails harmlessly after the rename
	if err := writeAndClose(f, content, mode); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	return syncDir(filepath.Dir(path))
}

// Missing reports whether an error of Read means that the file does not exist.
func Missing(err error) bool { return errors.Is(err, fs.ErrNotExist) }

// writeAndClose writes, syncs and closes a file.
func writeAndClose(f *os.File, content []byte, mode fs.FileMode) error {
	_, err := f.Write(content)
	if err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	return nil
}

// syncDir makes a created or renamed directory entry durable.
//
// Without it, a crash of the machine can undo the creation or the renaming although the
// content is on disk.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	if err = errors.Join(d.Sync(), d.Close()); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	return nil
}
