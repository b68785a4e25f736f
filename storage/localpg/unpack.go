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
	"path"
	"path/filepath"
	"strings"
)

// maxUnpacked bounds what an archive may grow to; ours hold 57 to 133 MB.
const maxUnpacked = 400 << 20

// unpack writes an npm archive into a new directory and makes the links that
// it lists. os.Root keeps every write inside, whatever the names say.
func unpack(archive []byte, dir string) error {
	if err := os.Mkdir(dir, 0o755); err != nil {
		return err
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		return err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	zipped, err := gzip.NewReader(bytes.NewReader(archive))
	if err != nil {
		return fmt.Errorf("unpacking: %w", err)
	}
	if err := untar(tar.NewReader(zipped), root, maxUnpacked); err != nil {
		return fmt.Errorf("unpacking: %w", err)
	}
	if err := makeLinks(root); err != nil {
		return fmt.Errorf("making the links: %w", err)
	}
	return nil
}

// untar writes the plain files of an archive and refuses any other kind.
func untar(in *tar.Reader, root *os.Root, room int64) error {
	for {
		h, err := in.Next()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		_, name, _ := strings.Cut(path.Clean(h.Name), "/") // npm puts all under package/
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
		if err := writeEntry(root, name, h.FileInfo().Mode(), in); err != nil {
			return err
		}
	}
}

// writeEntry writes one file, readable by all and never set-uid.
func writeEntry(root *os.Root, name string, mode fs.FileMode, from io.Reader) error {
	if err := makeOpenIn(root, path.Dir(name)); err != nil {
		return err
	}
	f, err := root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
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

// makeOpenIn is makeOpen inside a root.
func makeOpenIn(root *os.Root, dir string) error {
	if dir == "." {
		return nil
	}
	if _, err := root.Stat(dir); err == nil {
		return nil
	}
	if err := makeOpenIn(root, path.Dir(dir)); err != nil {
		return err
	}
	if err := root.Mkdir(dir, 0o755); err != nil {
		return err
	}
	return root.Chmod(dir, 0o755)
}

// makeLinks makes the symbolic links that npm archives cannot hold.
func makeLinks(root *os.Root) error {
	text, err := root.ReadFile("native/pg-symlinks.json")
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
		to, err := filepath.Rel(path.Dir(l.Target), l.Source)
		if err != nil {
			return err
		}
		if err := makeOpenIn(root, path.Dir(l.Target)); err != nil {
			return err
		}
		if err := root.Symlink(to, l.Target); err != nil {
			return err
		}
	}
	return nil
}
