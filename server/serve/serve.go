// Package serve is the running server: the database, the eight services behind
// one list of interceptors, health, reflection, and an orderly end.
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
)

// Server is a running server. It ends by Stop, or by itself when it can serve
// no longer.
type Server struct {
	cfg      Config
	listener net.Listener
	grpc     *grpc.Server
	health   *healthChecker
	metrics  *metrics.Registry
	database database
	cancel   context.CancelFunc // ends the streams and the loops
	loops    sync.WaitGroup     // what runs beside the services
	denials  *denials
	counters *Counters
	memory   *memoryLimiter

	metricsAddr string

	ending sync.Once
	ended  chan struct{}
	err    error // why it ended by itself; set before ended is closed
}

// Start opens the database, listens and returns; ctx bounds the start only.
// Whatever it opened is closed again when it fails.
func Start(ctx context.Context, cfg Config) (*Server, error) {
	ownReference := cfg.Clock != nil && cfg.Reference == nil
	cfg, err := cfg.complete()
	if err != nil {
		return nil, err
	}
	if cfg.Compiled == nil {
		if cfg.Compiled, err = Compile(); err != nil {
			return nil, err
		}
	}
	db, err := openDatabase(ctx, cfg)
	if err != nil {
		return nil, err
	}
	cfg.counters = &Counters{}
	cfg.reference = openReferenceClock(ctx, cfg, db.db, ownReference)
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

// listen begins to serve what register registers.
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
	listener = newConnLimiter(listener, cfg.Limits.Connections, counters)
	leaving, leave := context.WithCancel(context.Background())
	s := &Server{cfg: cfg, listener: listener, database: db, cancel: leave, ended: make(chan struct{}), counters: counters}
	if err := s.build(leaving, watch, register); err != nil {
		leave()
		return nil, errors.Join(err, listener.Close())
	}
	cfg.Logger.Log(leaving, cfg.trustLogLevel(), "serving", "address", s.Addr(), "tls", cfg.TLSCert != "", "believes", cfg.DescribeTrust())
	go s.serve()
	go s.watchDatabase()
	return s, nil
}

// build makes the gRPC server and registers everything on it.
func (s *Server) build(leaving context.Context, watch callerSecurity, register func(grpc.ServiceRegistrar, requests) []backgroundLoop) error {
	if s.cfg.Compiled == nil { // without a database
		checks, err := newRequests()
		if err != nil {
			return err
		}
		s.cfg.Compiled = &Compiled{checks: checks}
	}
	checks := s.cfg.Compiled.checks
	reference := s.cfg.reference
	if reference == nil { // without a database
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
	serveMetrics, err := s.openMetrics()
	if err != nil {
		return err
	}
	in.metrics = s.metrics
	if serveMetrics != nil {
		s.loops.Go(func() { serveMetrics(leaving) })
	}
	s.loops.Go(func() { s.denials.run(leaving) })
	s.grpc = grpc.NewServer(append(transport(s.cfg.Limits), watch.transport(s.counters))...)
	services := registrar{s.grpc, in}
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
	return nil
}

// transport is how requests are read and what a connection may cost us, in
// gRPC's own terms.
func transport(l Limits) []grpc.ServerOption {
	return []grpc.ServerOption{
		grpc.ForceServerCodecV2(newCodec()),
		grpc.MaxRecvMsgSize(l.RequestBytes),
		grpc.MaxHeaderListSize(l.HeaderBytes),
		grpc.MaxConcurrentStreams(l.StreamsPerConnection),
		grpc.ConnectionTimeout(l.ConnectTime),
		// A till that fell off the network is noticed, and one that asks too
		// often whether we are there is told off (gRPC A8, A9).
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: l.PingInterval, Timeout: l.PingTime, MaxConnectionIdle: l.Connections.IdleTime}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: l.PingInterval / 3, PermitWithoutStream: true}),
		// Fixed windows: gRPC would let a fast sender have 16 MiB under way.
		grpc.InitialWindowSize(flowWindow), grpc.InitialConnWindowSize(flowWindow),
		// Less memory for a quiet connection: 16 KiB to read with. gRPC keeps a buffer
		// to write with only while something is written.
		grpc.ReadBufferSize(16 << 10),
		grpc.WaitForHandlers(true), // nobody uses the database once it is closed
	}
}

// flowWindow is how many bytes of a stream, and of a connection, may be on their way
// before they are read: the least that gRPC takes. A message that is being
// received may always come as a whole.
const flowWindow = 64 << 10

// Counters count what the limits refused.
func (s *Server) Counters() *Counters { return s.counters }

// Addr is the address that the server listens on, with the port it was given.
func (s *Server) Addr() string { return s.listener.Addr().String() }

// Database says which database is used, without secrets.
func (s *Server) Database() string { return s.database.description }

// Clock says how the server's clock compares with the database's.
func (s *Server) Clock() ClockState {
	if s.cfg.reference == nil {
		return ClockState{}
	}
	return s.cfg.reference.State()
}

// ClockHealth is the name under which health says whether the server's clock is
// right. The server as a whole stays SERVING: it goes by the database's clock.
const ClockHealth = "alkalog.clock"

func (s *Server) clockHealth(state ClockState) {
	s.health.public.SetServingStatus(ClockHealth, servingStatus(state.Right()))
}

// Wait returns when the server has ended: nil after Stop, else why.
func (s *Server) Wait() error {
	<-s.ended
	return s.err
}

// Stop ends the server in order and returns when it has ended. Calls under way
// are finished, but at the end of ctx or after Limits.DrainTime they are cut.
func (s *Server) Stop(ctx context.Context) { s.end(ctx, nil) }

// serve accepts connections until the server ends.
func (s *Server) serve() {
	if err := s.grpc.Serve(s.listener); err != nil {
		s.end(context.Background(), fmt.Errorf("listening: %w", err))
	}
}

// watchDatabase ends the server when its private database has gone.
func (s *Server) watchDatabase() {
	select {
	case <-s.database.gone():
		s.end(context.Background(), fmt.Errorf("the private database has ended: %w", s.database.reason()))
	case <-s.ended:
	}
}

// end ends the server once, whoever asks first.
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

// drain lets callers go, in an order that loses none: first health says
// NOT_SERVING, so that new calls go elsewhere; then streams end, with a status
// that says to resume; then the calls under way are waited for.
func (s *Server) drain(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, s.cfg.Limits.DrainTime)
	defer cancel()
	began := time.Now()
	s.cfg.Logger.Info("draining")
	s.health.shutdown()
	s.cancel()
	cut := context.AfterFunc(ctx, func() {
		s.cfg.Logger.Warn("calls under way are cut")
		s.grpc.Stop()
	})
	defer cut()
	s.grpc.GracefulStop()
	s.cfg.Logger.Info("drained", "milliseconds", time.Since(began).Milliseconds())
}
