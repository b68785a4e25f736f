package storage

import (
	"context"
	"net"
	"time"

	"github.com/lib/pq"
)

// Servers on one database tell each other which records have changed. It is a
// hint and can be lost: what counts is what a reader finds. The hint goes out
// after the commit and never in the transaction that writes, where it would
// make all writers wait for one another.

// channel is the one that servers talk on.
const channel = "alkalog"

// Announce tells every server on the database that the records named have
// changed.
func Announce(ctx context.Context, db *DB, names []string) error {
	tx, err := db.begin(ctx, scope{}, nil)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, "select pg_notify($1, name) from unnest($2::text[]) as name", channel, pq.Array(names))
	if err != nil {
		tx.end()
		return explain(ctx, err)
	}
	return tx.commit(ctx)
}

const (
	// pingEvery finds out whether a silent connection is still one.
	pingEvery = 15 * time.Second
	// reconnectFirst and reconnectLast bound the pauses between attempts.
	reconnectFirst, reconnectLast = 100 * time.Millisecond, 5 * time.Second
)

// Listen calls hear with every name that is announced, until ctx is done. It
// calls hear with an empty name whenever the connection is new: hints may have
// been lost, and everything is to be looked at again.
func Listen(ctx context.Context, db *DB, hear func(name string)) error {
	l := pq.NewDialListener(listenDialer{db.cfg}, db.cfg.DSN, reconnectFirst, reconnectLast, nil)
	// Closing is what ends a wait for the first connection. What a second call
	// says does not matter.
	defer context.AfterFunc(ctx, func() { l.Close() })()
	defer l.Close()
	if err := l.Listen(channel); err != nil {
		return explain(ctx, err)
	}
	hear("")
	ping := time.NewTicker(pingEvery)
	defer ping.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-ping.C:
			// A ping that fails makes the listener connect anew by itself.
			go func() { _ = l.Ping() }()
		case n := <-l.Notify:
			if n == nil {
				hear("")
			} else {
				hear(n.Extra)
			}
		}
	}
}

// listenDialer dials for a connection that waits for hours; it has no read
// deadline, and pings instead.
type listenDialer struct{ cfg Config }

// Dial is part of pq.Dialer.
func (d listenDialer) Dial(network, address string) (net.Conn, error) {
	return d.DialTimeout(network, address, d.cfg.ReadTimeout)
}

// DialTimeout is part of pq.Dialer.
func (d listenDialer) DialTimeout(network, address string, timeout time.Duration) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(context.Background(), timeout)
	defer cancel()
	return d.cfg.Dial(ctx, network, address)
}
