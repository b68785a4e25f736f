package integration

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"alkalog/server/serve"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// The promise: every shell block of every page of this repository runs as it is
// printed, and prints what the page shows.
//
// The first word after the fence is the language, for the reader; the second
// says how the block is tested:
//
//	sh                 runs, and succeeds
//	sh fails           runs, and fails
//	sh background      runs until the page ends; the next block waits until it listens
//	sh python          as sh, with the build tag python: it needs Python with gRPC
//	sh ci              each of its commands is a line of .ci/run
//	go|python|... F    is written to the file F; blocks with one name follow one another
//	(nothing)          is printed by the block before; a line "..." stands for any lines
//	text, conf         is not run
//
// Pages run one after another in one shell, because the later ones call the
// server that OPERATING.md starts. What a page calls /srv/alkalog, /tmp/till,
// /usr/local/bin and the three addresses is the test's own.

// fileLanguages are the languages of the blocks that are written to files.
var fileLanguages = []string{"go", "python", "json", "yaml", "csv"}

// block is a fenced block of a page.
type block struct {
	page     string
	line     int
	language string
	mark     string // how it is tested, or the file that it is written to
	text     string
}

func (b block) place() string { return fmt.Sprintf("%s:%d", b.page, b.line) }

// fence finds the blocks of a page: what follows the opening fence, and the text.
var fence = regexp.MustCompile("(?ms)^```([^\n]*)\n(.*?)^```$")

// blocksOf returns the blocks of a page.
func blocksOf(t *testing.T, page string) []block {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", page))
	if err != nil {
		t.Fatal(err)
	}
	var blocks []block
	for _, at := range fence.FindAllSubmatchIndex(text, -1) {
		language, mark, _ := strings.Cut(string(text[at[2]:at[3]]), " ")
		blocks = append(blocks, block{page, 1 + bytes.Count(text[:at[0]], []byte("\n")), language, mark, string(text[at[4]:at[5]])})
	}
	return blocks
}

// TestDocuments runs the pages on an installation that OPERATING.md sets up.
func TestDocuments(t *testing.T) {
	t.Parallel()
	newRun(t).pages(t, withPython, "server/OPERATING.md", "proto/INTEGRATING.md", "server/AUDITING.md", "server/SECURITY.md")
}

// TestSchoolPage runs the instructor's page, on a school of its own.
func TestSchoolPage(t *testing.T) {
	t.Parallel()
	newRun(t).pages(t, false, "server/SCHOOL.md")
}

// TestEveryShellBlockIsTested fails on a page that no test runs, and on a block
// with a mark that no test knows.
func TestEveryShellBlockIsTested(t *testing.T) {
	t.Parallel()
	ci, err := os.ReadFile("../.ci/run")
	if err != nil {
		t.Fatal(err)
	}
	run := map[string]bool{"README.md": true, "server/OPERATING.md": true, "proto/INTEGRATING.md": true, "server/AUDITING.md": true, "server/SECURITY.md": true, "server/SCHOOL.md": true,
		"server/TOPOLOGIES.md": true} // the last by integration/cluster
	count := map[string]int{}
	for _, page := range allPages(t) {
		for _, b := range blocksOf(t, page) {
			kind := strings.TrimSpace(b.language + " " + b.mark)
			switch {
			case b.language == "sh" && b.mark == "ci":
				wantInCI(t, b, string(ci))
			case b.language == "sh" && !run[page]:
				t.Errorf("%s: no test runs this page", b.place())
			case b.language == "sh" && strings.Contains("|fails|background|python|", "|"+b.mark+"|") || kind == "sh":
			case slices.Contains(fileLanguages, b.language) && run[page] && b.mark != "":
				kind = b.language
			case kind == "" && run[page]:
				kind = "output"
			case b.mark == "" && strings.Contains("|text|conf|", "|"+b.language+"|"):
			default:
				t.Errorf("%s: %q is not a mark that is tested", b.place(), kind)
			}
			count[kind]++
		}
	}
	t.Logf("blocks by mark: %v", count)
	if count["sh"] < 20 || count["go"] == 0 || count["python"] == 0 {
		t.Errorf("too few blocks were found: %v", count)
	}
	if !strings.Contains(string(ci), "-tags python") {
		t.Error(".ci/run does not run the blocks that need Python")
	}
}

// wantInCI checks that .ci/run has each command of a block as a line.
func wantInCI(t *testing.T, b block, ci string) {
	t.Helper()
	for line := range strings.Lines(b.text) {
		command, _, _ := strings.Cut(line, " #")
		if command = strings.TrimSpace(command); command != "" && !strings.Contains(ci, "\n"+command+"\n") {
			t.Errorf("%s: %q is not a line of .ci/run", b.place(), command)
		}
	}
}

