package storage_test

import (
	"bytes"
	"context"
	"io"
	"net"
	"sync"
	"testing"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// wire stands between the program and the server, and breaks the connection
// around COMMIT as told.
type wire struct {
	mu sync.Mutex
	// beforeCommit is called before each COMMIT goes out. If it answers false
	// the COMMIT does not, and the connection is cut.
	beforeCommit func() bool
	// loseReplies is how many replies to COMMIT to swallow. Each is waited for,
	// so that the server has committed, and then the connection is cut.
	loseReplies int
	commits     int
	// afterEntries is called when audit entries have been written, before the
	// program knows of it.
	afterEntries func()
}

// open opens the database through the wire.
func (w *wire) open(t testing.TB, d storagetest.Database, cfg storage.Config) *storage.DB {
	t.Helper()
	cfg.Dial = func(ctx context.Context, network, address string) (net.Conn, error) {
		c, err := (&net.Dialer{}).DialContext(ctx, network, address)
		return &wireConn{Conn: c, wire: w}, err
	}
	return d.Open(t, cfg)
}

// onCommit sets what happens before each COMMIT from now on.
func (w *wire) onCommit(do func() bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.beforeCommit = do
}

// loseNext swallows the reply to the COMMIT that is about to go out.
func (w *wire) loseNext() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.loseReplies++
}

// onWritten sets what happens when audit entries have been written.
func (w *wire) onWritten(do func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.afterEntries = do
}

type wireConn struct {
	net.Conn
	wire *wire
	lose bool
	// running is set while the message that writes entries runs.
	running bool
}

func (c *wireConn) Write(p []byte) (int, error) {
	c.running = bytes.Contains(p, []byte("; execute alkalog_"))
	// lib/pq sends COMMIT as a simple query; read transactions end in ROLLBACK.
	if !bytes.Contains(p, []byte("COMMIT\x00")) {
		return c.Conn.Write(p)
	}
	c.wire.mu.Lock()
	before := c.wire.beforeCommit
	c.wire.commits++
	c.wire.mu.Unlock()
	if before != nil && !before() {
		c.Conn.Close()
		return len(p), nil // as a network that loses what it took
	}
	c.wire.mu.Lock()
	if c.lose = c.wire.loseReplies > 0; c.lose {
		c.wire.loseReplies--
	}
	c.wire.mu.Unlock()
	return c.Conn.Write(p)
}

func (c *wireConn) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	if c.lose {
		c.Conn.Close()
		return 0, io.EOF
	}
	if c.wire.mu.Lock(); c.running && c.wire.afterEntries != nil {
		c.wire.afterEntries()
	}
	c.wire.mu.Unlock()
	return n, err
}
