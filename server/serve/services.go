package serve

import (
	"google.golang.org/grpc"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
)

// register registers the seven services.
func register(r grpc.ServiceRegistrar, _ Config, _ *storage.DB, _ requests) {
	pb.RegisterDirectoryServiceServer(r, pb.UnimplementedDirectoryServiceServer{})
	pb.RegisterCatalogServiceServer(r, pb.UnimplementedCatalogServiceServer{})
	pb.RegisterConsultationServiceServer(r, pb.UnimplementedConsultationServiceServer{})
	pb.RegisterEligibilityServiceServer(r, pb.UnimplementedEligibilityServiceServer{})
	pb.RegisterProcessingServiceServer(r, pb.UnimplementedProcessingServiceServer{})
	pb.RegisterOutcomeServiceServer(r, pb.UnimplementedOutcomeServiceServer{})
	pb.RegisterAuditServiceServer(r, pb.UnimplementedAuditServiceServer{})
}
