package serve

import "sync/atomic"

// Counters count what the limits of the server refused since it started. They
// only grow, belong to one process, and carry no names or addresses; a metrics
// exporter reads them with Load.
type Counters struct {
	// HandshakesDenied counts connections whose TLS handshake failed: a wrong or
	// expired certificate, no common version, no answer in time, no TLS at all.
	// Such a caller reaches no call, so it is on no audit log.
	HandshakesDenied atomic.Int64
	// ConnectionsRefused counts connections closed because there were too many:
	// new ones, and unproven ones that made room for newer ones.
	ConnectionsRefused atomic.Int64
	// ConnectionsIdle counts connections closed because no caller on them was
	// identified in time and no call was under way.
	ConnectionsIdle atomic.Int64
	// ConnectionsStalled counts connections closed because their reader did not
	// take an answer in time.
	ConnectionsStalled atomic.Int64
	// Unidentified counts calls answered UNAUTHENTICATED or, beyond the quota
	// for such calls, RESOURCE_EXHAUSTED.
	Unidentified atomic.Int64
	// QuotaExceeded counts calls answered RESOURCE_EXHAUSTED because a quota
	// was used up: of the caller, its chain, or callers without identity.
	QuotaExceeded atomic.Int64
	// RequestsOversized counts requests refused before decoding: too many bytes,
	// list items, messages or fields, nested too deeply, or malformed.
	RequestsOversized atomic.Int64
	// Shed counts calls answered RESOURCE_EXHAUSTED because the memory for
	// requests and answers was used up.
	Shed atomic.Int64
	// ErasedKeysFound counts keys of erased clients that were in the database again,
	// put back by hand or with a backup; none of them is used.
	ErasedKeysFound atomic.Int64
	// Denials counts calls that were denied: their caller is not identified, or may
	// not do what it asked for.
	Denials atomic.Int64
	// Connections and ConnectionsUnproven are gauges: the connections that are
	// open, and those of them on which nobody was identified yet.
	Connections, ConnectionsUnproven atomic.Int64
}
