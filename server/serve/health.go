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

// Names that health answers for, beside the services of the contract, which are
// serving as long as the process is alive. What belongs to a chain has its name in
// front: "chains/ebb" is all of it, "chains/ebb/log" its audit log.
const (
	// LivenessHealth says that the process is alive, as the empty name does. A
	// restart helps when it is not serving.
	LivenessHealth = "liveness"
	// ReadinessHealth says whether calls should be sent here: whether a write could
	// be committed now.
	ReadinessHealth = "readiness"
)

const (
	// healthEvery is how often readiness is found out; our own choice.
	healthInterval = 2 * time.Second
	// healthPatience bounds one look. It is longer than the database waits for a
	// lock, so that it says which lock is missing.
	healthTimeout = 6 * time.Second
)

// The causes for which a server is not ready.
const (
	causeDatabase = "database"  // it cannot be reached, or does not answer
	causeSchema   = "schema"    // it is not this program's
	causeAudit    = "audit"     // audit entries cannot be inserted
	causeDisk     = "disk"      // the database's disk refuses writes
	causeReadOnly = "read_only" // LOG_MISMATCH: the database was put back
	causeClock    = "clock"     // this server's clock is off, or not compared
)

// causes are all of them.
var causes = []string{causeDatabase, causeSchema, causeAudit, causeDisk, causeReadOnly, causeClock}

// vitals finds out how the server is, and answers health with it.
type healthChecker struct {
	healthpb.UnimplementedHealthServer
	cfg      Config
	db       *storage.DB // nil: there is none
	identity identifier
	public   *health.Server // names that anybody may ask for
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

// run looks again and again until ctx is done.
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

// look finds out once how the server and every chain is.
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

// tell logs a change of readiness.
func (v *healthChecker) logReadiness(ctx context.Context, failing map[string]string) {
	if len(failing) == 0 {
		v.cfg.Logger.InfoContext(ctx, "ready")
		return
	}
	for _, cause := range slices.Sorted(maps.Keys(failing)) {
		v.cfg.Logger.ErrorContext(ctx, "not ready", "cause", cause, "error", failing[cause])
	}
}

// find returns why the server is not ready, by cause; none when it is.
func (v *healthChecker) probe(ctx context.Context) map[string]string {
	failing := map[string]string{}
	if v.cfg.reference != nil && !v.cfg.reference.State().Right() {
		failing[causeClock] = "the server's clock differs from the database's by more than 2 s, or could not be compared"
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

// causeOf names the cause of what a probe has found.
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

// notReady says which causes hold now.
func (v *healthChecker) notReady() map[string]bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	now := map[string]bool{}
	for cause := range v.failing {
		now[cause] = true
	}
	return now
}

func servingStatus(well bool) healthpb.HealthCheckResponse_ServingStatus {
	if well {
		return healthpb.HealthCheckResponse_SERVING
	}
	return healthpb.HealthCheckResponse_NOT_SERVING
}

// shutdown says NOT_SERVING of everything, for good.
func (v *healthChecker) shutdown() {
	v.public.Shutdown()
	v.chains.Shutdown()
}

// Check answers how a service is. Who may not know a chain is answered as for a
// chain that does not exist.
func (v *healthChecker) Check(ctx context.Context, req *healthpb.HealthCheckRequest) (*healthpb.HealthCheckResponse, error) {
	return v.serverFor(ctx, req.GetService()).Check(ctx, req)
}

// Watch answers how a service is, and again when that changes.
func (v *healthChecker) Watch(req *healthpb.HealthCheckRequest, stream healthpb.Health_WatchServer) error {
	server := v.serverFor(stream.Context(), req.GetService())
	if server == v.chains {
		stream = watcher{stream, v, req.GetService()}
	}
	return server.Watch(req, stream)
}

// List answers how everything is that anybody may ask for.
func (v *healthChecker) List(ctx context.Context, req *healthpb.HealthListRequest) (*healthpb.HealthListResponse, error) {
	return v.public.List(ctx, req)
}

// server is the one that answers a caller for a name. The open one knows no chains.
func (v *healthChecker) serverFor(ctx context.Context, name string) *health.Server {
	if strings.HasPrefix(name, "chains/") && v.mayRead(ctx, name) {
		return v.chains
	}
	return v.public
}

// may reports whether a caller may know how a chain is: its members and operators.
func (v *healthChecker) mayRead(ctx context.Context, name string) bool {
	who, err := v.identity.Identify(ctx)
	if err != nil {
		return false
	}
	chain := strings.TrimSuffix(name, "/log")
	return who.Role == pb.Role_ROLE_OPERATOR || who.Chain != "" && who.Chain == chain
}

// watcher ends the watch of a chain when its reader is no longer let in.
type watcher struct {
	healthpb.Health_WatchServer
	checker *healthChecker
	name    string
}

// Send sends a change to whoever may still know it.
func (w watcher) Send(answer *healthpb.HealthCheckResponse) error {
	if !w.checker.mayRead(w.Context(), w.name) {
		answer = &healthpb.HealthCheckResponse{Status: healthpb.HealthCheckResponse_SERVICE_UNKNOWN}
	}
	return w.Health_WatchServer.Send(answer)
}

// logStatus is the state of the logs of all chains; none without a database.
func (c Config) logStatus() []sequencer.Status {
	if c.sequencer == nil {
		return nil
	}
	return c.sequencer.Status()
}

// unreadable counts the clients whose keys do not open, by the id of their chain.
func (c Config) unreadable() map[string]int64 {
	if c.clients == nil {
		return nil
	}
	return c.clients.unreadable()
}
