package serve

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"alkalog/server/keys"
)

// A certificate that expires cuts a till off in the middle of a service. So the server
// warns in its log and as a metric, early enough to renew it.

const (
	// expiryWarning is how long before its end a certificate is warned of; our own choice.
	expiryWarning = 30 * 24 * time.Hour
	// warnEvery is how often the log warns of the same certificate; our own choice.
	warnEvery = 24 * time.Hour
	// maxWarned bounds the names that are remembered. Beyond it they are forgotten, and
	// warned of again. Our own choice: more tills than one server has.
	maxWarned = 10_000
)

// certificateExpiry warns of certificates that expire soon: the server's own, and those
// that callers use. The zero value, with clock and log, is ready. It is safe for
// concurrent use.
type certificateExpiry struct {
	clock  func() time.Time
	log    *slog.Logger
	server *keys.Watch[tls.Certificate] // nil: the server has none

	any atomic.Bool // ending is not empty
	mu  sync.Mutex
	// warned is when a certificate was last warned of, by the name in it; ending is when
	// it expires. Only certificates in their last 30 days are here.
	warned, ending map[string]time.Time
}

// used notes that a caller used a certificate. It is called for every call that comes
// with one, so the usual case, a certificate that is valid for long, takes no lock. The
// name in a certificate is that of a till or a service, never of a person, and may be
// logged.
func (e *certificateExpiry) used(name string, until time.Time) {
	now := e.clock()
	soon := until.Sub(now) <= expiryWarning
	if !soon && !e.any.Load() { // nearly always
		return
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	if !soon { // renewed
		delete(e.ending, name)
		e.any.Store(len(e.ending) > 0)
		return
	}
	if e.warned == nil || len(e.warned) >= maxWarned {
		e.warned, e.ending = map[string]time.Time{}, map[string]time.Time{}
	}
	e.ending[name] = until
	e.any.Store(true)
	if last, ok := e.warned[name]; ok && now.Sub(last) < warnEvery {
		return
	}
	e.warned[name] = now
	e.log.Warn("a certificate expires soon: issue a new one with `alkalog keys sign` or `alkalog keys till`",
		"bearer", name, "expires", until.UTC().Format(time.RFC3339))
}

// run checks the server's own certificate once an hour until ctx is done.
func (e *certificateExpiry) run(ctx context.Context) {
	tick := time.NewTicker(time.Hour)
	defer tick.Stop()
	for e.checkServer(); ; e.checkServer() {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// checkServer warns of the server's own certificate.
func (e *certificateExpiry) checkServer() {
	if leaf := e.serverLeaf(); leaf != nil {
		e.used("server", leaf.NotAfter)
	}
}

// serverLeaf is the server's certificate that is in use; nil: there is none.
func (e *certificateExpiry) serverLeaf() *x509.Certificate {
	if e.server == nil {
		return nil
	}
	return e.server.Get().Leaf
}

// remaining is in how many seconds the server's certificate expires, and the first one of
// the callers' certificates that were used in their last 30 days. A name that came with
// a newer certificate counts with that one; one that was renewed in time does not count.
func (e *certificateExpiry) remaining() map[string]float64 {
	now, all := e.clock(), map[string]float64{}
	if leaf := e.serverLeaf(); leaf != nil {
		all["server"] = leaf.NotAfter.Sub(now).Seconds()
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	for name, until := range e.ending {
		left := until.Sub(now).Seconds()
		if first, ok := all["caller"]; name != "server" && left > 0 && (!ok || left < first) {
			all["caller"] = left
		}
	}
	return all
}
