// Package serve runs the server: it opens the database, registers the services
// behind one list of interceptors, answers health checks and shuts down without
// losing a call.
//
// # Start and stop
//
// Start opens, in this order: the configuration, the built-in rules, the
// database (an existing one, or a private PostgreSQL that it starts and
// migrates), the reference clock, the keys of clients, the keys of the audit
// log, and the listener. Each step can refuse; everything opened so far is then closed
// again. Stop reports NOT_SERVING first, so that load balancers send new calls
// elsewhere, then ends streams with a status that asks the client to reconnect,
// and then waits for the unary calls under way. The database closes last.
//
// # Connections
//
// A connection is unproven until one of its calls is identified. The listener
// (connLimiter) bounds connections in total and per address, and closes the
// oldest unproven connection when a new one needs the place, so that idle
// connections cannot lock out a till. It reads an unproven connection slowly
// and closes it after a time without a call, and it closes a connection whose
// client does not read its answers.
//
// # What a call passes
//
// Unary calls and streams pass the same interceptors, before any byte of the
// request is read. The list is interceptors.ordered. What must see every outcome is
// outside, and cheap refusals come before expensive ones:
//
//   - logCall logs the call and counts it, whatever happens inside.
//   - recoverPanics turns a panic into INTERNAL with an id.
//   - mapErrors turns every error into a status; nothing outside of it sees another
//     error.
//   - drain ends streams when the server stops.
//   - setDeadline bounds the call, so that everything after it ends.
//   - limitAnonymous bounds calls of unknown callers, before signatures are checked,
//     which cost most of the work of a refused call.
//   - auditDenials records the denials of everything after it. It is outside of
//     identification, because a failed identification is a denial too.
//   - identifyCaller puts the actor into the context.
//   - limitRate applies the quotas of the caller and of its chain. It needs to know
//     both, and comes before everything that costs more than a look-up.
//   - authorize checks the role, by the contract's option.
//   - auditReads records the reads of auditors, which only an authorized call can
//     be.
//
// Then the handler runs, and asks for its request (checkedStream.RecvMsg). Only now
// it is received, and these steps follow:
//
//   - Memory for the longest request is reserved while the bytes arrive.
//   - The bytes are checked without decoding (checkBytes): length, nesting, number
//     of messages, fields and list items. Decoding can multiply the size of a
//     request by 150.
//   - Memory for the decoded request is reserved, and a unary call waits for a worker
//     of its chain.
//   - The request is decoded, and validated against the rules of the contract.
//     Unknown fields are refused.
//   - Every resource name in it must be in the caller's chain and salons
//     (checkScope), and every field must be one that the caller may write
//     (checkWritable). What only a stored record shows is checked by package record.
//
// The answer is encoded by the server itself and counted as unsent until the client
// has taken it (newAnswer). A client that does not take its answers loses its
// connection.
//
// # Identity
//
// Package identity turns a client certificate, a token, or both into an actor.
// The roles that may call a method, the fields that a role may write and the
// scope of each name come from the contract's options; this package enforces
// them and has no list of its own. A long stream is identified again at most
// once a second, so that a revoked caller does not keep it.
//
// # Web door
//
// The web door (package web) is a second listener for the same services. Its calls
// pass the same interceptors as those of gRPC, before a byte of their body is read,
// and both listeners share one set of bounds on connections, callers and memory. A call
// there is a web.Stream in place of gRPC's stream, and nothing else differs.
//
// # Load shedding
//
// Callers without an identity are bounded per address and in total; callers
// with one by a token bucket, a number of calls and a number of streams, for
// the caller and for its chain. Memory for requests and unsent answers is
// bounded too. Everything beyond a bound is answered RESOURCE_EXHAUSTED with a
// retry delay; health stays SERVING, because a restart would not help. Rates
// use the machine's clock, since they protect the machine; everything that is
// recorded uses the reference clock.
//
// # Audit
//
// Each denial becomes an entry in the audit log of the caller's chain; repeated
// denials are aggregated (aggregator). Each read by an auditor is recorded
// before the answer is sent, and is refused if it cannot be recorded.
//
// # Clocks
//
// There are three. The reference clock is the database's, monotonic between two
// comparisons; everything that is recorded uses it, so all servers agree. The
// machine's clock measures rates, deadlines and waits. Config.Clock stands for the
// machine's in everything that is compared with a certificate, a token or the
// reference, and is what tests set.
//
// # Files beside the database
//
// A restored backup and an old primary look like the database that they were, so what
// recognizes them is kept in three files that no backup of the database contains:
//
//   - The state file has the system identifier and the highest timeline of the database
//     server (storage). A server on a lower timeline was replaced, and is refused before
//     anything is sent to it.
//   - The checkpoint file has the newest signed heads of the audit logs (sequencer). If
//     the database does not continue them, nothing is written until an operator accepts
//     that.
//   - The erasure file has the names of erased clients (erasures). Keys of theirs that
//     come back with a backup are never used and are destroyed again.
//
// A file that exists and cannot be read ends the start, because the server would then
// believe what the file is there to disprove. A file that cannot be written stops only
// what depends on it: the state file a failover, the erasure file an erasure.
//
// # Private database
//
// A private PostgreSQL belongs to one server, which starts, migrates and stops it. If it
// ends by itself it is started again with growing pauses. Meanwhile calls that need the
// database are answered UNAVAILABLE and the server is not ready. What was acknowledged
// is on the disk by then, and a call whose outcome is unknown is answered when it is
// repeated.
//
// # Other commands
//
// RecomputeColumns, RewrapClients, Replay, Session, VerifyRecords and Migrate open
// the database as Start does, do one thing without serving, and close it again. The
// command line calls them.
//
// # Logs and errors
//
// Logs hold no contents of requests and answers. An unexpected error is logged
// with a random id, redacted by the contract's data classes, and the caller
// receives only that id.
package serve

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	"alkalog/server/metrics"
	"alkalog/server/web"
)

