package storage_test

import (
	"bytes"
	"context"
	"net"
	"sync/atomic"
	"testing"
	"time"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// silentConn is a connection whose server never gets the message that writes, and so never
// answers it.
type silentConn struct {
	net.Conn
	silent *atomic.Bool
}

func (c silentConn) Write(p []byte) (int, error) {
	if c.silent.Load() && bytes.Contains(p, []byte("; execute alkalog_")) {
		return len(p), nil
	}
	return c.Conn.Write(p)
}

// TestBatchReturnsItsConnection: the server does not answer, and all callers of a batch give
// up. The connection does not wait for the server until the write would have ended, which is
// 30 seconds.
func TestBatchReturnsItsConnection(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	var silent atomic.Bool
	cfg := storage.Config{ReadTimeout: 10 * time.Minute, MaxConns: 2, Dial: func(ctx context.Context, network, address string) (net.Conn, error) {
		if silent.Load() {
			<-ctx.Done() // nor does it take the driver's request to cancel
			return nil, ctx.Err()
		}
		c, err := (&net.Dialer{}).DialContext(ctx, network, address)
		return silentConn{c, &silent}, err
	}}
	db := d.Open(t, cfg)
	if _, err := openSalon(t.Context(), db, salonRequest("before")); err != nil {
		t.Fatal(err)
	}
	silent.Store(true)
	ctx, cancel := context.WithCancel(t.Context())
	began := time.Now()
	done := make(chan error)
	go func() {
		_, err := openSalon(ctx, db, salonRequest("lost"))
		done <- err
	}()
	eventually(t, "the write to hold a connection", func() bool { return storage.AtWork(db, chain) == 1 })
	cancel()
	if err := <-done; err == nil {
		t.Error("a write that was never sent is answered")
	}
	eventually(t, "the connection to be returned", func() bool { return storage.AtWork(db, chain) == 0 && db.Stats().BusyConnections == 0 })
	if took := time.Since(began); took > 20*time.Second {
		t.Errorf("the connection came back after %v", took)
	}
	silent.Store(false)
	if _, err := openSalon(t.Context(), db, salonRequest("after")); err != nil {
		t.Error(err)
	}
}
