package serve

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"time"

	"alkalog/server/sequencer"
)

// DefaultAddress is where the server listens unless told otherwise. The port is
// our own choice.
const DefaultAddress = "127.0.0.1:7420"

// Config says what to serve and how. Exactly one of Database and DataDir is
// needed; the zero value of everything else is the usual one.
type Config struct {
	// Address is host and port; port 0 takes any that is free. Any other than a
	// loopback address needs TLSCert. Empty: DefaultAddress.
	Address string
	// Database is the connection string of a PostgreSQL whose schema fits this
	// program; the server changes no schema there.
	Database string
	// StateFile keeps what was last seen of Database, so that a restarted server
	// still refuses an old one that comes back. Empty: it is kept in memory only.
	StateFile string
	// DataDir is the directory of a private PostgreSQL, which is made, started,
	// migrated and stopped with the server.
	DataDir string
	// PGBin is the directory of the programs of the private PostgreSQL. Empty:
	// they are searched for.
	PGBin string
	// KeysDir is the directory of the server's own secrets, a file each with no
	// rights for others: "log", what checkpoints are signed with, and "clients",
	// what the keys of clients are wrapped with. Empty: "keys" in DataDir, where
	// they are made when there are none; with Database it must be given.
	KeysDir string
	// CheckpointFile keeps the newest checkpoints of the audit logs that were
	// seen, outside of the database, which is compared with them at start. Empty:
	// "checkpoints" in DataDir; with Database there is no such comparison then.
	CheckpointFile string
	// ErasureFile keeps which clients were erased, outside of the database and its
	// backups, so that a restored backup does not bring them back. Empty: "erased"
	// in DataDir; with Database there is no such file then.
	ErasureFile string
	// Clock is the server's own time. Nil: the machine's.
	Clock func() time.Time
	// Reference asks for the time that services go by; Clock is compared with it.
	// Nil: the database's time, or Clock itself where that is given.
	Reference func(context.Context) (time.Time, error)
	// CoverEvery is how often entries of coverage are made of what writes have
	// stored. 0: 5 s.
	CoverageInterval time.Duration
	// Logger receives what the server has to say: never the contents of a
	// request, never anybody's name or particulars. Nil: nobody.
	Logger *slog.Logger
	// TLSCert and TLSKey are the files of the server's certificate and its key, in
	// PEM. Both or neither; without them callers are spoken to in the clear.
	TLSCert, TLSKey string
	// ClientCA is the file of the certificates, in PEM, of whoever vouches for
	// tills and services. Empty: certificates are not known.
	ClientCA string
	// Issuer is the URL of the OpenID provider whose tokens people bring, Audience
	// what they must be meant for (empty: "alkalog"), and JWKS the file of a JSON
	// Web Key Set that is used instead of the provider's: with it Issuer may be
	// left out, and then is "alkalog". Empty: tokens are not known.
	Issuer, Audience, JWKS string
	// Revoked is the file that lists which certificates, tokens and names are no
	// longer trusted. Empty: none is. All of these files are read again when they
	// are replaced.
	Revoked string
	// Compiled are the compiled rules and checks, for a process that starts several
	// servers. Nil: Start compiles them.
	Compiled *Compiled
	// Development accepts development identities: callers are believed. It is
	// refused beside any other kind of identity, and on other than loopback
	// addresses. Without any kind of identity nobody can call.
	Development bool
	// Limits bounds what callers can ask for.
	Limits Limits

	// MetricsAddress is the loopback address that metrics are served on; empty: none.
	MetricsAddress string

	// Set by Start.
	reference   *referenceClock
	sequencer   *sequencer.Sequencer
	clients     *clientKeeper
	counters    *Counters
	inspectOnly bool // open the database whatever guards its records
}

