package keyfile

import (
	"fmt"
	"os"
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
	state  string // of the files when they were last read
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
	if state == w.state {
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

// look describes the files well enough to see that one was changed or replaced.
func (w *Watch[T]) look() string {
	state := ""
	for _, path := range w.Files {
		info, err := os.Stat(path)
		if err != nil {
			state += "missing;"
			continue
		}
		state += fmt.Sprintf("%d %d %v;", info.ModTime().UnixNano(), info.Size(), info.Mode().Perm())
	}
	return state
}
