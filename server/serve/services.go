package serve

import (
	"context"
	"crypto/rand"

	"google.golang.org/grpc"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/sequencer"
	"alkalog/service/audit"
	"alkalog/service/catalog"
	"alkalog/service/consultation"
	"alkalog/service/directory"
	"alkalog/service/eligibility"
	"alkalog/service/imports"
	"alkalog/service/incident"
	"alkalog/service/outcome"
	"alkalog/service/processing"
	"alkalog/service/rules"
	"alkalog/service/training"
	"alkalog/storage"
)

// register creates the services of the contract and registers them. It returns
// the background loops. Every service gets the reference clock and the one rule
// engine.
func register(r grpc.ServiceRegistrar, cfg Config, db *storage.DB, engine *rules.Engine, log *sequencer.Sequencer, clients *clientKeeper, checks requests) []backgroundLoop {
	now := cfg.reference.Now
	clock := processing.Service{DB: db, Now: now, ServerClock: cfg.reference.offset, Check: checks.violations, Notifier: processing.NewNotifier(), Rules: engine, BeatEvery: cfg.Limits.HeartbeatInterval}
	clock.Notifier.Others = log.Hear // one connection listens for both
	pb.RegisterDirectoryServiceServer(r, directory.Service{DB: db, Now: now, Limits: cfg.Limits.forCallers(), Methods: methodsFor})
	pb.RegisterCatalogServiceServer(r, catalog.Service{DB: db, Now: now, Rules: engine})
	intake := consultation.Service{DB: db, Now: now, Rules: engine, Erasures: clients.erased}
	pb.RegisterConsultationServiceServer(r, intake)
	pb.RegisterEligibilityServiceServer(r, eligibility.Service{DB: db, Now: now, Rules: engine, NewSalt: newSalt})
	pb.RegisterProcessingServiceServer(r, clock)
	pb.RegisterOutcomeServiceServer(r, outcome.Service{DB: db, Now: now})
	pb.RegisterTrainingServiceServer(r, training.Service{DB: db, Now: now, Rules: engine})
	incidents := incident.Service{DB: db, Now: now}
	pb.RegisterIncidentServiceServer(r, incidents)
	pb.RegisterImportServiceServer(r, imports.Service{DB: db, Now: now, Check: checks.violations})
	audits := audit.Service{DB: db, Now: now, Logs: log, Rules: engine}
	pb.RegisterAuditServiceServer(r, audits)
	return append(clients.loops(intake),
		log.Lead,
		log.Watch,
		log.Inspect,
		func(ctx context.Context) { clock.Notifier.Run(ctx, db) },
		func(ctx context.Context) {
			clock.Sweep(ctx, func(err error) { cfg.Logger.Warn("cannot look for missed alarms", "error", err.Error()) })
		},
		func(ctx context.Context) {
			incidents.WatchOverdue(ctx, func(err error) { cfg.Logger.Warn("cannot look for overdue follow-ups", "error", err.Error()) })
		},
		func(ctx context.Context) {
			audits.Count(ctx, func(err error) { cfg.Logger.Warn("cannot update the report counters", "error", err.Error()) })
		},
	)
}

// backgroundLoop runs until its context is done. Each handles its own errors; it
// ends only when the server does.
type backgroundLoop func(context.Context)

// newSalt returns 16 random bytes, for the commitments to free text in the audit
// log. A commitment without one could be tested against guesses of the text.
func newSalt() []byte {
	salt := make([]byte, 16)
	rand.Read(salt) // never fails
	return salt
}
