package serve

import (
	"context"
	"errors"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/sequencer"
	"alkalog/storage"
)

// Health names besides the services of the contract, which are SERVING while
// the process is alive. Those of a chain begin with its name: "chains/ebb" is
// the whole chain, "chains/ebb/log" its audit log.
const (
	// LivenessHealth, like the empty name, reports that the process is alive.
	// If it is not SERVING, restart the process.
	LivenessHealth = "liveness"
	// ReadinessHealth reports whether the server should receive calls, that is
	// whether a write could be committed now.
	ReadinessHealth = "readiness"
)

const (
	// healthInterval is how often readiness is checked; our own choice.
	healthInterval = 2 * time.Second
	// healthTimeout bounds one check. It is longer than the lock timeout of the
	// database, so that the error names the lock.
	healthTimeout = 6 * time.Second
)

// The causes for which a server is not ready.
const (
	causeDatabase = "database"  // unreachable, or does not answer
	causeSchema   = "schema"    // not the schema of this program
	causeAudit    = "audit"     // audit entries cannot be inserted
	causeDisk     = "disk"      // the database's disk refuses writes
	causeReadOnly = "read_only" // LOG_MISMATCH: the database is older than the last seen state
	causeClock    = "clock"     // the server's clock is wrong, or not compared
)

// causes lists all of them, for the metrics.
var causes = []string{causeDatabase, causeSchema, causeAudit, causeDisk, causeReadOnly, causeClock}

// healthChecker checks readiness and answers health checks.
type healthChecker struct {
	healthpb.UnimplementedHealthServer
	cfg      Config
	db       *storage.DB // nil: none
	identity identifier
	public   *health.Server // names that everybody may query
	chains   *health.Server // names of chains

	mu      sync.Mutex
	failing map[string]string // why the server is not ready, by cause
}

func newHealthChecker(cfg Config, db *storage.DB, identity identifier) *healthChecker {
	v := &healthChecker{cfg: cfg, db: db, identity: identity, public: health.NewServer(), chains: health.NewServer()}
	v.public.SetServingStatus(LivenessHealth, healthpb.HealthCheckResponse_SERVING)
	v.public.SetServingStatus(ReadinessHealth, healthpb.HealthCheckResponse_NOT_SERVING)
	return v
}

