package keys

import (
	"os"
	"slices"
	"sync"
	"time"
)

// statInterval is the shortest time between two checks of the files; our own
// choice.
const statInterval = time.Second

// Watch holds a value that is loaded from files and reloads it when they change.
// If the new files cannot be loaded, the previous value remains in use and
// Problem is called once.
//
// It is safe for concurrent use. Problem is called again only after the files have
// changed again. There is no goroutine: the check is part of Get.
type Watch[T any] struct {
	Files []string          // paths; Load reads all of them
	Load  func() (T, error) // reads the files
	// Clock is the clock for statInterval.
	Clock   func() time.Time
	Problem func(error) // receives the error of a failed reload; may be nil

	mu      sync.Mutex
	checked time.Time
	state   []os.FileInfo // of the files when they were last loaded
	value   T
}

// Open loads the files and returns the error if they cannot be loaded.
func (w *Watch[T]) Open() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.checked, w.state = w.Clock(), w.stat()
	var err error
	w.value, err = w.Load()
	return err
}

// Get returns the current value. At most once a second it checks whether the
// files have changed. Open must have succeeded before.
//
// A clock that was set back makes the next call check at once. Load runs while other
// callers of Get wait.
func (w *Watch[T]) Get() T {
	w.mu.Lock()
	defer w.mu.Unlock()
	if passed := w.Clock().Sub(w.checked); passed >= 0 && passed < statInterval {
		return w.value
	}
	w.checked = w.Clock()
	state := w.stat() // before Load: the next check sees a change made meanwhile
	if slices.EqualFunc(state, w.state, sameFile) {
		return w.value
	}
	w.state = state
	value, err := w.Load()
	if err == nil {
		w.value = value
	} else if w.Problem != nil {
		w.Problem(err)
	}
	return w.value
}

// stat returns the state of each file; nil for one that is missing.
func (w *Watch[T]) stat() []os.FileInfo {
	state := make([]os.FileInfo, len(w.Files))
	for i, path := range w.Files {
		if info, err := os.Stat(path); err == nil {
			state[i] = info
		}
	}
	return state
}

// sameFile reports whether a file was neither changed nor replaced. The
// modification time alone does not suffice: two writes can have the same one.
func sameFile(a, b os.FileInfo) bool {
	if a == nil || b == nil {
		return a == nil && b == nil
	}
	return os.SameFile(a, b) && a.ModTime().Equal(b.ModTime()) && a.Size() == b.Size() && a.Mode() == b.Mode()
}
