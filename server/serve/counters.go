package serve

import "sync/atomic"

// Counters count what the limits of the server have refused since it started.
// They belong to one process and hold no names or addresses; the metrics read
// them with Load. Each is safe for concurrent use.
type Counters struct {
	// HandshakesDenied counts failed TLS handshakes: a wrong or expired
	// certificate, no common version, a timeout, no TLS at all. They are in no
	// audit log, because no call was made.
	HandshakesDenied atomic.Int64
	// ConnectionsRefused counts connections closed because there were too many:
	// new ones, and unproven ones closed for newer ones.
	ConnectionsRefused atomic.Int64
	// ConnectionsIdle counts connections closed because no call was identified
	// in time and none was under way.
	ConnectionsIdle atomic.Int64
	// ConnectionsStalled counts connections closed because the client did not
	// take an answer in time.
	ConnectionsStalled atomic.Int64
	// Unidentified counts calls answered UNAUTHENTICATED or, beyond the quota
	// for such calls, RESOURCE_EXHAUSTED.
	Unidentified atomic.Int64
	// QuotaExceeded counts calls answered RESOURCE_EXHAUSTED because of a
	// quota: of the caller, of its chain, or of anonymous callers.
	QuotaExceeded atomic.Int64
	// RequestsOversized counts requests refused before decoding: too many
	// bytes, list items, messages or fields, nested too deeply, or malformed.
	RequestsOversized atomic.Int64
	// Shed counts calls answered RESOURCE_EXHAUSTED for lack of memory.
	Shed atomic.Int64
	// ErasedKeysFound counts keys of erased clients that were in the database
	// again, restored with a backup or inserted. None of them is used.
	ErasedKeysFound atomic.Int64
	// Denials counts denied calls: the caller is not identified, or may not do
	// what it requested.
	Denials atomic.Int64
	// Connections and ConnectionsUnproven are gauges of the open connections,
	// and of those on which no call was identified.
	Connections, ConnectionsUnproven atomic.Int64
}
