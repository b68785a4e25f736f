package serve

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"path/filepath"
	"runtime"
	"time"

	"alkalog/server/sequencer"
)

// DefaultAddress is the default of Config.Address. The port is our own choice.
const DefaultAddress = "127.0.0.1:7420"

// Config configures a server. Exactly one of Database and DataDir is required;
// the zero value of each other field is its default.
type Config struct {
	// Address is host and port; port 0 chooses a free one. An address other
	// than loopback requires TLSCert. Empty: DefaultAddress.
	Address string
	// Database is the connection string of a PostgreSQL database with the
	// schema of this program. The server does not migrate it.
	Database string
	// StateFile keeps the last seen state of Database, so that a restarted
	// server still refuses an older copy of it. Empty: the state is kept in
	// memory only.
	StateFile string
	// DatabaseConnections is the maximum number of connections to the database. 0: four per
	// processor, at least 16 and at most 64.
	DatabaseConnections int
	// DataDir is the directory of a private PostgreSQL, which the server
	// creates, starts, migrates and stops.
	DataDir string
	// PGBin is the directory of the PostgreSQL programs for DataDir. Empty:
	// they are searched for.
	PGBin string
	// KeysDir is the directory of the server's secret keys, in files without
	// permissions for others: "log" signs checkpoints, "clients" wraps the keys
	// of clients. Empty: "keys" in DataDir, where missing keys are created;
	// required with Database.
	KeysDir string
	// CheckpointFile keeps the newest seen checkpoints of the audit logs
	// outside of the database, which is compared with them at startup. Empty:
	// "checkpoints" in DataDir; with Database, no comparison.
	CheckpointFile string
	// ErasureFile keeps the erased clients outside of the database and its
	// backups, so that a restored backup does not bring them back. Empty:
	// "erased" in DataDir; with Database, no such file.
	ErasureFile string
	// Progress is told, for people, what a start is about to do: some steps take
	// seconds, the first start of a private database most of all. Nil: nobody is told.
	Progress func(step string)
	// Clock is the server's own clock. Nil: the machine's.
	Clock func() time.Time
	// Reference returns the reference time, which services use; Clock is
	// compared with it. Nil: the time of the database, or Clock if Clock is
	// set.
	Reference func(context.Context) (time.Time, error)
	// CoverageInterval is how often coverage entries are created for new
	// writes. 0: 5 s.
	CoverageInterval time.Duration
	// Logger receives the server's log. It never contains the contents of a
	// request nor personal data. Nil: no log.
	Logger *slog.Logger
	// TLSCert and TLSKey are the PEM files of the server's certificate and key.
	// Set both or neither; without them connections are not encrypted.
	TLSCert, TLSKey string
	// ClientCA is the PEM file of the authorities that issue client
	// certificates for tills and services. Empty: client certificates are not
	// accepted.
	ClientCA string
	// Issuer is the URL of the OpenID provider whose tokens are accepted,
	// Audience the required audience (empty: "alkalog"), and JWKS the file of a
	// JSON Web Key Set that replaces the provider's. With JWKS, Issuer may be
	// empty and is then "alkalog". Issuer and JWKS empty: tokens are not
	// accepted.
	Issuer, Audience, JWKS string
	// Revoked is the revocation list: certificates, token IDs and names. Empty:
	// nothing is revoked. All these files are reloaded when they are replaced.
	Revoked string
	// Compiled holds the compiled rules and checks, for a process that starts
	// several servers. Nil: Start compiles them.
	Compiled *Compiled
	// Development accepts development identities: callers are believed without
	// proof. It cannot be combined with other identities, nor with an address
	// other than loopback. Without any identities nobody can call the server.
	Development bool
	// Limits bounds what callers can use.
	Limits Limits

	// MetricsAddress is the loopback address that serves metrics; empty: none.
	MetricsAddress string

	// WebAddress is the address of the web door, by the rules of Address; empty: none.
	WebAddress string
	// WebHosts are further names by which clients call the web door: those of a proxy
	// in front of it. It always has the names in TLSCert, and on a loopback address
	// those of this machine.
	WebHosts []string
	// WebOrigins are the origins of web pages that may call the web door, such as
	// "https://till.example.org", beside its own.
	WebOrigins []string
	// WebPage holds files that the web door serves at "/"; nil: none. It is for
	// development identities only.
	WebPage fs.FS

	// Set by Start.
	reference   *referenceClock
	sequencer   *sequencer.Sequencer
	clients     *clientKeeper
	counters    *Counters
	inspectOnly bool // open the database even if its guards are damaged
}

