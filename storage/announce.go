package storage

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"net"
	"time"

	"github.com/lib/pq"
)

// Servers on one database tell each other which records have changed. It is a
// hint and can be lost: what counts is what a reader finds. The hint goes out
// after the commit and never in the transaction that writes, where it would
// make all writers wait for one another.

// channel is the one that servers talk on. Everybody who can log in may listen on
// it, so names of clients and sessions are not spoken there.
const channel = "alkalog"

// Topic is what is announced of a name: a digest that leads nobody to it. The ids
// in names have at least 74 random bits, so they are not found by trying.
func Topic(name string) string {
	sum := sha256.Sum256([]byte("alkalog topic\x00" + name))
	return base64.RawURLEncoding.EncodeToString(sum[:16])
}

// Announce tells every server on the database that the records named have
// changed.
func Announce(ctx context.Context, db *DB, names []string) error {
	tx, err := db.begin(ctx, scope{}, nil)
	if err != nil {
		return err
	}
	topics := make([]string, len(names))
	for i, name := range names {
		topics[i] = Topic(name)
	}
	_, err = tx.ExecContext(ctx, "select pg_notify($1, topic) from unnest($2::text[]) as topic", channel, pq.Array(topics))
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

// Listen calls hear with the topic of every name that is announced, until ctx is
// done. It calls hear with an empty topic whenever the connection is new: hints may
// have been lost, and everything is to be looked at again. Others can speak on the
// channel too; what they say is no topic of a name, or one more look at a record.
func Listen(ctx context.Context, db *DB, hear func(topic string)) error {
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
			} else if n.Extra != "" {
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
