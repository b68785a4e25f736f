package integration

import (
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage"
	"alkalog/storage/keyring"
)

// A decision can be made again from what is stored: the same inputs, the policy
// of its day. What was changed behind the server's back comes out otherwise.

func TestReplayGivesTheStoredDecisions(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
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

// TestReplayFindsAnEditedDecision: an administrator of the database cannot edit a
// decision so that it can be read at all; one who has the keys of the server too
// can, and replay shows it.
func TestReplayFindsAnEditedDecision(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	d := wantVerdict(t, c.decision(t, brokenSkin), pb.Verdict_VERDICT_REFUSE)
	for what, edit := range map[string]func(*pb.Decision){
		"verdict softened":  func(d *pb.Decision) { d.Verdict = pb.Verdict_VERDICT_PROCEED },
		"finding taken out": func(d *pb.Decision) { d.Findings = d.Findings[1:] },
		"answer changed":    func(d *pb.Decision) { d.Inputs.Consultation.Scalp.BrokenSkin = pb.Answer_ANSWER_NO },
	} {
		edited := proto.CloneOf(d)
		edit(edited)
		body, err := proto.Marshal(edited)
		if err != nil {
			t.Fatal(err)
		}
		s.forge(t, d, body)
		err = mustFail(t, c.imara, s.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: d.Name})
		wantError(t, what+", in clear", err, codes.DataLoss, "RECORD_UNREADABLE")
		s.forge(t, d, s.sealed(t, d.Name, body))
		answer := must(t, c.imara, s.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: d.Name})
		if answer.Identical || len(answer.Differences) == 0 {
			t.Errorf("%s: replay found no difference", what)
		}
	}
	c.decision(t)
	s.forge(t, d, []byte("nonsense"))
	same, different := 0, 0
	err := serve.Replay(t.Context(), serve.Config{Database: s.database.DSN(storage.RoleServer), KeysDir: s.keys}, func(name string, differences []string) {
		if len(differences) == 0 {
			same++
		} else if different++; name != d.Name {
			t.Errorf("%s: %v", name, differences)
		}
	})
	if err != nil || same != 1 || different != 1 {
		t.Errorf("%d the same, %d different, %v", same, different, err)
	}
}

// forge overwrites the stored bytes of a decision as an administrator of the
// database could, who takes the trigger away first.
func (s *testServer) forge(t *testing.T, d *pb.Decision, body []byte) {
	t.Helper()
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

// sealed seals the bytes of a decision as the server does, with its key file.
func (s *testServer) sealed(t *testing.T, name string, body []byte) []byte {
	t.Helper()
	parts := strings.Split(name, "/")
	chain, client, id := parts[1], parts[3], parts[5]
	var version string
	var wrapped []byte
	if err := s.sql.QueryRow("select version, wrapped from client_keys where chain = $1 and client = $2", chain, client).Scan(&version, &wrapped); err != nil {
		t.Fatal(err)
	}
	secret, err := ringOf(s.keys).Unwrap(wrapped, version, []byte(chain+"\x00"+client))
	if err != nil {
		t.Fatal(err)
	}
	box, err := keyring.Box(secret)
	if err != nil {
		t.Fatal(err)
	}
	place := strings.Join([]string{"alkalog sealed", "1", "decisions", chain, client, id}, "\x00")
	return box.Seal([]byte{1}, nil, body, []byte(place))
}
