package localpg

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// maxUnpacked bounds the unpacked size in bytes; our archives have 57 to 133 MB. It
// protects the disk from an archive that expands without end.
const maxUnpacked = 400 << 20

// unpack writes an npm archive into a new directory and creates the links that it
// lists. Its checksum was checked before, but it is treated as untrusted all the same.
func unpack(archive []byte, dir string) error {
	zipped, err := gzip.NewReader(bytes.NewReader(archive))
	if err != nil {
		return fmt.Errorf("unpacking: %w", err)
	}
	if err := untar(tar.NewReader(zipped), dir, maxUnpacked); err != nil {
		return fmt.Errorf("unpacking: %w", err)
	}
	if err := makeLinks(dir); err != nil {
		return fmt.Errorf("making the links: %w", err)
	}
	return nil
}

// untar writes the regular files of an archive, none of them outside dir, and refuses
// every other kind of entry. room is how many bytes may be written.
//
// npm puts everything under package/, which is removed. Names are checked with
// filepath.IsLocal before and after that, so that no entry can be written outside of
// dir.
func untar(in *tar.Reader, dir string, room int64) error {
	for {
		h, err := in.Next()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		_, name, _ := strings.Cut(h.Name, "/") // npm puts all under package/
		switch {
		case h.Typeflag == tar.TypeDir:
			continue
		case h.Typeflag != tar.TypeReg:
			return fmt.Errorf("%q is neither a file nor a directory", h.Name)
		case !filepath.IsLocal(h.Name) || !filepath.IsLocal(name):
			return fmt.Errorf("%q leads out of the directory", h.Name)
		}
		if room -= h.Size; room < 0 {
			return errors.New("the archive is too large")
		}
		if err := writeEntry(filepath.Join(dir, name), h.FileInfo().Mode(), in); err != nil {
			return err
		}
	}
}

// writeEntry writes one file, readable by all and never set-uid.
func writeEntry(path string, mode fs.FileMode, from io.Reader) error {
	if err := makeOpen(filepath.Dir(path)); err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	defer f.Close()
	if _, err := io.Copy(f, from); err != nil {
		return err
	}
	if err := f.Chmod(0o644 | mode&0o111); err != nil {
		return err
	}
	return f.Close()
}

// makeLinks creates the symbolic links that npm archives cannot contain. They stay
// within dir and are created after all files, so that no file is written through a
// link.
//
// The list is pg-symlinks.json in the archive, which maps each target, the link, to the
// source that it points to. Links are made relative, so that the tree can be renamed.
func makeLinks(dir string) error {
	text, err := os.ReadFile(filepath.Join(dir, "native", "pg-symlinks.json"))
	if err != nil {
		return err
	}
	var links []struct{ Source, Target string }
	if err := json.Unmarshal(text, &links); err != nil {
		return err
	}
	for _, l := range links {
		if !filepath.IsLocal(l.Source) || !filepath.IsLocal(l.Target) {
			return fmt.Errorf("the link %q to %q leads out of the directory", l.Target, l.Source)
		}
		to, err := filepath.Rel(filepath.Dir(l.Target), l.Source)
		if err != nil {
			return err
		}
		if err := os.Symlink(to, filepath.Join(dir, l.Target)); err != nil {
			return err
		}
	}
	return nil
}
