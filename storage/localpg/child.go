package localpg

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"sync"
	"syscall"
	"time"
)

// child is a process that we started.
type child struct {
	process *os.Process
	log     *tail
	done    chan struct{}
	err     error // how it ended; set before done is closed
}

// startChild starts cmd and waits for it in the background. The signal on
// parent death belongs to the thread that forked, so the thread is kept for
// the child's whole life.
func startChild(cmd *exec.Cmd, log io.Writer) (*child, error) {
	c := &child{log: &tail{to: log}, done: make(chan struct{})}
	cmd.Stdout, cmd.Stderr = c.log, c.log
	// Grandchildren hold the log pipe open; the child's own end is what counts.
	cmd.WaitDelay = 200 * time.Millisecond
	started := make(chan error, 1)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		if err := cmd.Wait(); !errors.Is(err, exec.ErrWaitDelay) {
			c.err = err
		}
		close(c.done)
	}()
	if err := <-started; err != nil {
		return nil, err
	}
	c.process = cmd.Process
	return c, nil
}

// finish waits for a short-lived child, and kills its group when ctx ends.
func (c *child) finish(ctx context.Context, what string) error {
	select {
	case <-c.done:
	case <-ctx.Done():
		syscall.Kill(-c.process.Pid, syscall.SIGKILL)
		<-c.done
		return fmt.Errorf("%s: %w", what, context.Cause(ctx))
	}
	if c.err != nil {
		return c.failure(what)
	}
	return nil
}

// failure says how the child ended, with the last it had to say.
func (c *child) failure(what string) error {
	how := "exit status 0"
	if c.err != nil {
		how = c.err.Error()
	}
	return fmt.Errorf("%s ended: %s: %s", what, how, c.log.last())
}

// endPostgres ends a postmaster: fast shutdown, then immediate, then by force.
func endPostgres(p *os.Process, gone <-chan struct{}, waitTimeout time.Duration) {
	for _, sig := range []syscall.Signal{syscall.SIGINT, syscall.SIGQUIT, syscall.SIGKILL} {
		p.Signal(sig)
		select {
		case <-gone:
			return
		case <-time.After(waitTimeout):
		}
	}
}

// tail passes a log on and remembers its end.
type tail struct {
	mu  sync.Mutex
	to  io.Writer
	end []byte
}

// Write never fails: a full disk under the log must not stop the server.
func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.to != nil {
		t.to.Write(p)
	}
	t.end = append(t.end, p...)
	if n := len(t.end) - 2000; n > 0 {
		t.end = t.end[n:]
	}
	return len(p), nil
}

// last returns the end of the log.
func (t *tail) last() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return string(bytes.TrimSpace(t.end))
}
