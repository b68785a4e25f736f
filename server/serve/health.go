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

// healthChecker checks readiness and answers health checks. Readiness is checked
// in the background, so that a probe is answered at once and many probes cost
// nothing.
type healthChecker struct {
	healthpb.UnimplementedHealthServer
	cfg      Config
	db       *storage.DB // nil: none
	identity identifier  // for callers that ask about a chain
	// public holds the names that everybody may query, chains the names of chains.
	public *health.Server
	chains *health.Server

	mu sync.Mutex
	// failing are the reasons why the server is not ready, by cause; nil before the
	// first check.
	failing map[string]string
}

// newHealthChecker returns a checker that reports not ready until its first
// check.
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

// check updates the health of the server and of every chain. A chain with a
// problem does not make the server unready: the others can work.
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

// logReadiness logs a change of readiness. It is called when the causes change,
// not at every check.
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
// Each cause has its own error text for the log; the metrics show the causes
// only.
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

// causeOfError returns the cause for the error of a database probe. An unknown
// error counts as the database's.
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

// shutdown reports NOT_SERVING for everything from now on. Load balancers then
// send new calls elsewhere.
func (v *healthChecker) shutdown() {
	v.public.Shutdown()
	v.chains.Shutdown()
}

// Check implements the health service. A caller that may not query a chain
// receives the same answer as for a chain that does not exist.
func (v *healthChecker) Check(ctx context.Context, req *healthpb.HealthCheckRequest) (*healthpb.HealthCheckResponse, error) {
	return v.serverFor(ctx, req.GetService()).Check(ctx, req)
}

// Watch implements the health service. A watcher receives the status at once and
// then each change.
func (v *healthChecker) Watch(req *healthpb.HealthCheckRequest, stream healthpb.Health_WatchServer) error {
	server := v.serverFor(stream.Context(), req.GetService())
	if server == v.chains {
		stream = watcher{stream, v, req.GetService()}
	}
	return server.Watch(req, stream)
}

// List returns the health of all public names. Chains are left out, because a
// caller may not learn which there are.
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
// and operators may. The health protocol has no errors of access, so others are
// told that the name is unknown.
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
