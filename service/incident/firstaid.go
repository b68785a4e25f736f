package incident

import (
	"context"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/record"
	"alkalog/storage"
)

// DescribeFirstAid returns what to do first, for one kind of incident or for all,
// with the emergency number of the salon's place. It reads one record and decides
// nothing, so a till can fetch the texts when it starts and show them without a
// connection.
func (s Service) DescribeFirstAid(ctx context.Context, req *pb.DescribeFirstAidRequest) (*pb.DescribeFirstAidResponse, error) {
	salon, err := record.Read(ctx, s.DB, storage.Salons, req.Salon)
	if err != nil {
		return nil, err
	}
	number := record.EmergencyNumber(salon)
	answer := &pb.DescribeFirstAidResponse{EmergencyNumber: number}
	for _, text := range record.FirstAid(number) {
		if req.Kind == pb.IncidentKind_INCIDENT_KIND_UNSPECIFIED || req.Kind == text.Kind {
			answer.Texts = append(answer.Texts, text)
		}
	}
	return answer, nil
}
