package serve

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync/atomic"

	"alkalog/server/metrics"
	"alkalog/server/sequencer"
)

// openMetrics creates the metrics of the server and listens for scrapers. Metrics
// are served without authentication, therefore on loopback only. The returned
// loop is nil if no address is configured; metrics are counted in any case. A
// port that is in use is an error of the start.
func (s *Server) openMetrics() (backgroundLoop, error) {
	registry, err := metrics.New()
	if err != nil {
		return nil, err
	}
	s.metrics = registry
	s.defineLimits()
	s.defineDatabase()
	s.defineLogs()
	if err := registry.Err(); err != nil || s.cfg.MetricsAddress == "" {
		return nil, err
	}
	listener, err := net.Listen("tcp", s.cfg.MetricsAddress)
	if err != nil {
		return nil, fmt.Errorf("--metrics-address: %w", err)
	}
	if at, ok := listener.Addr().(*net.TCPAddr); !ok || !at.IP.IsLoopback() {
		return nil, errors.Join(errMetricsAddress, listener.Close())
	}
	s.metricsAddr = listener.Addr().String()
	return func(ctx context.Context) {
		if err := registry.Serve(ctx, listener); err != nil {
			s.cfg.Logger.Error("serving metrics has failed", "error", err.Error())
		}
	}, nil
}

// errMetricsAddress is the error for an address that is not loopback.
var errMetricsAddress = errors.New("--metrics-address must be a loopback address such as 127.0.0.1:9420: metrics are served without authentication; put a proxy that authenticates in front of it")

// MetricsAddr returns the address that serves metrics, with its actual port;
// empty: none.
func (s *Server) MetricsAddr() string { return s.metricsAddr }

// defineLimits defines the metrics of the limits. They count since the start of
// the process.
func (s *Server) defineLimits() {
	c := s.counters
	for _, m := range []struct {
		name, help string
		n          *atomic.Int64
	}{
		{"alkalog.handshakes.denied", "Connections whose TLS handshake failed.", &c.HandshakesDenied},
		{"alkalog.connections.refused", "Connections refused because there were too many.", &c.ConnectionsRefused},
		{"alkalog.connections.idle", "Connections closed because no caller was identified in time.", &c.ConnectionsIdle},
		{"alkalog.connections.stalled", "Connections closed because the client did not read an answer.", &c.ConnectionsStalled},
		{"alkalog.calls.unidentified", "Calls whose caller was not identified.", &c.Unidentified},
		{"alkalog.calls.over.quota", "Calls refused because of a quota.", &c.QuotaExceeded},
		{"alkalog.requests.oversized", "Requests refused before decoding.", &c.RequestsOversized},
		{"alkalog.calls.shed", "Calls refused for lack of memory for requests and answers.", &c.Shed},
		{"alkalog.erased.keys.found", "Keys of erased clients that were in the database again.", &c.ErasedKeysFound},
		{"alkalog.denials", "Calls denied: no identity, or not allowed for the caller.", &c.Denials},
	} {
		s.metrics.Counter(m.name, m.help, m.n.Load)
	}
	gauge := func(name, unit, help string, n *atomic.Int64) {
		s.metrics.Gauge(name, unit, help, func() float64 { return float64(n.Load()) })
	}
	s.metrics.Gauges("alkalog.certificate.remaining.seconds", "In how long certificates expire: the server's, and the first of those that callers use in their last 30 days.", "certificate", s.expiry.remaining)
	gauge("alkalog.connections.open", "", "Connections that are open.", &c.Connections)
	gauge("alkalog.connections.unproven", "", "Open connections without an identified caller.", &c.ConnectionsUnproven)
	gauge("alkalog.answers.untaken", "By", "Bytes of answers that clients have not read.", &s.memory.answers)
}

