package localpg

import (
	"context"
	"errors"
	"sync"
	"time"
)

const (
	// firstPause and longestPause are how long Kept waits before it starts postgres again:
	// each time twice as long, and from the beginning when postgres has run for longer
	// than longestPause. Our own choice.
	firstPause, longestPause = 100 * time.Millisecond, 30 * time.Second
)

// Kept is a cluster that is started again when postgres ends although nobody has stopped
// it. Its connection strings stay the same. Data are never created anew: if they are
// gone, every restart fails.
type Kept struct {
	cfg  Config
	tell func(error)
	// cancel ends the restarts; ended is closed when there will be no more.
	cancel context.CancelFunc
	ended  chan struct{}

	mu      sync.Mutex
	cluster *Cluster
}

// Keep starts a cluster as Start does and keeps it running until Stop. It calls tell with
// why postgres has ended, with every restart that failed, and with nil after one that
// worked.
func Keep(ctx context.Context, cfg Config, tell func(error)) (*Kept, error) {
	cluster, err := Start(ctx, cfg)
	if err != nil {
		return nil, err
	}
	running, cancel := context.WithCancel(context.WithoutCancel(ctx))
	k := &Kept{cfg: cfg, tell: tell, cancel: cancel, ended: make(chan struct{}), cluster: cluster}
	go k.run(running)
	return k, nil
}

// run starts the cluster again whenever it ends, until ctx is done.
func (k *Kept) run(ctx context.Context) {
	defer close(k.ended)
	pause, started := firstPause, time.Now()
	for {
		select {
		case <-ctx.Done():
			return
		case <-k.current().Done():
		}
		if ctx.Err() != nil {
			return
		}
		k.tell(k.current().Err())
		if time.Since(started) > longestPause {
			pause = firstPause
		}
		for {
			select {
			case <-ctx.Done():
				return
			case <-time.After(pause):
			}
			pause = min(2*pause, longestPause)
			err := k.restart(ctx)
			if ctx.Err() != nil {
				return
			}
			k.tell(err)
			if err == nil {
				break
			}
		}
		started = time.Now()
	}
}

// restart starts postgres on the data that are there.
func (k *Kept) restart(ctx context.Context) error {
	home, err := newHome(k.cfg.Dir)
	if err != nil {
		return err
	}
	if !exists(home.data) {
		return errors.New("localpg: the data of the cluster are gone")
	}
	cluster, err := Start(ctx, k.cfg)
	if err != nil {
		return err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.cluster = cluster
	return nil
}

// current returns the cluster that was started last.
func (k *Kept) current() *Cluster {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.cluster
}

// DSN is Cluster.DSN.
func (k *Kept) DSN(database, role string) string { return k.current().DSN(database, role) }

// Version is Cluster.Version.
func (k *Kept) Version() string { return k.current().Version() }

// PID is Cluster.PID.
func (k *Kept) PID() int { return k.current().PID() }

// Stop ends the restarts and then the cluster, as Cluster.Stop does.
func (k *Kept) Stop() error {
	k.cancel()
	<-k.ended
	return k.current().Stop()
}
