package directory

import (
	"context"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// languages are the languages of the texts in rules and first aid.
var languages = []string{"en"}

// DescribeCaller returns who the caller is, what the caller may call, and within
// which limits. An operator belongs to no chain, so nothing is read for one. The
// emergency number is given to callers of one salon; for others it would depend
// on the salon.
func (s Service) DescribeCaller(ctx context.Context, _ *pb.DescribeCallerRequest) (*pb.DescribeCallerResponse, error) {
	caller := actor.From(ctx)
	answer := &pb.DescribeCallerResponse{
		Actor: caller.Name, Role: caller.Role, Chain: caller.Chain, Salons: caller.Salons,
		Till: caller.Till, TillVersion: caller.TillVersion,
		Methods: s.Methods(caller), Limits: proto.CloneOf(s.Limits),
		RulesRevision: rules.Revision, ContractRevision: contract.Revision, Languages: languages,
	}
	if caller.Chain == "" {
		return answer, nil
	}
	err := storage.Read(ctx, s.DB, record.Chain(caller.Chain), func(r *storage.Snapshot) error {
		chain, err := record.Get(r, caller, storage.Chains, caller.Chain)
		if err != nil {
			return err
		}
		answer.Limits.RequestDays = record.RequestDays(chain)
		if len(caller.Salons) != 1 {
			return nil
		}
		salon, err := record.Get(r, caller, storage.Salons, caller.Salons[0])
		if err != nil {
			return err
		}
		answer.EmergencyNumber = record.EmergencyNumber(salon)
		return nil
	})
	return answer, err
}
