package localpg

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// minVersion is the first PostgreSQL version that this program works with.
const minVersion = 14

// programs is one installation of PostgreSQL.
type programs struct {
	// dir is its bin directory.
	dir string
	// version is the full version, such as "15.18"; major is its first number.
	version string
	major   int
}

func (p programs) postgres() string { return filepath.Join(p.dir, "postgres") }
func (p programs) initdb() string   { return filepath.Join(p.dir, "initdb") }

// checkVersion returns an error unless the programs can run data of a major version (0:
// no data). PostgreSQL cannot read the data of another major version.
func (p programs) checkVersion(data int) error {
	if p.major < minVersion {
		return fmt.Errorf("PostgreSQL %s in %s is too old: %d or newer is needed", p.version, p.dir, minVersion)
	}
	if data != 0 && data != p.major {
		return fmt.Errorf("the data was made by PostgreSQL %d, and %s is PostgreSQL %s: nothing was touched; install PostgreSQL %d, or dump and restore", data, p.dir, p.version, data)
	}
	return nil
}

// findPrograms chooses the installation. If the operator names a directory, it is that
// one or an error. Otherwise it is the first installed one that suits the data, or else
// a fetched one.
//
// A directory that the operator names is never replaced by another one. Installed
// programs that do not suit are named in the error together with the advice.
func findPrograms(ctx context.Context, cfg Config, who account, h home) (programs, error) {
	data, err := h.major()
	if err != nil {
		return programs{}, err
	}
	if dir := cmp.Or(cfg.BinDir, os.Getenv("ALKALOG_PGBIN")); dir != "" {
		p, err := inspect(ctx, who, dir)
		if err != nil {
			return programs{}, fmt.Errorf("PostgreSQL programs in %s: %w", dir, err)
		}
		return p, p.checkVersion(data)
	}
	p, unsuited := firstSuitable(ctx, who, installed(ctx, "/"), data)
	if unsuited == nil {
		return p, nil
	}
	p, err = fetched(ctx, cfg, who, data)
	if err != nil && unsuited != errNone {
		return programs{}, fmt.Errorf("%w; %w", unsuited, err)
	}
	return p, err
}

// errNone means that no directory has programs that run.
var errNone = errors.New("no PostgreSQL programs")

// firstSuitable returns the first programs that can run the data, or why the first ones
// that run cannot.
func firstSuitable(ctx context.Context, who account, dirs []string, data int) (programs, error) {
	reason := errNone
	for _, dir := range dirs {
		p, err := inspect(ctx, who, dir)
		if err != nil {
			continue
		}
		if err := p.checkVersion(data); err == nil {
			return p, nil
		} else if reason == errNone {
			reason = err
		}
	}
	return programs{}, reason
}

// installed lists the directories where PostgreSQL's programs usually are, best first:
// those of PATH, of pg_config, and of the usual packages, newest version first.
//
// root is "/" except in tests. Within one pattern the version decides; among patterns
// the order above, and PATH before all of them.
func installed(ctx context.Context, root string) []string {
	var dirs []string
	if path, err := exec.LookPath("postgres"); err == nil {
		if real, err := filepath.EvalSymlinks(path); err == nil {
			dirs = append(dirs, filepath.Dir(real))
		}
	}
	if out, err := exec.CommandContext(ctx, "pg_config", "--bindir").Output(); err == nil {
		dirs = append(dirs, strings.TrimSpace(string(out)))
	}
	for _, pattern := range []string{
		"usr/lib/postgresql/*/bin",          // Debian, Ubuntu
		"usr/pgsql-*/bin",                   // Red Hat, Fedora, SUSE
		"usr/libexec/postgresql*",           // Alpine
		"usr/lib/postgresql*/bin",           // Alpine, Arch
		"opt/homebrew/opt/postgresql@*/bin", // Homebrew on Apple silicon
		"usr/local/opt/postgresql@*/bin",    // Homebrew on Intel
	} {
		found, _ := filepath.Glob(filepath.Join(root, pattern))
		slices.SortStableFunc(found, func(a, b string) int { return cmp.Compare(lastNumber(b), lastNumber(a)) })
		dirs = append(dirs, found...)
	}
	return dirs
}

// lastNumber returns the last number in the name of a directory, which is the version.
func lastNumber(dir string) int {
	digits := regexp.MustCompile(`\d+`).FindAllString(dir, -1)
	if len(digits) == 0 {
		return 0
	}
	n, _ := strconv.Atoi(digits[len(digits)-1])
	return n
}

// inspect runs the programs in dir for their version, as the account that will run
// them: what it cannot run is of no use.
func inspect(ctx context.Context, who account, dir string) (programs, error) {
	p := programs{dir: dir}
	if _, err := os.Stat(p.initdb()); err != nil {
		return programs{}, err
	}
	text, err := who.version(ctx, "/", p.postgres())
	if err != nil {
		return programs{}, err
	}
	match := regexp.MustCompile(`\(PostgreSQL\) ((\d+)\S*)`).FindStringSubmatch(text)
	if match == nil {
		return programs{}, errors.New("postgres --version says " + strconv.Quote(text))
	}
	p.version = match[1]
	p.major, err = strconv.Atoi(match[2])
	return p, err
}

// version runs postgres --version as the account, with dir as its working directory. It
// is limited to 10 s.
func (a account) version(ctx context.Context, dir, postgres string) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	c, err := startChild(a.command(dir, syscall.SIGKILL, postgres, "--version"), nil)
	if err != nil {
		return "", err
	}
	err = c.finish(ctx, "postgres --version")
	return c.log.last(), err
}