// Limits bounds what callers can use. Zero fields have the stated defaults,
// which are our own choices.
type Limits struct {
	// RequestBytes is the longest request. Default 1 MiB: the longest
	// legitimate one is a till that was offline and sends 200 remarks of 1,000
	// characters of four bytes each, 0.8 MB.
	RequestBytes int
	// HeaderBytes is the longest header list. Default 16 KiB, enough for a
	// token of 8 KiB.
	HeaderBytes uint32
	// StreamsPerConnection is how many calls a connection may have at the same
	// time. Default 200; the default of gRPC is 4,294,967,295.
	StreamsPerConnection uint32
	// ConnectTime is how long a handshake may take. Default 10 s.
	ConnectTime time.Duration
	// CallTime is the deadline of a unary call without one. Default 10 s.
	CallTime time.Duration
	// MaxCallTime is the longest deadline of a unary call; longer ones are
	// shortened. Default 1 min.
	MaxCallTime time.Duration
	// StreamTime is the deadline of a stream without one. Default 12 h, the
	// longest working day of a salon.
	StreamTime time.Duration
	// MinTime is the time that a call must have left before its deadline:
	// nothing is started that cannot be finished. Default 50 ms.
	MinTime time.Duration
	// PingInterval is after how long a silent connection is pinged; clients may
	// ping three times as often. Default 30 s.
	PingInterval time.Duration
	// PingTime is how long the answer to a ping may take. Default 10 s.
	PingTime time.Duration
	// HeartbeatInterval is how often a quiet watch of a session receives a
	// heartbeat. Default 15 s; the contract promises 20 s.
	HeartbeatInterval time.Duration
	// SendTime is how long the client of a stream may take for one message
	// before the stream ends. Default 10 s.
	SendTime time.Duration
	// DrainTime is how long Stop waits for calls under way. Default 10 s.
	DrainTime time.Duration
	// MemoryBytes bounds the memory of requests being handled, and separately
	// of unsent answers. One caller may use an eighth. Default 256 MiB. A call
	// beyond it is answered RESOURCE_EXHAUSTED.
	MemoryBytes int64
	// Quotas bounds callers and chains.
	Quotas Quotas
	// Connections bounds connections.
	Connections Connections
}

// DefaultMemory is the default of Limits.MemoryBytes, and MinMemory its
// minimum: the part of one caller, an eighth, must hold the largest decoded
// request.
const (
	DefaultMemory = 256 << 20
	MinMemory     = 48 << 20
)

// Check reports what is wrong with the configuration. It opens nothing. Files may
// still be missing; Start finds that.
func (c Config) Check() error {
	_, err := c.complete()
	return err
}

// complete fills in the defaults and checks the result. Errors are joined, so an
// operator sees all of them at once.
func (c Config) complete() (Config, error) {
	c.Address = cmp.Or(c.Address, DefaultAddress)
	if c.Progress == nil {
		c.Progress = func(string) {}
	}
	if c.Clock == nil {
		c.Clock = time.Now
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	c.DatabaseConnections = cmp.Or(c.DatabaseConnections, min(64, max(16, 4*runtime.GOMAXPROCS(0))))
	c.Limits.Quotas.ChainWorkers = cmp.Or(c.Limits.Quotas.ChainWorkers, c.DatabaseConnections/2)
	c.Limits = c.Limits.complete()
	if (c.Database == "") == (c.DataDir == "") {
		return c, errors.New("set either the connection string of a database or the directory of a private one")
	}
	if c.KeysDir == "" && c.DataDir != "" {
		c.KeysDir = filepath.Join(c.DataDir, "keys")
	}
	if c.CheckpointFile == "" && c.DataDir != "" {
		c.CheckpointFile = filepath.Join(c.DataDir, "checkpoints")
	}
	if c.ErasureFile == "" && c.DataDir != "" {
		c.ErasureFile = filepath.Join(c.DataDir, "erased")
	}
	if c.DatabaseConnections < 4 {
		return c, fmt.Errorf("the server needs at least 4 connections to the database, not %d", c.DatabaseConnections)
	}
	var outside error
	if c.MetricsAddress != "" && !(Config{Address: c.MetricsAddress}).OnLoopback() {
		outside = errMetricsAddress
	}
	return c, errors.Join(c.checkIdentities(), c.checkWeb(), c.Limits.check(), outside)
}

// complete fills in the defaults.
func (l Limits) complete() Limits {
	l.RequestBytes = cmp.Or(l.RequestBytes, 1<<20)
	l.HeaderBytes = cmp.Or(l.HeaderBytes, 16<<10)
	l.StreamsPerConnection = cmp.Or(l.StreamsPerConnection, 200)
	l.ConnectTime = cmp.Or(l.ConnectTime, 10*time.Second)
	l.CallTime = cmp.Or(l.CallTime, 10*time.Second)
	l.MaxCallTime = cmp.Or(l.MaxCallTime, time.Minute)
	l.SendTime = cmp.Or(l.SendTime, 10*time.Second)
	l.StreamTime = cmp.Or(l.StreamTime, 12*time.Hour)
	l.MinTime = cmp.Or(l.MinTime, 50*time.Millisecond)
	l.PingInterval = cmp.Or(l.PingInterval, 30*time.Second)
	l.PingTime = cmp.Or(l.PingTime, 10*time.Second)
	l.HeartbeatInterval = cmp.Or(l.HeartbeatInterval, 15*time.Second)
	l.DrainTime = cmp.Or(l.DrainTime, 10*time.Second)
	l.MemoryBytes = cmp.Or(l.MemoryBytes, DefaultMemory)
	l.Quotas = l.Quotas.complete()
	l.Connections = l.Connections.complete()
	return l
}

// check returns an error for limits that contradict each other. It expects the
// defaults to be filled in.
func (l Limits) check() error {
	least := min(l.ConnectTime, l.CallTime, l.MaxCallTime, l.StreamTime, l.MinTime, l.PingInterval, l.PingTime, l.HeartbeatInterval, l.SendTime, l.DrainTime)
	if l.RequestBytes < 0 || least < 0 {
		return errors.New("a limit is negative")
	}
	if l.CallTime < l.MinTime || l.StreamTime < l.MinTime {
		return fmt.Errorf("the deadlines for calls without one must be at least the minimum time of %v", l.MinTime)
	}
	if l.MemoryBytes < MinMemory || int64(l.RequestBytes) > MinMemory/callerFraction {
		return fmt.Errorf("memory for requests must be at least %d bytes, and the longest request at most an eighth of that", MinMemory)
	}
	return errors.Join(l.Quotas.check(), l.Connections.check())
}
