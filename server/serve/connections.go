package serve

import (
	"cmp"
	"context"
	"errors"
	"net"
	"net/netip"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/peer"
)

// Connections bounds the connections to the server. A connection is unproven
// until one of its calls is identified. Zero fields have the stated defaults,
// which are our own choices. A till behind a bad network reconnects often, so its
// new connection must get in even while somebody else holds many idle ones.
type Connections struct {
	// Total is how many connections may be open. Default 10,000.
	Total int
	// PerAddress is how many may be open from one address, an IPv4 address or
	// an IPv6 /64. Default 2,000: a chain behind one proxy or NAT gateway.
	PerAddress int
	// Unproven and UnprovenPerAddress bound the unproven connections. Beyond
	// them the oldest unproven connection is closed for the newest, so that
	// idle connections lock nobody out. Default 2,000 and 200.
	Unproven, UnprovenPerAddress int
	// ProvingTime protects a new connection from being closed for a newer one,
	// so that its first call can be identified. The protection ends when there
	// are twice as many unproven connections as Unproven or UnprovenPerAddress.
	// Default 2 s.
	ProvingTime time.Duration
	// UnprovenTime is after how long an unproven connection without a call
	// under way is closed. Default 15 s.
	UnprovenTime time.Duration
	// UnprovenBytes is how many bytes a second are read from an unproven
	// connection after the first 128 KiB. Default 32 KiB. It does not slow down
	// a caller with an identity, because the headers that identify it come
	// first.
	UnprovenBytes int
	// IdleTime is after how long a connection without a call under way is
	// closed with GOAWAY; the client reconnects when necessary. Default 30 min.
	IdleTime time.Duration
	// StalledTime is how long an answer may wait for its client before the
	// connection is closed. Default 30 s.
	StalledTime time.Duration
}

// complete fills in the defaults.
func (c Connections) complete() Connections {
	c.Total = cmp.Or(c.Total, 10_000)
	c.PerAddress = cmp.Or(c.PerAddress, 2000)
	c.Unproven = cmp.Or(c.Unproven, 2000)
	c.UnprovenPerAddress = cmp.Or(c.UnprovenPerAddress, 200)
	c.ProvingTime = cmp.Or(c.ProvingTime, 2*time.Second)
	c.UnprovenTime = cmp.Or(c.UnprovenTime, 15*time.Second)
	c.UnprovenBytes = cmp.Or(c.UnprovenBytes, 32<<10)
	c.IdleTime = cmp.Or(c.IdleTime, 30*time.Minute)
	c.StalledTime = cmp.Or(c.StalledTime, 30*time.Second)
	return c
}

// check returns an error for a negative value.
func (c Connections) check() error {
	if min(c.Total, c.PerAddress, c.Unproven, c.UnprovenPerAddress, c.UnprovenBytes) < 0 || min(c.ProvingTime, c.UnprovenTime, c.IdleTime, c.StalledTime) < 0 {
		return errors.New("a limit on connections is negative")
	}
	return nil
}

// unprovenBurst is how many bytes an unproven connection may send at once: a
// TLS handshake, a call that is denied, and another one behind it.
const unprovenBurst = 2 * flowWindow

// connLimiter bounds the connections of all listeners together. It sits below TLS, so
// a connection counts from the first byte on.
type connLimiter struct {
	limits   Connections
	counters *Counters

	mu sync.Mutex
	// open is the number of open connections by address. An address without any
	// has no entry, so the map does not grow with the addresses of the internet.
	open map[string]int
	// unproven lists the unproven connections by address, the oldest first.
	unproven  map[string][]*conn
	nOpen     int // sum over open
	nUnproven int // sum over unproven
}

// newConnLimiter returns a limiter without any connection.
func newConnLimiter(limits Connections, counters *Counters) *connLimiter {
	return &connLimiter{limits: limits, counters: counters, open: map[string]int{}, unproven: map[string][]*conn{}}
}

// limitedListener is a listener whose connections are bounded.
type limitedListener struct {
	net.Listener
	*connLimiter
}

// bound puts the bounds around a listener.
func (l *connLimiter) bound(listener net.Listener) net.Listener {
	return limitedListener{listener, l}
}

// Accept returns the next connection within the bounds. It closes connections
// beyond them at once, unless an unproven connection can be closed instead. A
// refused connection is closed without a word: there is no protocol yet to answer
// in.
func (l limitedListener) Accept() (net.Conn, error) {
	for {
		raw, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		c := &conn{Conn: raw, owner: l.connLimiter, address: addressKey(raw.RemoteAddr()), accepted: time.Now(), proof: make(chan struct{}), closed: make(chan struct{}),
			readLimiter: rate.NewLimiter(rate.Limit(l.limits.UnprovenBytes), unprovenBurst), unsentAnswers: map[*answer]bool{}}
		evicted, ok := l.add(c)
		for _, old := range evicted {
			l.counters.ConnectionsRefused.Add(1)
			old.Close()
		}
		if !ok {
			l.counters.ConnectionsRefused.Add(1)
			raw.Close()
			continue
		}
		c.mu.Lock()
		c.expiry = time.AfterFunc(l.limits.UnprovenTime, c.expire)
		c.mu.Unlock()
		return c, nil
	}
}