// Server is a running server. It ends when Stop is called, or by itself when it
// can no longer serve. Start makes one; all its methods may be called at any time
// after that.
type Server struct {
	cfg      Config // complete
	listener net.Listener
	grpc     *grpc.Server
	web      *webListener // nil: none
	health   *healthChecker
	metrics  *metrics.Registry
	database database
	denials  *denials
	counters *Counters
	memory   *memoryLimiter
	expiry   *certificateExpiry

	metricsAddr string // empty: no metrics are served

	cancel context.CancelFunc // ends the streams and the background loops
	loops  sync.WaitGroup     // waits for the background loops

	ending sync.Once
	ended  chan struct{} // closed when everything has ended
	err    error         // why the server ended by itself; set before ended is closed
}

// Start opens the database, begins to serve and returns. ctx bounds the start
// only. If Start fails, it closes what it has opened.
func Start(ctx context.Context, cfg Config) (*Server, error) {
	ownReference := cfg.Clock != nil && cfg.Reference == nil
	cfg, err := cfg.complete()
	if err != nil {
		return nil, err
	}
	if cfg.Compiled == nil {
		cfg.Progress("compiling the rules")
		if cfg.Compiled, err = Compile(); err != nil {
			return nil, err
		}
	}
	if err := cfg.checkAddresses(); err != nil {
		return nil, err
	}
	db, err := openDatabase(ctx, cfg)
	if err != nil {
		return nil, err
	}
	cfg.counters = &Counters{}
	cfg.reference = openReferenceClock(ctx, cfg, db.db, ownReference)
	cfg.Progress("opening the audit logs")
	clients, err := openClients(ctx, cfg, db)
	if err != nil {
		return nil, errors.Join(err, db.close())
	}
	log, err := openLog(ctx, cfg, db.db)
	if err != nil {
		return nil, errors.Join(err, db.close())
	}
	cfg.clients, cfg.sequencer = clients, log
	s, err := listen(cfg, db, func(r grpc.ServiceRegistrar, checks requests) []backgroundLoop {
		return register(r, cfg, db.db, cfg.Compiled.engine, log, clients, checks)
	})
	if err != nil {
		return nil, errors.Join(err, db.close())
	}
	return s, nil
}

