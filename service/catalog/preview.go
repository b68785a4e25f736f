package catalog

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/storage"
)

// previewed is how many decisions a preview looks at unless told otherwise. The
// contract says so.
const previewed = 200

// PreviewHousePolicy decides the chain's latest decisions again as if a policy
// were in force, and counts what would have changed.
func (s Service) PreviewHousePolicy(ctx context.Context, req *pb.PreviewHousePolicyRequest) (*pb.PreviewHousePolicyResponse, error) {
	caller := actor.From(ctx)
	var policy *pb.HousePolicy
	var decisions []*pb.Decision
	err := storage.Read(ctx, s.DB, record.Chain(req.Name), func(r *storage.Snapshot) (err error) {
		if policy, err = record.Get(r, caller, storage.HousePolicies, req.Name); err == nil {
			decisions, err = storage.LatestDecisions(r, cmp.Or(int(req.Last), previewed))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	t := newTally(policy)
	for _, d := range decisions {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		in := proto.CloneOf(d.Inputs)
		in.HousePolicy, in.Parameters = policy, s.Rules.Parameters(policy.Parameters)
		again, err := s.Rules.Decide(in)
		if err != nil {
			return nil, err
		}
		t.count(d, again)
	}
	return t.answer(len(decisions)), nil
}

// tally counts what a policy would have done.
type tally struct {
	rules   []*pb.RulePreview
	byID    map[string]*pb.RulePreview
	changes map[[2]pb.Verdict]int32
}

func newTally(p *pb.HousePolicy) tally {
	t := tally{byID: map[string]*pb.RulePreview{}, changes: map[[2]pb.Verdict]int32{}}
	for _, r := range p.Rules {
		row := &pb.RulePreview{RuleId: r.RuleId}
		t.rules = append(t.rules, row)
		t.byID[r.RuleId] = row
	}
	return t
}

// count compares a decision as it was given with the one under the policy.
func (t tally) count(given, again *pb.Decision) {
	if given.Verdict != again.Verdict {
		t.changes[[2]pb.Verdict{given.Verdict, again.Verdict}]++
	}
	seen := map[string]bool{}
	for _, f := range again.Findings {
		row := t.byID[f.RuleId]
		if f.Layer != pb.Layer_LAYER_HOUSE || row == nil || seen[f.RuleId] {
			continue
		}
		seen[f.RuleId] = true
		if f.EvaluationFailed {
			row.Failed++
		} else {
			row.Fired++
		}
	}
}

// answer is the count of all.
func (t tally) answer(checked int) *pb.PreviewHousePolicyResponse {
	a := &pb.PreviewHousePolicyResponse{Checked: int32(checked), Rules: t.rules}
	refused, changed := int32(0), int32(0)
	for verdicts, n := range t.changes {
		a.Changes = append(a.Changes, &pb.VerdictChange{From: verdicts[0], To: verdicts[1], Count: n})
		changed += n
		if verdicts[1] == pb.Verdict_VERDICT_REFUSE {
			refused += n
		}
	}
	slices.SortFunc(a.Changes, func(x, y *pb.VerdictChange) int {
		return cmp.Or(cmp.Compare(y.Count, x.Count), cmp.Compare(x.From, y.From), cmp.Compare(x.To, y.To))
	})
	a.Summary = fmt.Sprintf("of the latest %d decisions, this policy would have changed %d; it would have refused %d more", checked, changed, refused)
	return a
}
