package keyfile

import (
	"os"
	"slices"
	"sync"
	"time"
)

// lookEvery is how often files are looked at for changes, at most; our own
// choice.
const lookEvery = time.Second

// Watch is what was read from files that may be replaced while the program
// runs. Files that cannot be used leave what was read before them in force, and
// are told of once.
type Watch[T any] struct {
	Files   []string          // paths; all of them make the value
	Load    func() (T, error) // reads them
	Clock   func() time.Time
	Problem func(error) // is told of files that cannot be used; nil: nobody

	mu     sync.Mutex
	looked time.Time
	state  []os.FileInfo // of the files when they were last read
	value  T
}

// Open reads the files, which must be usable.
func (w *Watch[T]) Open() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.looked, w.state = w.Clock(), w.look()
	var err error
	w.value, err = w.Load()
	return err
}

// Get returns what was read last. It looks at the files first, but not more
// often than once a second. Open must have gone well.
func (w *Watch[T]) Get() T {
	w.mu.Lock()
	defer w.mu.Unlock()
	if passed := w.Clock().Sub(w.looked); passed >= 0 && passed < lookEvery {
		return w.value
	}
	w.looked = w.Clock()
	state := w.look() // before reading: what is written meanwhile is seen next time
	if slices.EqualFunc(state, w.state, same) {
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

// look looks at the files; one that is missing is nil.
func (w *Watch[T]) look() []os.FileInfo {
	state := make([]os.FileInfo, len(w.Files))
	for i, path := range w.Files {
		if info, err := os.Stat(path); err == nil {
			state[i] = info
		}
	}
	return state
}

// same reports whether a file was neither changed nor replaced between two
// looks. Its time alone would not tell: two writes can have the same.
func same(a, b os.FileInfo) bool {
	if a == nil || b == nil {
		return a == nil && b == nil
	}
	return os.SameFile(a, b) && a.ModTime().Equal(b.ModTime()) && a.Size() == b.Size() && a.Mode() == b.Mode()
}
