package serve

import (
	"crypto/rand"

	"google.golang.org/grpc"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/audit"
	"alkalog/service/catalog"
	"alkalog/service/consultation"
	"alkalog/service/directory"
	"alkalog/service/eligibility"
	"alkalog/service/outcome"
	"alkalog/service/processing"
	"alkalog/service/rules"
	"alkalog/storage"
)

// register makes the seven services and registers them.
func register(r grpc.ServiceRegistrar, cfg Config, db *storage.DB, engine *rules.Engine, checks requests) {
	now := cfg.Clock
	pb.RegisterDirectoryServiceServer(r, directory.Service{DB: db, Now: now})
	pb.RegisterCatalogServiceServer(r, catalog.Service{DB: db, Now: now, Rules: engine})
	pb.RegisterConsultationServiceServer(r, consultation.Service{DB: db, Now: now})
	pb.RegisterEligibilityServiceServer(r, eligibility.Service{DB: db, Now: now, Rules: engine, NewSalt: newSalt})
	pb.RegisterProcessingServiceServer(r, processing.Service{DB: db, Now: now, Check: checks.violations, Hub: new(processing.Hub)})
	pb.RegisterOutcomeServiceServer(r, outcome.Service{DB: db, Now: now})
	pb.RegisterAuditServiceServer(r, audit.Service{DB: db})
}

// newSalt returns 16 random bytes, for the commitments to free text that stand
// on the audit log.
func newSalt() []byte {
	salt := make([]byte, 16)
	rand.Read(salt) // never fails
	return salt
}