// run checks repeatedly until ctx is done.
func (v *healthChecker) run(ctx context.Context) {
	ticker := time.NewTicker(healthInterval)
	defer ticker.Stop()
	for {
		v.check(ctx)
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// check updates the health of the server and of every chain.
func (v *healthChecker) check(ctx context.Context) {
	failing := v.probe(ctx)
	if ctx.Err() != nil {
		return
	}
	v.mu.Lock()
	news := v.failing == nil || !slices.Equal(slices.Sorted(maps.Keys(failing)), slices.Sorted(maps.Keys(v.failing)))
	v.failing = failing
	v.mu.Unlock()
	v.public.SetServingStatus(ReadinessHealth, servingStatus(len(failing) == 0))
	if news {
		v.logReadiness(ctx, failing)
	}
	for _, s := range v.cfg.logStatus() {
		name := "chains/" + s.Chain
		v.chains.SetServingStatus(name+"/log", servingStatus(s.Healthy()))
		v.chains.SetServingStatus(name, servingStatus(s.Healthy() && v.cfg.unreadable()[s.Chain] == 0))
	}
}

// logReadiness logs a change of readiness.
func (v *healthChecker) logReadiness(ctx context.Context, failing map[string]string) {
	if len(failing) == 0 {
		v.cfg.Logger.InfoContext(ctx, "ready")
		return
	}
	for _, cause := range slices.Sorted(maps.Keys(failing)) {
		v.cfg.Logger.ErrorContext(ctx, "not ready", "cause", cause, "error", failing[cause])
	}
}

// probe returns why the server is not ready, by cause; empty when it is ready.
func (v *healthChecker) probe(ctx context.Context) map[string]string {
	failing := map[string]string{}
	if v.cfg.reference != nil && !v.cfg.reference.State().Right() {
		failing[causeClock] = "the server's clock differs from the database's by more than 2 s, or the comparison failed"
	}
	if v.db == nil {
		return failing
	}
	if err := v.db.Writable(); err != nil {
		failing[causeReadOnly] = err.Error()
	}
	ctx, cancel := context.WithTimeout(ctx, healthTimeout)
	defer cancel()
	if err := v.db.Probe(ctx); err != nil {
		failing[causeOfError(err)] = err.Error()
	}
	return failing
}

// causeOfError returns the cause for the error of a database probe.
func causeOfError(err error) string {
	switch schema := new(storage.SchemaError); {
	case errors.As(err, &schema):
		return causeSchema
	case errors.Is(err, storage.ErrAuditUnavailable):
		return causeAudit
	case errors.Is(err, storage.ErrDisk):
		return causeDisk
	}
	return causeDatabase
}

// notReady returns the causes that apply now.
func (v *healthChecker) notReady() map[string]bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	now := map[string]bool{}
	for cause := range v.failing {
		now[cause] = true
	}
	return now
}

// servingStatus converts a bool to a health status.
func servingStatus(well bool) healthpb.HealthCheckResponse_ServingStatus {
	if well {
		return healthpb.HealthCheckResponse_SERVING
	}
	return healthpb.HealthCheckResponse_NOT_SERVING
}

// shutdown reports NOT_SERVING for everything from now on.
func (v *healthChecker) shutdown() {
	v.public.Shutdown()
	v.chains.Shutdown()
}

// Check implements the health service. A caller that may not query a chain
// receives the same answer as for a chain that does not exist.
func (v *healthChecker) Check(ctx context.Context, req *healthpb.HealthCheckRequest) (*healthpb.HealthCheckResponse, error) {
	return v.serverFor(ctx, req.GetService()).Check(ctx, req)
}

// Watch implements the health service.
func (v *healthChecker) Watch(req *healthpb.HealthCheckRequest, stream healthpb.Health_WatchServer) error {
	server := v.serverFor(stream.Context(), req.GetService())
	if server == v.chains {
		stream = watcher{stream, v, req.GetService()}
	}
	return server.Watch(req, stream)
}

// List returns the health of all public names.
func (v *healthChecker) List(ctx context.Context, req *healthpb.HealthListRequest) (*healthpb.HealthListResponse, error) {
	return v.public.List(ctx, req)
}

// serverFor returns the health server that answers a caller for a name. The
// public one knows no chains.
func (v *healthChecker) serverFor(ctx context.Context, name string) *health.Server {
	if strings.HasPrefix(name, "chains/") && v.mayRead(ctx, name) {
		return v.chains
	}
	return v.public
}

// mayRead reports whether a caller may query the health of a chain: its members
// and operators may.
func (v *healthChecker) mayRead(ctx context.Context, name string) bool {
	who, err := v.identity.Identify(ctx)
	if err != nil {
		return false
	}
	chain := strings.TrimSuffix(name, "/log")
	return who.Role == pb.Role_ROLE_OPERATOR || who.Chain != "" && who.Chain == chain
}

// watcher stops reporting the health of a chain when the caller may no longer
// query it.
type watcher struct {
	healthpb.Health_WatchServer
	checker *healthChecker
	name    string
}

// Send sends a status, or SERVICE_UNKNOWN if the caller may no longer query it.
func (w watcher) Send(answer *healthpb.HealthCheckResponse) error {
	if !w.checker.mayRead(w.Context(), w.name) {
		answer = &healthpb.HealthCheckResponse{Status: healthpb.HealthCheckResponse_SERVICE_UNKNOWN}
	}
	return w.Health_WatchServer.Send(answer)
}

// logStatus returns the state of the logs of all chains; nil without a
// database.
func (c Config) logStatus() []sequencer.Status {
	if c.sequencer == nil {
		return nil
	}
	return c.sequencer.Status()
}

// unreadable returns how many clients have keys that do not open, by chain id.
func (c Config) unreadable() map[string]int64 {
	if c.clients == nil {
		return nil
	}
	return c.clients.unreadable()
}