// defineDatabase defines the metrics of readiness, the clock and the connection
// pool. All causes have a value, so an alert can rely on the series to exist.
func (s *Server) defineDatabase() {
	s.metrics.Gauges("alkalog.not.ready", "1 for each cause for which the server is not ready.", "cause", func() map[string]float64 {
		now, all := s.health.notReady(), map[string]float64{}
		for _, cause := range causes {
			all[cause] = oneIf(now[cause])
		}
		return all
	})
	s.metrics.Gauge("alkalog.clock.offset", "s", "How far the server's clock is ahead of the database's.", func() float64 { return s.Clock().Offset.Seconds() })
	s.metrics.Gauge("alkalog.clock.known", "", "1 if the offset of the clock was measured within the last minute.", func() float64 { return oneIf(s.Clock().Known) })
	db := s.database.db
	if db == nil {
		return
	}
	s.metrics.Gauge("alkalog.pool.connections.max", "", "Most connections to the database.", func() float64 { return float64(db.Stats().MaxConnections) })
	s.metrics.Gauge("alkalog.pool.connections.open", "", "Open connections to the database.", func() float64 { return float64(db.Stats().OpenConnections) })
	s.metrics.Gauge("alkalog.pool.connections.busy", "", "Connections to the database that are in use.", func() float64 { return float64(db.Stats().BusyConnections) })
	s.metrics.Counter("alkalog.pool.waits", "Times a call has waited for a connection to the database.", func() int64 { return db.Stats().Waits })
	s.metrics.Counter("alkalog.pool.wait.milliseconds", "How long calls have waited for a connection to the database.", func() int64 { return db.Stats().WaitTime.Milliseconds() })
	s.metrics.Counter("alkalog.write.conflicts", "Write attempts that conflicted with another write.", func() int64 { return db.Stats().Conflicts })
}

// defineLogs defines the metrics of the audit logs, summed over all chains. The
// server's log and its health name the chain. A label with chain names would make
// a series for each chain.
func (s *Server) defineLogs() {
	for _, m := range []struct {
		name, unit, help string
		of               func(sequencer.Status) float64
		join             func(a, b float64) float64
	}{
		{"alkalog.logs", "", "Audit logs.", func(sequencer.Status) float64 { return 1 }, add},
		{"alkalog.logs.halted", "", "Audit logs that are halted.", func(l sequencer.Status) float64 { return oneIf(l.Halted != "") }, add},
		{"alkalog.logs.unsound", "", "Audit logs with a known problem.", func(l sequencer.Status) float64 { return oneIf(!l.Healthy()) }, add},
		{"alkalog.log.entries.pending", "", "Entries waiting to be sequenced.", func(l sequencer.Status) float64 { return float64(l.Pending) }, add},
		{"alkalog.log.lag", "s", "How long the oldest pending entry has waited.", func(l sequencer.Status) float64 { return l.Lag.Seconds() }, func(a, b float64) float64 { return max(a, b) }},
		{"alkalog.log.places.missing", "", "Log positions without a stored entry, by the last inspection.", func(l sequencer.Status) float64 { return float64(l.Missing) }, add},
		{"alkalog.log.places.changed", "", "Log positions whose entry differs from the signed one.", func(l sequencer.Status) float64 { return float64(l.Changed) }, add},
		{"alkalog.log.columns.mismatched", "", "Entries whose search columns differ from the signed entry.", func(l sequencer.Status) float64 { return float64(l.Mismatched) }, add},
		{"alkalog.log.entries.unlogged", "", "Stored entries that their log has skipped.", func(l sequencer.Status) float64 { return float64(l.Unlogged) }, add},
		{"alkalog.records.changed", "", "Records that differ from what was stored.", func(l sequencer.Status) float64 { return float64(l.Records) }, add},
	} {
		s.metrics.Gauge(m.name, m.unit, m.help, func() (total float64) {
			for _, l := range s.cfg.logStatus() {
				total = m.join(total, m.of(l))
			}
			return total
		})
	}
	s.metrics.Gauge("alkalog.erasure.file.unwritable", "", "1 if the erasure file cannot be written, so that no client can be erased.", func() float64 {
		return oneIf(s.cfg.clients != nil && s.cfg.clients.erased.unwritable())
	})
	s.metrics.Gauge("alkalog.client.keys.unreadable", "", "Clients whose key does not open, by the last inspection.", func() (total float64) {
		for _, n := range s.cfg.unreadable() {
			total += float64(n)
		}
		return total
	})
}

// add is the sum, as a function.
func add(a, b float64) float64 { return a + b }

// oneIf converts a bool to the value of a gauge.
func oneIf(holds bool) float64 {
	if holds {
		return 1
	}
	return 0
}