// listen opens the listener and serves what register registers. Without a
// database it serves health and reflection only, which tests use.
func listen(cfg Config, db database, register func(grpc.ServiceRegistrar, requests) []backgroundLoop) (*Server, error) {
	watch, err := openCallerSecurity(cfg)
	if err != nil {
		return nil, err
	}
	counters := cmp.Or(cfg.counters, &Counters{})
	listener, err := cfg.listener()
	if err != nil {
		return nil, err
	}
	connections := newConnLimiter(cfg.Limits.Connections, counters)
	listener = connections.bound(listener)
	leaving, leave := context.WithCancel(context.Background())
	s := &Server{cfg: cfg, listener: listener, database: db, cancel: leave, ended: make(chan struct{}), counters: counters}
	methods := map[string]web.Method{}
	in, err := s.build(leaving, watch, register, methods)
	if err == nil && cfg.WebAddress != "" {
		s.web, err = openWeb(cfg, watch, connections, in, methods)
	}
	if err != nil {
		leave()
		return nil, errors.Join(err, listener.Close())
	}
	cfg.Logger.Log(leaving, cfg.trustLogLevel(), "serving", "address", s.Addr(), "tls", cfg.TLSCert != "", "trusts", cfg.DescribeTrust())
	if s.web != nil {
		cfg.Logger.Info("serving the web door", "address", s.WebAddr())
		go s.serveWeb()
	}
	go s.serve()
	return s, nil
}

// build creates the gRPC server with its interceptors, registers all services on
// it and starts the background loops. Nothing is served before it returns.
func (s *Server) build(leaving context.Context, watch callerSecurity, register func(grpc.ServiceRegistrar, requests) []backgroundLoop, methods map[string]web.Method) (*interceptors, error) {
	if s.cfg.Compiled == nil { // without a database
		checks, err := newRequests()
		if err != nil {
			return nil, err
		}
		s.cfg.Compiled = &Compiled{checks: checks}
	}
	checks := s.cfg.Compiled.checks
	reference := s.cfg.reference
	if reference == nil { // no database
		reference = &referenceClock{local: s.cfg.Clock, log: s.cfg.Logger}
	}
	s.memory = newMemoryLimiter(s.cfg.Limits.MemoryBytes, s.counters)
	in := &interceptors{
		log: s.cfg.Logger, limits: s.cfg.Limits, identity: watch.identifier,
		accessByMethod: accessByMethod(), requests: checks, draining: leaving,
		now: reference.Now, audit: auditWriter{s.database.db}, quotas: newQuotas(s.cfg.Limits.Quotas, s.cfg.Limits.MemoryBytes/callerFraction),
		anonymous: newAnonymousLimiter(s.cfg.Limits.Quotas.Anonymous), memory: s.memory,
		messageLimits: newLimitsCache(), counters: s.counters, methods: methodsByName(),
	}
	s.denials = newDenials(s.cfg, reference.Now, in.audit)
	in.denials = s.denials
	s.health = newHealthChecker(s.cfg, s.database.db, in.identity)
	s.expiry = watch.expiry
	s.loops.Go(func() { s.expiry.run(leaving) })
	serveMetrics, err := s.openMetrics()
	if err != nil {
		return nil, err
	}
	in.metrics = s.metrics
	if serveMetrics != nil {
		s.loops.Go(func() { serveMetrics(leaving) })
	}
	s.loops.Go(func() { s.denials.run(leaving) })
	s.grpc = grpc.NewServer(append(transport(s.cfg.Limits), watch.transport(s.counters))...)
	services := registrar{s.grpc, in, methods}
	for _, run := range register(services, checks) {
		s.loops.Go(func() { run(leaving) })
	}
	for service := range s.grpc.GetServiceInfo() {
		s.health.public.SetServingStatus(service, healthpb.HealthCheckResponse_SERVING)
	}
	if s.cfg.reference != nil {
		s.cfg.reference.notify(s.clockHealth)
		s.loops.Go(func() { s.cfg.reference.run(leaving) })
	}
	s.loops.Go(func() { s.health.run(leaving) })
	healthpb.RegisterHealthServer(services, s.health)
	reflection.RegisterV1(services)
	return in, nil
}

