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

// child is a process that we started and that a goroutine waits for.
//
// Its output goes to log. The fields process and log may be used from any goroutine;
// err only after done is closed.
type child struct {
	// process is valid as soon as startChild has returned.
	process *os.Process
	log     *tail
	done    chan struct{}
	// err is how it ended; set before done is closed.
	err error
}

// startChild starts cmd and waits for it in the background. The signal for the parent's
// death is bound to the thread that forked (prctl(2), PR_SET_PDEATHSIG), so that thread
// is kept for the child's whole life.
//
// The goroutine locks itself to its thread, because the Go runtime otherwise moves it,
// and may end the thread, which the kernel would take for the death of the parent.
func startChild(cmd *exec.Cmd, log io.Writer) (*child, error) {
	c := &child{log: &tail{to: log}, done: make(chan struct{})}
	cmd.Stdout, cmd.Stderr = c.log, c.log
	// Wait would otherwise last until grandchildren close the log pipe; only the end of the
	// child itself matters.
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

// finish waits for a child that runs for a short time. When ctx ends first, it kills
// the child's process group.
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

// failure returns an error that says how the child ended and what it logged last. An
// exit status of 0 is a failure too if nobody asked the child to end.
func (c *child) failure(what string) error {
	how := "exit status 0"
	if c.err != nil {
		how = c.err.Error()
	}
	return fmt.Errorf("%s ended: %s: %s", what, how, c.log.last())
}

// endPostgres ends a postmaster with the signals of its three shutdown modes
// (PostgreSQL documentation, "Shutting Down the Server"): SIGINT, fast; SIGQUIT,
// immediate, without a checkpoint; then SIGKILL. It waits up to waitTimeout after each.
//
// It returns when gone is closed or all three signals were sent. The caller decides
// what a process that survives SIGKILL means.
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

// tail passes a log on and keeps its last 2,000 bytes for error messages.
type tail struct {
	mu  sync.Mutex
	to  io.Writer
	end []byte
}

// Write never fails, because a full disk under the log must not stop the server.
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
