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

// previewed is how many decisions a preview decides again unless the request says
// otherwise. The contract states the number.
const previewed = 200

// PreviewHousePolicy decides the chain's latest decisions again as if a policy
// were in force, and counts the differences. It stores nothing and does not put
// the policy in force. The decisions are decided outside the snapshot: they hold
// their own inputs, and a transaction must not stay open while hundreds of
// decisions are computed. The context is checked before each one. Overrides play
// no part: verdicts are compared as the rules give them.
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
		in.HousePolicy, in.Parameters = policy, s.Rules.Parameters(policy)
		again, err := s.Rules.Decide(in)
		if err != nil {
			return nil, err
		}
		t.count(d, again)
	}
	return t.answer(len(decisions)), nil
}

// tally counts how decisions change under a policy. Rules are in the order of the
// policy; changes are counted by the verdict before and after. The zero of a
// count says that the rule never fired on the decisions tried, not that it never
// will.
type tally struct {
	rules   []*pb.RulePreview
	byID    map[string]*pb.RulePreview
	changes map[[2]pb.Verdict]int32
}

// newTally returns a tally with a row for each rule, so that a rule that never
// fires is listed with zero.
func newTally(p *pb.HousePolicy) tally {
	t := tally{byID: map[string]*pb.RulePreview{}, changes: map[[2]pb.Verdict]int32{}}
	for _, r := range p.Rules {
		row := &pb.RulePreview{RuleId: r.RuleId}
		t.rules = append(t.rules, row)
		t.byID[r.RuleId] = row
	}
	return t
}

// count compares a stored decision with the one under the policy. A rule counts
// once for each decision, although it may have findings for several sections.
// Findings of built-in rules are not counted: the policy does not change them.
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

// answer returns the counts, the most frequent change first, and a sentence for
// the manager. Equal counts are ordered by verdict, so the answer does not depend
// on the order of a map.
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