// add counts a connection if it is within the bounds. It also returns the
// unproven connections to be closed for it, which are no longer counted. It is
// the one place that decides who is evicted, and is called with one connection at
// a time.
func (l *connLimiter) add(c *conn) (evicted []*conn, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	evict := func(address string) {
		old := l.unproven[address][0]
		l.dropUnproven(old)
		l.countOut(old)
		evicted = append(evicted, old)
	}
	// An address makes room for itself, as far as its own connections are
	// unproven; otherwise the one that has most of them makes room.
	for own := l.unproven[c.address]; len(own) > 0 && (l.open[c.address] >= l.limits.PerAddress ||
		l.exceeds(len(own), l.limits.UnprovenPerAddress, own[0], c.accepted)); own = l.unproven[c.address] {
		evict(c.address)
	}
	for l.nUnproven > 0 && (l.nOpen >= l.limits.Total || l.nUnproven >= l.limits.Unproven) {
		most := l.busiestAddress()
		if l.nOpen < l.limits.Total && !l.exceeds(l.nUnproven, l.limits.Unproven, l.unproven[most][0], c.accepted) {
			break
		}
		evict(most)
	}
	if l.nOpen >= l.limits.Total || l.open[c.address] >= l.limits.PerAddress {
		return evicted, false
	}
	l.nOpen++
	l.open[c.address]++
	l.nUnproven++
	l.unproven[c.address] = append(l.unproven[c.address], c)
	l.publish()
	return evicted, true
}

// exceeds reports whether n unproven connections exceed a bound so far that the
// oldest of them must be closed. Up to the bound nothing is closed; from the
// bound to twice of it only connections that have had their ProvingTime; beyond
// that any.
func (l *connLimiter) exceeds(n, most int, oldest *conn, now time.Time) bool {
	return n >= 2*most || n >= most && now.Sub(oldest.accepted) >= l.limits.ProvingTime
}

// busiestAddress returns the address with the most unproven connections; of
// several, the one with the oldest connection. It is never called without
// unproven connections.
func (l *connLimiter) busiestAddress() string {
	most, found := "", []*conn(nil)
	for address, all := range l.unproven {
		if len(all) > len(found) || len(all) == len(found) && all[0].accepted.Before(found[0].accepted) {
			most, found = address, all
		}
	}
	return most
}

// dropUnproven removes a connection from the unproven ones, if it is one of
// them. The caller holds the lock.
func (l *connLimiter) dropUnproven(c *conn) {
	all := l.unproven[c.address]
	at := slices.Index(all, c)
	if at < 0 {
		return
	}
	l.nUnproven--
	if l.unproven[c.address] = slices.Delete(all, at, at+1); len(all) == 1 {
		delete(l.unproven, c.address)
	}
}

// countOut stops counting a connection, once. The caller holds the lock.
func (l *connLimiter) countOut(c *conn) {
	if c.gone {
		return
	}
	c.gone = true
	l.nOpen--
	decrement(l.open, c.address)
}

// prove counts a connection as proven. It can never be evicted for a newer one
// from then on.
func (l *connLimiter) prove(c *conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.dropUnproven(c)
	l.publish()
}

// remove stops counting a connection. It also serves connections that were
// evicted, which are not counted any more.
func (l *connLimiter) remove(c *conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.dropUnproven(c)
	l.countOut(c)
	l.publish()
}

// publish updates the gauges of connections. The caller holds the lock.
func (l *connLimiter) publish() {
	l.counters.Connections.Store(int64(l.nOpen))
	l.counters.ConnectionsUnproven.Store(int64(l.nUnproven))
}

// decrement decrements a count and removes it at zero.
func decrement(counts map[string]int, key string) {
	if counts[key]--; counts[key] <= 0 {
		delete(counts, key)
	}
}

// conn is one connection. It is its own remote address, so that a call finds it
// through its peer.
type conn struct {
	net.Conn
	owner    *connLimiter
	address  string    // the key that it is counted under
	accepted time.Time // by the machine's clock
	gone     bool      // no longer counted; guarded by owner.mu
	// readLimiter slows down reading until proof is closed.
	readLimiter *rate.Limiter
	calls       atomic.Int64 // calls under way

	// proof is closed when a call is identified, closed when the connection is.
	proveOnce, closeOnce sync.Once
	proof, closed        chan struct{}

	mu sync.Mutex
	// expiry closes the connection if nothing has proved it in time.
	expiry *time.Timer
	// unsentAnswers are the answers that the client has not taken; nil: closed.
	unsentAnswers map[*answer]bool
}

