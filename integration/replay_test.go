package integration

import (
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// A decision can be made again from what is stored: the same inputs, the policy
// of its day. What was changed behind the server's back comes out otherwise.

func TestReplayGivesTheStoredDecisions(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	c := s.newChain(t, "ebb-and-flow")
	for _, d := range []*pb.Decision{c.decision(t), c.decision(t, brokenSkin), c.decision(t, medication), c.decision(t, c.shampooed)} {
		answer := must(t, c.imara, s.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: d.Name})
		if !answer.Identical || len(answer.Differences) > 0 || answer.EngineVersion == "" {
			t.Errorf("%s: %v", d.Verdict, answer)
		}
	}
	var texts, decisions int
	if err := s.sql.QueryRow("select (select count(*) from policy_texts), (select count(*) from decisions)").Scan(&texts, &decisions); err != nil {
		t.Fatal(err)
	}
	if texts != 3 || decisions != 4 {
		t.Errorf("%d texts kept for %d decisions under one policy, want the digest's, the policy's and the house's", texts, decisions)
	}
}

func TestReplayFindsAnEditedDecision(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	c := s.newChain(t, "ebb-and-flow")
	d := wantVerdict(t, c.decision(t, brokenSkin), pb.Verdict_VERDICT_REFUSE)
	for what, edit := range map[string]func(*pb.Decision){
		"verdict softened":  func(d *pb.Decision) { d.Verdict = pb.Verdict_VERDICT_PROCEED },
		"finding taken out": func(d *pb.Decision) { d.Findings = d.Findings[1:] },
		"answer changed":    func(d *pb.Decision) { d.Inputs.Consultation.Scalp.BrokenSkin = pb.Answer_ANSWER_NO },
	} {
		edited := proto.CloneOf(d)
		edit(edited)
		s.forge(t, edited)
		answer := must(t, c.imara, s.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: d.Name})
		if answer.Identical || len(answer.Differences) == 0 {
			t.Errorf("%s: replay found no difference", what)
		}
	}
}

// forge overwrites a stored decision as an administrator of the database could,
// who takes the trigger away first.
func (s *site) forge(t *testing.T, d *pb.Decision) {
	t.Helper()
	body, err := proto.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	for _, statement := range []string{"alter table decisions disable trigger refuse_change", "", "alter table decisions enable always trigger refuse_change"} {
		var err error
		if statement == "" {
			_, err = s.sql.Exec("update decisions set body = $1 where id = $2", body, last(d.Name))
		} else {
			_, err = s.sql.Exec(statement)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}
