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
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// policies is how house policies are stored: every rule must be evaluable, and a
// new policy is a draft. There is no update: a policy whose text could change
// would not be what was previewed.
func (s Service) policies() record.Kind[*pb.HousePolicy] {
	return record.Kind[*pb.HousePolicy]{DB: s.DB, Now: s.Now, Store: storage.HousePolicies, Check: s.checkPolicy, Fill: fillPolicy}
}

// CreateHousePolicy uploads a chain's own rules as a draft. INVALID_ARGUMENT
// lists every rule that cannot be evaluated, with the path of its field. The
// policy has no effect until it is activated. Errors: NOT_FOUND for the chain,
// ALREADY_EXISTS for the id.
func (s Service) CreateHousePolicy(ctx context.Context, req *pb.CreateHousePolicyRequest) (*pb.CreateHousePolicyResponse, error) {
	return record.Create[*pb.CreateHousePolicyResponse](ctx, s.policies(), req, req.Parent+"/policies/"+req.HousePolicyId, req.HousePolicy)
}

// maxPolicyBytes bounds a house policy. A decision holds the whole policy and the
// findings of each rule for up to twelve sections. It must fit into one gRPC
// message, which is 4 MiB unless the client allows more.
const maxPolicyBytes = 128 << 10

// checkPolicy refuses a policy with a rule that cannot be evaluated, and one that
// would make decisions too large. Every problem is reported at once, with the
// index of its rule.
func (s Service) checkPolicy(_ *storage.Snapshot, _ actor.Actor, _, wanted *pb.HousePolicy) error {
	p := proto.CloneOf(wanted)
	p.Name = "" // the bound is on what the caller sends
	if proto.Size(p) > maxPolicyBytes {
		return fault.Invalid("house_policy.rules", fmt.Sprintf("must be at most %d bytes in all; they are %d", maxPolicyBytes, proto.Size(p)))
	}
	var violations []fault.Violation
	for _, problem := range s.Rules.CheckHouse(p) {
		violations = append(violations, fault.Violation{Field: "house_policy." + problem.Field, Want: problem.Want})
	}
	if len(violations) > 0 {
		return fault.InvalidFields(violations...)
	}
	return nil
}

// fillPolicy makes a new policy a draft with the digest of its text. The layer of
// its rules is set here, so that no upload can pass a rule off as a built-in one.
// The digest covers the text alone, without name, state and times, so equal texts
// have equal digests.
func fillPolicy(_, p *pb.HousePolicy) {
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

// ActivateHousePolicy puts a policy in force and retires the previous one in the
// same write, so no decision sees two or none. Activating the policy in force
// changes nothing. A retired policy stays retired: the log must show one period
// for each. Errors: NOT_FOUND, ABORTED for another etag, FAILED_PRECONDITION for
// a retired policy.
func (s Service) ActivateHousePolicy(ctx context.Context, req *pb.ActivateHousePolicyRequest) (*pb.ActivateHousePolicyResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Name, s.Now())
	return storage.Write(ctx, s.DB, record.Chain(audit.Chain), req, func(r *storage.Snapshot) (*pb.ActivateHousePolicyResponse, storage.Changes, error) {
		stored, err := record.GetFresh(r, caller, storage.HousePolicies, req.Name, req.Etag)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		switch stored.State {
		case pb.PolicyState_POLICY_STATE_ACTIVE:
			return &pb.ActivateHousePolicyResponse{HousePolicy: stored}, storage.Changes{}, nil
		case pb.PolicyState_POLICY_STATE_RETIRED:
			return nil, storage.Changes{}, fault.Precondition(pb.ErrorReason_ERROR_REASON_POLICY_RETIRED, req.Name, "the policy was retired; upload it anew to use it again")
		}
		changes, err := retireActive(r, audit)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		active := proto.CloneOf(stored)
		active.State = pb.PolicyState_POLICY_STATE_ACTIVE
		record.SetTime(active, "activate_time", audit.Time)
		record.SetTime(active, "update_time", audit.Time)
		changes.Records = append(changes.Records, storage.HousePolicies.Replace(stored, active))
		changes.Entries = append(changes.Entries, audit.Activated(stored, active))
		return &pb.ActivateHousePolicyResponse{HousePolicy: active}, changes, nil
	})
}

// retireActive returns the changes that retire the policy in force; none if there
// is no such policy. The policy keeps its text and its name; decisions made under
// it still refer to it.
func retireActive(r *storage.Snapshot, audit ledger.EntryContext) (storage.Changes, error) {
	old, err := record.ActivePolicy(r)
	if err != nil || old == nil {
		return storage.Changes{}, err
	}
	retired := proto.CloneOf(old)
	retired.State = pb.PolicyState_POLICY_STATE_RETIRED
	record.SetTime(retired, "update_time", audit.Time)
	replace := storage.HousePolicies.Replace(old, retired)
	return storage.Changes{Records: []storage.Record{replace}, Entries: []*pb.AuditEntry{audit.Changed(old, retired)}}, nil
}

// ListRules lists the rules that apply in a chain: first the built-in ones, then
// those of the house policy in force. The digest in the answer is the one that
// decisions carry. Page tokens hold that digest (pageOf).
func (s Service) ListRules(ctx context.Context, req *pb.ListRulesRequest) (*pb.ListRulesResponse, error) {
	caller := actor.From(ctx)
	var house *pb.HousePolicy
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
		if _, err = record.Get(r, caller, storage.Chains, req.Parent); err == nil {
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
// and the index of the next rule. If the policy changed in between, the token
// does not match and the caller starts again; otherwise it could miss a rule
// without noticing. Rules are not stored, so the pages of package storage do not
// serve them.
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