// allPages returns the Markdown files of the repository that people wrote.
func allPages(t *testing.T) []string {
	t.Helper()
	var pages []string
	err := filepath.WalkDir("..", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() && (entry.Name() == ".git" || entry.Name() == "third_party" || entry.Name() == "testdata") {
			return cmp.Or(err, fs.SkipDir)
		}
		if strings.HasSuffix(path, ".md") {
			pages = append(pages, strings.TrimPrefix(path, "../"))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return pages
}

// run is where pages run: directories, addresses and a PostgreSQL of the test's own.
type run struct {
	dir string
	own *strings.Replacer // puts them in the place of what the pages say
	env []string          // further environment of the shell
}

func newRun(t *testing.T) run {
	t.Helper()
	dir := privateDir(t)
	for _, name := range []string{"bin", "srv", "till"} {
		if err := os.MkdirAll(filepath.Join(dir, name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	address := freeAddress(t)
	return run{dir: dir, own: strings.NewReplacer(
		"/srv/alkalog", dir+"/srv", "/tmp/till", dir+"/till", "/usr/local/bin", dir+"/bin",
		serve.DefaultAddress, address, "127.0.0.1:7421", freeAddress(t), "127.0.0.1:9420", freeAddress(t), devTCP(serve.DefaultAddress), devTCP(address))}
}

// pages runs the blocks of pages in one shell.
func (r run) pages(t *testing.T, python bool, pages ...string) {
	t.Helper()
	script := "set -e -o pipefail\nroot=$PWD\ntrap 'trap \"\" TERM; kill 0; wait' EXIT\n"
	var shown []block
	for _, page := range pages {
		script += "cd \"$root\"\n"
		ran := false // the shell block before
		for _, b := range blocksOf(t, page) {
			script += b.script(python)
			if b.language == "" && ran {
				shown = append(shown, b)
			}
			if b.language == "sh" {
				ran = b.script(python) != ""
			}
		}
	}
	output := r.script(t, r.own.Replace(script))
	for _, b := range shown {
		if text := r.own.Replace(b.text); !shows(output, text) {
			t.Errorf("%s: this was not printed:\n%s", b.place(), text)
		}
	}
	if t.Failed() {
		t.Logf("the output was\n%s", output)
	}
}

// script returns what the shell does with a block.
func (b block) script(python bool) string {
	begin := fmt.Sprintf("echo '== %s'\n", b.place())
	switch {
	case b.language == "sh" && (b.mark == "" || b.mark == "python" && python):
		return begin + b.text
	case b.language == "sh" && b.mark == "fails":
		return begin + "if (\n" + b.text + "); then echo 'this was to fail'; exit 1; fi\n"
	case b.language == "sh" && b.mark == "background":
		return begin + "{\n" + b.text + "} &\n" +
			"until (: < " + devTCP(serve.DefaultAddress) + ") 2>/dev/null; do kill -0 $!; sleep 0.1; done\n"
	case slices.Contains(fileLanguages, b.language):
		return "cat >> " + b.mark + " <<'END OF BLOCK'\n" + b.text + "END OF BLOCK\n"
	}
	return ""
}

// script runs a script in the root of the repository, with the test's own
// PostgreSQL, and returns what it printed. It ends all that the script started.
func (r run) script(t *testing.T, script string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	shell := exec.CommandContext(ctx, "bash", "-c", script)
	shell.Dir = ".."
	shell.Env = append(append(os.Environ(), "PATH="+r.dir+"/bin:"+os.Getenv("PATH")), r.env...)
	for name, value := range postgresOf(storagetest.NewUnmigrated(t).DSN(localpg.Superuser)) {
		shell.Env = append(shell.Env, name+"="+value)
	}
	shell.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	shell.Cancel = func() error { return syscall.Kill(-shell.Process.Pid, syscall.SIGTERM) }
	shell.WaitDelay = 20 * time.Second
	var output bytes.Buffer
	shell.Stdout, shell.Stderr = &output, &output
	if err := shell.Run(); err != nil {
		logged, _ := os.ReadFile(r.dir + "/srv/server.log")
		t.Fatalf("the pages ended with %v:\n%s\nthe server's log:\n%s", err, &output, logged)
	}
	return output.String()
}

// postgresOf turns a connection string into libpq's environment variables.
func postgresOf(dsn string) map[string]string {
	setting := func(key string) string {
		return regexp.MustCompile(`\b` + key + `='?([^' ]*)`).FindStringSubmatch(dsn)[1]
	}
	return map[string]string{"PGHOST": setting("host"), "PGPORT": setting("port"), "PGUSER": setting("user"), "PGSSLMODE": "disable"}
}

// shows reports whether text is in output; a line "..." stands for any lines.
func shows(output, text string) bool {
	for _, part := range strings.Split("\n"+text, "\n...\n") {
		_, after, found := strings.Cut(output, strings.TrimPrefix(part, "\n"))
		if !found {
			return false
		}
		output = after
	}
	return true
}

// devTCP is the file by which bash connects to an address.
func devTCP(address string) string { return "/dev/tcp/" + strings.Replace(address, ":", "/", 1) }

// freeAddress is a loopback address that nobody listens on.
func freeAddress(t *testing.T) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	return listener.Addr().String()
}

// privateDir is a directory for a private cluster, which the user who runs the
// database must be able to enter.
func privateDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "alkalog-pages-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir + "/data"
}