// connAddr is the remote address of a connection, with the connection itself.
type connAddr struct {
	net.Addr
	conn *conn
}

// RemoteAddr returns the address of the caller.
func (c *conn) RemoteAddr() net.Addr { return connAddr{c.Conn.RemoteAddr(), c} }

// connOf returns the connection of a call; nil outside of one. Tests that call
// handlers directly have none.
func connOf(ctx context.Context) *conn {
	caller, ok := peer.FromContext(ctx)
	if !ok {
		return nil
	}
	address, ok := caller.Addr.(connAddr)
	if !ok {
		return nil
	}
	return address.conn
}

// addressOf returns the address under which a call is counted.
func addressOf(ctx context.Context) string {
	if c := connOf(ctx); c != nil {
		return c.address
	}
	return ""
}

// addressKey returns the key under which connections and anonymous calls are
// counted. An IPv6 /64 counts as one address, because one site usually has all of
// it (RFC 6177). IPv4 addresses inside IPv6 count as IPv4.
func addressKey(a net.Addr) string {
	at, err := netip.ParseAddrPort(a.String())
	if err != nil {
		return a.String()
	}
	ip := at.Addr().Unmap().WithZone("")
	if ip.Is6() {
		prefix, _ := ip.Prefix(64) // 64 bits are within any IPv6 address
		return prefix.String()
	}
	return ip.String()
}

// Read reads, slowly while the connection is unproven. Waiting here stops reading
// from the network, so the client is slowed down by TCP and nothing is buffered.
// The wait ends as soon as a call is identified.
func (c *conn) Read(p []byte) (int, error) {
	select {
	case <-c.proof:
		return c.Conn.Read(p)
	default:
	}
	n, err := c.Conn.Read(p[:min(len(p), unprovenBurst)])
	delay := c.readLimiter.ReserveN(time.Now(), n).Delay()
	if delay <= 0 {
		return n, err
	}
	timer := time.NewTimer(delay)
	defer timer.Stop()
	select {
	case <-c.proof:
	case <-c.closed:
	case <-timer.C:
	}
	return n, err
}

// Write writes, or fails if the client reads nothing for too long. gRPC closes a
// connection whose write fails.
func (c *conn) Write(p []byte) (int, error) {
	c.Conn.SetWriteDeadline(time.Now().Add(c.owner.limits.StalledTime))
	return c.Conn.Write(p)
}

// Close closes the connection and stops counting it and its unsent answers. It
// may be called more than once, by gRPC and by the limiter.
func (c *conn) Close() error {
	err := c.Conn.Close()
	c.closeOnce.Do(func() {
		close(c.closed)
		c.mu.Lock()
		c.expiry.Stop()
		unsent := c.unsentAnswers
		c.unsentAnswers = nil
		c.mu.Unlock()
		for a := range unsent {
			a.release()
		}
		c.prove() // no longer among the unproven
		c.owner.remove(c)
	})
	return err
}

// prove marks the connection as proven.
func (c *conn) prove() {
	c.proveOnce.Do(func() {
		close(c.proof)
		c.owner.prove(c)
	})
}

// expire closes the connection if it is unproven and has no call under way. A
// call under way may be about to identify itself, so the connection gets another
// UnprovenTime.
func (c *conn) expire() {
	select {
	case <-c.proof:
		return
	case <-c.closed:
		return
	default:
	}
	if c.calls.Load() == 0 {
		c.owner.counters.ConnectionsIdle.Add(1)
		c.Close()
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.expiry.Reset(c.owner.limits.UnprovenTime)
}

// stall closes the connection of a client that has not taken an answer. The
// unsent answers are then no longer counted.
func (c *conn) stall() {
	c.owner.counters.ConnectionsStalled.Add(1)
	c.Close()
}

// handshakeCounter counts failed TLS handshakes. Without it a failed handshake
// would leave no trace: gRPC reports none.
type handshakeCounter struct {
	credentials.TransportCredentials
	counters *Counters
}

// ServerHandshake performs the handshake of an accepted connection.
func (h handshakeCounter) ServerHandshake(raw net.Conn) (net.Conn, credentials.AuthInfo, error) {
	c, info, err := h.TransportCredentials.ServerHandshake(raw)
	if err != nil && !errors.Is(err, credentials.ErrConnDispatched) {
		h.counters.HandshakesDenied.Add(1)
	}
	return c, info, err
}

// Clone returns a copy with the same counters.
func (h handshakeCounter) Clone() credentials.TransportCredentials {
	return handshakeCounter{h.TransportCredentials.Clone(), h.counters}
}
