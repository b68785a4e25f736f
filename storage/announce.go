package storage

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"net"
	"sync"
	"time"

	"github.com/lib/pq"
)

// Servers on one database tell each other which records have changed, with PostgreSQL's
// LISTEN and NOTIFY. An announcement is only a hint: it can be lost, and it carries no
// content. A reader that gets one reads the record again under its own permissions.
//
// An announcement is sent after the commit, in a transaction of its own. NOTIFY inside
// the writing transaction would make all writers wait for one another at COMMIT.

// channel is the channel that servers listen on. Every role that can log in may listen
// on it, so it carries digests instead of the names of clients and sessions.
const channel = "alkalog"

// Topic returns what is announced for a resource name: the first 16 bytes of a SHA-256
// over the name, in base64. It does not reveal the name. The IDs in names have at least
// 74 random bits, so that nobody finds a name by trying.
func Topic(name string) string {
	sum := sha256.Sum256([]byte("alkalog topic\x00" + name))
	return base64.RawURLEncoding.EncodeToString(sum[:16])
}

// Announce tells every server on the database that the named records have changed. Call
// it after the write that changed them has been committed. An error is no reason to
// fail the call: readers find the change at their next look.
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

// writeListeners are the channels that learn of writes of this program.
type writeListeners struct {
	mu  sync.Mutex
	all []chan struct{}
}

// OnWrite returns a new channel that holds a value once this program has committed a
// write for a chain: there may be new audit entries, and facts to be counted. It holds
// one value however many writes there were. A reader of it must also look from
// time to time, because other servers write too, and a commit can be known to the
// database only.
func (db *DB) OnWrite() <-chan struct{} {
	l, c := &db.writeListeners, make(chan struct{}, 1)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all = append(l.all, c)
	return c
}

// tell puts a value into every channel that has none. It never blocks, so that a write
// waits for nobody.
func (l *writeListeners) tell() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, c := range l.all {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

const (
	// pingEvery is how often an idle connection is tested. Without it, a connection that a
	// firewall has dropped would stay silent for ever. Our own choice.
	pingEvery = 15 * time.Second
	// reconnectFirst and reconnectLast are the first and the longest pause between attempts to
	// reconnect; the pause doubles in between. Our own choice.
	reconnectFirst, reconnectLast = 100 * time.Millisecond, 5 * time.Second
)

// Listen calls hear with the topic of every name that is announced, until ctx is done,
// and returns the error of ctx. It calls hear with an empty topic whenever the
// connection is new: announcements may have been lost, so that every watched record
// must be read again.
//
// hear is called by one goroutine and should return quickly, because further
// announcements wait for it. Any role may send on the channel; a foreign text matches
// no topic, and a forged topic only causes one more read.
func Listen(ctx context.Context, db *DB, hear func(topic string)) error {
	l := pq.NewDialListener(listenDialer{db.cfg}, db.cfg.DSN, reconnectFirst, reconnectLast, nil)
	// A second call of Close returns an error, which does not matter.
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
			// A ping that fails makes the listener reconnect.
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

// listenDialer dials for the listening connection. That connection waits for hours, so
// it has no read deadline and is pinged instead; only dialing is limited.
type listenDialer struct{ cfg Config }

// Dial implements pq.Dialer, with ReadTimeout as the limit.
func (d listenDialer) Dial(network, address string) (net.Conn, error) {
	return d.DialTimeout(network, address, d.cfg.ReadTimeout)
}

// DialTimeout implements pq.Dialer. It uses Config.Dial, so that a test can stand
// between this connection and the server too.
func (d listenDialer) DialTimeout(network, address string, timeout time.Duration) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(context.Background(), timeout)
	defer cancel()
	return d.cfg.Dial(ctx, network, address)
}