// Limits bounds what callers can ask for. Zero fields have the stated defaults,
// which are our own choices.
type Limits struct {
	// RequestBytes is the longest request. Default 1 MiB: the longest honest one
	// is a till that was offline and sends 200 remarks of 1,000 characters in a
	// script of four bytes each, 0.8 MB.
	RequestBytes int
	// HeaderBytes is the longest list of headers. Default 16 KiB: room for a
	// token of 8 KiB.
	HeaderBytes uint32
	// StreamsPerConnection is how many calls at once a connection may have.
	// Default 200; gRPC's own is 4,294,967,295.
	StreamsPerConnection uint32
	// ConnectTime is how long a connection may take to be made. Default 10 s.
	ConnectTime time.Duration
	// CallTime is the deadline of a unary call that brings none. Default 10 s.
	CallTime time.Duration
	// LongestCall is the longest deadline that a unary call is granted, whatever
	// it brings. Default 1 min.
	MaxCallTime time.Duration
	// StreamTime is the deadline of a stream that brings none. Default 12 h, the
	// longest working day of a salon.
	StreamTime time.Duration
	// LeastTime is the least a call must have left to be begun: nothing is
	// started that cannot be finished. Default 50 ms.
	MinTime time.Duration
	// PingEvery is how long a connection is silent before we ask whether anybody
	// is there; callers may ask three times as often. Default 30 s.
	PingInterval time.Duration
	// PingTime is how long we wait for the answer. Default 10 s.
	PingTime time.Duration
	// BeatEvery is how often a quiet watch of a session is told that it is alive.
	// Default 15 s; the contract promises 20 s.
	HeartbeatInterval time.Duration
	// SendTime is how long the reader of a stream may take for one message before
	// it is let go. Default 10 s.
	SendTime time.Duration
	// DrainTime is how long Stop waits for calls under way. Default 10 s.
	DrainTime time.Duration
	// MemoryBytes is what requests being worked on may take together, and again
	// answers that their readers have not taken. One caller may have an eighth.
	// Default 256 MiB. What is beyond it is answered RESOURCE_EXHAUSTED.
	MemoryBytes int64
	// Quotas are what one caller and one chain may take.
	Quotas Quotas
	// Connections bounds connections.
	Connections Connections
}

// UsualMemory is the default of Limits.MemoryBytes, and LeastMemory the least: one
// caller's part of it, an eighth, must hold the largest request when decoded.
const (
	DefaultMemory = 256 << 20
	MinMemory     = 48 << 20
)

// Check says what in the configuration cannot work; it opens nothing.
func (c Config) Check() error {
	_, err := c.complete()
	return err
}

// complete fills in what was left out, and refuses what cannot work before
// anything is opened.
func (c Config) complete() (Config, error) {
	c.Address = cmp.Or(c.Address, DefaultAddress)
	if c.Clock == nil {
		c.Clock = time.Now
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	c.Limits = c.Limits.complete()
	if (c.Database == "") == (c.DataDir == "") {
		return c, errors.New("give either the connection string of a database or a directory for a private one")
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
	var outside error
	if c.MetricsAddress != "" && !(Config{Address: c.MetricsAddress}).OnLoopback() {
		outside = errMetricsAddress
	}
	return c, errors.Join(c.checkIdentities(), c.Limits.check(), outside)
}

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

func (l Limits) check() error {
	least := min(l.ConnectTime, l.CallTime, l.MaxCallTime, l.StreamTime, l.MinTime, l.PingInterval, l.PingTime, l.HeartbeatInterval, l.SendTime, l.DrainTime)
	if l.RequestBytes < 0 || least < 0 {
		return errors.New("a limit is negative")
	}
	if l.CallTime < l.MinTime || l.StreamTime < l.MinTime {
		return fmt.Errorf("calls without a deadline get less than the least time of %v", l.MinTime)
	}
	if l.MemoryBytes < MinMemory || int64(l.RequestBytes) > MinMemory/callerFraction {
		return fmt.Errorf("memory for requests must be at least %d bytes, and a request no longer than an eighth of that", MinMemory)
	}
	return errors.Join(l.Quotas.check(), l.Connections.check())
}