// transport returns the gRPC options that bound what a connection can cost.
func transport(l Limits) []grpc.ServerOption {
	return []grpc.ServerOption{
		grpc.ForceServerCodecV2(newCodec()),
		grpc.MaxRecvMsgSize(l.RequestBytes),
		grpc.MaxHeaderListSize(l.HeaderBytes),
		grpc.MaxConcurrentStreams(l.StreamsPerConnection),
		grpc.ConnectionTimeout(l.ConnectTime),
		// Detects tills that have lost the network, and disconnects clients that
		// ping too often (gRPC A8, A9).
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: l.PingInterval, Timeout: l.PingTime, MaxConnectionIdle: l.Connections.IdleTime}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: l.PingInterval / 3, PermitWithoutStream: true}),
		// Fixed windows: with dynamic ones a fast sender could have 16 MiB in flight.
		grpc.InitialWindowSize(flowWindow), grpc.InitialConnWindowSize(flowWindow),
		// A quiet connection holds a read buffer of only 16 KiB. gRPC holds a write
		// buffer only while it writes.
		grpc.ReadBufferSize(16 << 10),
		grpc.WaitForHandlers(true), // no handler uses the database after it is closed
	}
}

// flowWindow is how many bytes of a stream, and of a connection, may be in
// flight before they are read: the minimum of gRPC. A message that is already
// being received may always arrive completely.
const flowWindow = 64 << 10

// Counters returns the counters of refused connections and calls. They are live;
// read them with Load.
func (s *Server) Counters() *Counters { return s.counters }

// Addr returns the address that the server listens on, with its actual port.
// Clients and tests use it after port 0.
func (s *Server) Addr() string { return s.listener.Addr().String() }

// Database describes the database without secrets.
func (s *Server) Database() string { return s.database.description }

// Clock returns how the server's clock compares with the database's.
func (s *Server) Clock() ClockState {
	if s.cfg.reference == nil {
		return ClockState{}
	}
	return s.cfg.reference.State()
}

// ClockHealth is the health name that reports whether the server's clock is
// right. The server as a whole stays SERVING, because it uses the database's
// clock.
const ClockHealth = "alkalog.clock"

// clockHealth publishes a change of the clock's state as health.
func (s *Server) clockHealth(state ClockState) {
	s.health.public.SetServingStatus(ClockHealth, servingStatus(state.Right()))
}

// Wait returns when the server has ended: nil after Stop, otherwise the reason.
// It may be called by several goroutines.
func (s *Server) Wait() error {
	<-s.ended
	return s.err
}

// Stop shuts the server down and returns when it has ended. Calls under way may
// finish until ctx is done or Limits.DrainTime has passed; then they are
// canceled. A second call waits for the first.
func (s *Server) Stop(ctx context.Context) { s.end(ctx, nil) }

// serve accepts connections until the server ends.
func (s *Server) serve() {
	if err := s.grpc.Serve(s.listener); err != nil {
		s.end(context.Background(), fmt.Errorf("listening: %w", err))
	}
}

// end shuts the server down once; the reason of the first call counts. Denials
// are written after all calls have ended and before the database closes.
func (s *Server) end(ctx context.Context, reason error) {
	s.ending.Do(func() {
		s.err = reason
		s.drain(ctx)
		s.loops.Wait()
		s.denials.close()
		if err := s.database.close(); err != nil && s.err == nil {
			s.err = err
		}
		close(s.ended)
	})
}

// drain ends calls in the order that loses none: health reports NOT_SERVING, so
// that new calls go elsewhere; streams end with a status that asks to
// reconnect; unary calls under way are awaited.
func (s *Server) drain(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, s.cfg.Limits.DrainTime)
	defer cancel()
	began := time.Now()
	s.cfg.Logger.Info("draining")
	s.health.shutdown()
	s.cancel()
	cut := context.AfterFunc(ctx, func() {
		s.cfg.Logger.Warn("drain time exceeded, canceling calls under way")
		s.grpc.Stop()
	})
	defer cut()
	var web sync.WaitGroup
	web.Go(func() { s.web.drain(ctx) })
	s.grpc.GracefulStop()
	web.Wait()
	s.cfg.Logger.Info("drained", "milliseconds", time.Since(began).Milliseconds())
}
