package catalog

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// CreateHousePolicy uploads a chain's own rules as a draft, if they hold up.
func (s Service) CreateHousePolicy(ctx context.Context, req *pb.CreateHousePolicyRequest) (*pb.CreateHousePolicyResponse, error) {
	name := req.Parent + "/policies/" + req.HousePolicyId
	check := record.All(record.Exist(storage.Chains, req.Parent), s.holdsUp(req.HousePolicy))
	return record.Create(ctx, s.DB, storage.HousePolicies, s.Now(), req, name, req.HousePolicy, check,
		func(m *pb.HousePolicy) *pb.CreateHousePolicyResponse {
			return &pb.CreateHousePolicyResponse{HousePolicy: m}
		},
		begin)
}

// mostPolicyBytes bounds a house policy. A decision holds the policy whole, and
// what each of its rules says of each of up to twelve sections; it must fit into
// what a client receives at once, which is 4 MiB unless it asks for more.
const mostPolicyBytes = 128 << 10

// holdsUp refuses a policy with a rule that cannot be evaluated, and one that
// would make decisions too large.
func (s Service) holdsUp(p *pb.HousePolicy) record.Check {
	return func(*storage.Snapshot) error {
		var violations []fault.Violation
		if proto.Size(p) > mostPolicyBytes {
			return fault.Invalid("house_policy.rules", fmt.Sprintf("must be at most %d bytes in all", mostPolicyBytes))
		}
		for _, problem := range s.Rules.CheckHouse(p) {
			violations = append(violations, fault.Violation{Field: "house_policy." + problem.Field, Want: problem.Want})
		}
		if len(violations) > 0 {
			return fault.InvalidFields(violations...)
		}
		return nil
	}
}

// begin makes a new policy a draft with the digest of its content.
func begin(p *pb.HousePolicy) {
	p.State = pb.PolicyState_POLICY_STATE_DRAFT
	for _, r := range p.Rules {
		r.Layer = pb.Layer_LAYER_HOUSE
	}
	sum := sha256.Sum256(rules.HouseText(p))
	p.Digest = hex.EncodeToString(sum[:])
}

// GetHousePolicy returns a house policy.
func (s Service) GetHousePolicy(ctx context.Context, req *pb.GetHousePolicyRequest) (*pb.GetHousePolicyResponse, error) {
	m, err := record.Read(ctx, s.DB, storage.HousePolicies, req.Name)
	return &pb.GetHousePolicyResponse{HousePolicy: m}, err
}

// ListHousePolicies lists the house policies of a chain by name.
func (s Service) ListHousePolicies(ctx context.Context, req *pb.ListHousePoliciesRequest) (*pb.ListHousePoliciesResponse, error) {
	ms, next, err := record.List(ctx, s.DB, storage.HousePolicies, req.Parent, req.PageSize, req.PageToken)
	return &pb.ListHousePoliciesResponse{HousePolicies: ms, NextPageToken: next}, err
}

// ActivateHousePolicy puts a policy in force and retires the one that was. A
// policy in force already stays so, and nothing is written.
func (s Service) ActivateHousePolicy(ctx context.Context, req *pb.ActivateHousePolicyRequest) (*pb.ActivateHousePolicyResponse, error) {
	scene := record.Scene(ctx, req, req.Name, s.Now())
	return storage.Write(ctx, s.DB, record.Chain(scene.Chain), req, func(r *storage.Snapshot) (*pb.ActivateHousePolicyResponse, storage.Changes, error) {
		stored, err := record.Fresh(r, storage.HousePolicies, req.Name, req.Etag)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		switch stored.State {
		case pb.PolicyState_POLICY_STATE_ACTIVE:
			return &pb.ActivateHousePolicyResponse{HousePolicy: stored}, storage.Changes{}, nil
		case pb.PolicyState_POLICY_STATE_RETIRED:
			return nil, storage.Changes{}, fault.Precondition("POLICY_RETIRED", req.Name, "the policy was retired; upload it anew to use it again")
		}
		changes, err := retireActive(r, scene)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		active := proto.CloneOf(stored)
		active.State = pb.PolicyState_POLICY_STATE_ACTIVE
		record.SetTime(active, "activate_time", scene.Time)
		record.SetTime(active, "update_time", scene.Time)
		changes.Records = append(changes.Records, storage.HousePolicies.Replace(stored, active))
		changes.Entries = append(changes.Entries, scene.Activated(stored, active))
		return &pb.ActivateHousePolicyResponse{HousePolicy: active}, changes, nil
	})
}

// retireActive retires the policy in force, where there is one.
func retireActive(r *storage.Snapshot, scene ledger.Scene) (storage.Changes, error) {
	old, err := record.ActivePolicy(r)
	if err != nil || old == nil {
		return storage.Changes{}, err
	}
	retired := proto.CloneOf(old)
	retired.State = pb.PolicyState_POLICY_STATE_RETIRED
	record.SetTime(retired, "update_time", scene.Time)
	replace := storage.HousePolicies.Replace(old, retired)
	return storage.Changes{Records: []storage.Record{replace}, Entries: []*pb.AuditEntry{scene.Changed(old, retired)}}, nil
}

// ListRules lists the rules that hold in a chain: the built-in ones, then the
// house's.
func (s Service) ListRules(ctx context.Context, req *pb.ListRulesRequest) (*pb.ListRulesResponse, error) {
	var house *pb.HousePolicy
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
		if _, err = record.Get(r, storage.Chains, req.Parent); err == nil {
			house, err = record.ActivePolicy(r)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	answer := &pb.ListRulesResponse{PolicyDigest: s.Rules.Digest(house)}
	answer.Rules, answer.NextPageToken, err = pageOf(s.Rules.Rules(house), req, answer.PolicyDigest)
	return answer, err
}

// pageOf cuts one page out of the rules. The token is the digest of the policy
// and the place of the last rule, so that a policy that changed in between is
// noticed.
func pageOf(all []*pb.Rule, req *pb.ListRulesRequest, digest string) ([]*pb.Rule, string, error) {
	begin := 0
	if req.PageToken != "" {
		of, place, _ := strings.Cut(req.PageToken, ".")
		n, err := strconv.Atoi(place)
		if err != nil || of != digest || n < 1 || n >= len(all) {
			return nil, "", storage.ErrBadToken
		}
		begin = n
	}
	size := int(req.PageSize)
	if size == 0 {
		size = 50 // as in every list of the contract
	}
	end := min(begin+min(size, 500), len(all))
	if end == len(all) {
		return all[begin:], "", nil
	}
	return all[begin:end], digest + "." + strconv.Itoa(end), nil
}
