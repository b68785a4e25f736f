package keys

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// watched is a file that is watched by a clock of the test's own.
type watched struct {
	Watch[string]
	path     string
	now      time.Time
	loads    int
	problems []string
}

func newWatched(t *testing.T, content string) *watched {
	t.Helper()
	w := &watched{path: filepath.Join(t.TempDir(), "file"), now: time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC)}
	w.replace(t, content)
	w.Watch = Watch[string]{Files: []string{w.path}, Clock: func() time.Time { return w.now },
		Problem: func(err error) { w.problems = append(w.problems, err.Error()) },
		Load: func() (string, error) {
			w.loads++
			content, err := ReadTrusted(w.path)
			if strings.HasPrefix(string(content), "bad") {
				err = errors.New("cannot be used: " + string(content))
			}
			return string(content), err
		}}
	return w
}

func (w *watched) replace(t *testing.T, content string) {
	t.Helper()
	if err := ReplaceTrusted(w.path, []byte(content)); err != nil {
		t.Fatal(err)
	}
}

// want checks what is in force a second later.
func (w *watched) want(t *testing.T, what, content string, loads, problems int) {
	t.Helper()
	w.now = w.now.Add(time.Second)
	for range 3 {
		if got := w.Get(); got != content || w.loads != loads || len(w.problems) != problems {
			t.Errorf("%s: %q after %d loads and %d problems, want %q, %d, %d", what, got, w.loads, len(w.problems), content, loads, problems)
		}
	}
}

func TestWatch(t *testing.T) {
	t.Parallel()
	w := newWatched(t, "one")
	if err := w.Open(); err != nil {
		t.Fatal(err)
	}
	w.want(t, "at first", "one", 1, 0)
	w.replace(t, "two")
	if got := w.Get(); got != "one" {
		t.Errorf("looked at twice in a second: %q", got)
	}
	w.want(t, "replaced", "two", 2, 0)
	w.replace(t, "bad")
	w.want(t, "of no use", "two", 3, 1)
	w.want(t, "still of no use", "two", 3, 1)
	w.replace(t, "bad again")
	w.want(t, "of no use otherwise", "two", 4, 2)
	if err := os.Remove(w.path); err != nil {
		t.Fatal(err)
	}
	w.want(t, "gone", "two", 5, 3)
	w.replace(t, "three")
	w.want(t, "back", "three", 6, 3)
	if err := os.Chmod(w.path, 0o666); err != nil {
		t.Fatal(err)
	}
	w.want(t, "anybody's to write", "three", 7, 4)
	w.replace(t, "four")
	w.now = w.now.Add(-time.Hour) // a clock that was set back
	w.want(t, "by a clock that was set back", "four", 8, 4)
}

// TestWatchSeesWhatItsTimeDoesNotTell: two files of one size, written in one
// tick of the file system's clock.
func TestWatchSeesWhatItsTimeDoesNotTell(t *testing.T) {
	t.Parallel()
	w := newWatched(t, "one")
	if err := w.Open(); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(w.path)
	if err != nil {
		t.Fatal(err)
	}
	w.replace(t, "two")
	if err := os.Chtimes(w.path, info.ModTime(), info.ModTime()); err != nil {
		t.Fatal(err)
	}
	w.want(t, "replaced", "two", 2, 0)
}

func TestWatchMustOpen(t *testing.T) {
	t.Parallel()
	w := newWatched(t, "bad")
	if err := w.Open(); err == nil {
		t.Error("a file that is of no use is opened")
	}
}

// TestTrustedFiles: others may read them, but not change them.
func TestTrustedFiles(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "dir", "file")
	if err := CreateTrusted(path, []byte("a\n# b\n\n c \n")); err != nil {
		t.Fatal(err)
	}
	if err := CreateTrusted(path, nil); err == nil {
		t.Error("it is created twice")
	}
	lines, err := TrustedLines(path)
	if err != nil || !slices.Equal(lines, []Line{{1, "a"}, {4, "c"}}) {
		t.Errorf("%v, %v", lines, err)
	}
	if _, err := Read(path); !errors.Is(err, ErrExposed) {
		t.Errorf("it is taken for a secret: %v", err)
	}
	for mode, right := range map[os.FileMode]bool{0o600: true, 0o644: true, 0o444: true, 0o664: false, 0o646: false} {
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		if _, err := ReadTrusted(path); right != (err == nil) || !right && !errors.Is(err, ErrExposed) {
			t.Errorf("%v: %v", mode, err)
		}
	}
}
