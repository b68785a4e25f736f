package eligibility

import (
	"context"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// ReplayDecision decides a stored decision again from its own inputs, under the
// policy and with the code revision that decided it, and lists what differs. It
// stores nothing. A difference means that the stored record or the program was
// changed; it is an answer, so that an auditor can read it.
func (s Service) ReplayDecision(ctx context.Context, req *pb.ReplayDecisionRequest) (*pb.ReplayDecisionResponse, error) {
	caller := actor.From(ctx)
	answer := &pb.ReplayDecisionResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Name), func(r *storage.Snapshot) error {
		stored, err := record.Get(r, caller, storage.Decisions, req.Name)
		if err != nil {
			return err
		}
		answer.Differences, answer.EngineVersion, err = replay(r, policies{s.Rules.Digest(stored.Inputs.HousePolicy): s.Rules}, stored)
		answer.Identical = len(answer.Differences) == 0
		return err
	})
	return answer, err
}

// policies are the engines in memory, by the digest of their policy. A replay of
// many decisions compiles each policy once.
type policies map[string]*rules.Engine

// engine returns the engine for a policy. One that is not in memory is compiled
// from the policy text that was stored with the first decision made under it.
func (p policies) engine(r *storage.Snapshot, digest string) (*rules.Engine, error) {
	if engine, ok := p[digest]; ok {
		return engine, nil
	}
	engine, err := rules.Restore(digest, func(digest string) ([]byte, error) { return storage.PolicyText(r, digest) })
	if err == nil {
		p[digest] = engine
	}
	return engine, err
}

// replay decides again with the code revision that made the decision, and
// compares. An error means that it could not be decided again; a different
// decision is no error.
func replay(r *storage.Snapshot, at policies, stored *pb.Decision) (differences []string, version string, err error) {
	engine, err := at.engine(r, stored.PolicyDigest)
	if err != nil {
		return nil, "", err
	}
	again, err := record.Decide(engine, stored.EngineRevision, stored.Inputs)
	if err != nil {
		return nil, "", err
	}
	return rules.Compare(stored, again), again.EngineVersion, nil
}

// Replayed is one decision that was decided again.
type Replayed struct {
	Name        string
	Differences []string // empty: the same
}

// ReplayAll decides every decision of every chain again and reports each one. A
// decision that cannot be read or decided is reported as a difference and does not
// end the run: one damaged record must not hide the others. Each chain is read
// from one snapshot.
func (s Service) ReplayAll(ctx context.Context, tell func(Replayed) error) error {
	return record.EachChain(ctx, s.DB, func(chain *pb.Chain) error {
		return storage.Read(ctx, s.DB, record.Chain(chain.Name), func(r *storage.Snapshot) error {
			at := policies{}
			return storage.EachDecision(r, func(stored *pb.Decision, err error) error {
				var differences []string
				if err == nil {
					differences, _, err = replay(r, at, stored)
				}
				if err != nil {
					differences = []string{"could not be decided again: " + err.Error()}
				}
				return tell(Replayed{stored.Name, differences})
			})
		})
	})
}
