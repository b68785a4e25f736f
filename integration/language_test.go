package integration

import (
	"slices"
	"testing"

	"google.golang.org/grpc/metadata"

	pb "alkalog/proto/alkalogv1"
)

// The promise: a chain that turns a draft language on gets its decisions with texts in
// that language beside the English ones, stored as they were shown. Other chains do
// not, and a replay does not depend on them.
func TestDecisionInALanguage(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "language")
	client := c.client(t)
	ask := func(accept string) *pb.Decision {
		t.Helper()
		ctx := metadata.AppendToOutgoingContext(c.amara.calling(t), "accept-language", accept)
		answer, err := c.eligibility.CheckEligibility(ctx, c.question(c.submitted(t, client, brokenSkin).Name))
		if err != nil {
			t.Fatal(err)
		}
		return answer.Decision
	}
	if d := ask("fr-CA, en;q=0.5"); d.Language != "" || len(d.LocalTexts) > 0 {
		t.Errorf("a draft language that nobody turned on was served: %s %v", d.Language, d.LocalTexts)
	}
	must(t, c.odile, c.directory.UpdateChainSettings, &pb.UpdateChainSettingsRequest{RequestId: newID(), UpdateMask: updateMask("unreviewed_languages"),
		ChainSettings: &pb.ChainSettings{Name: c.name + "/settings", UnreviewedLanguages: []string{"fr"}}})
	d := ask("fr-CA, en;q=0.5")
	stored := must(t, c.amara, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: d.Name}).Decision
	for _, d := range []*pb.Decision{d, stored} {
		if d.Language != "fr" || d.LocalTextsReviewed {
			t.Errorf("language %q, reviewed %t", d.Language, d.LocalTextsReviewed)
		}
		i := slices.IndexFunc(d.LocalTexts, func(l *pb.LocalText) bool { return l.TextId == "findings/scalp.broken-skin" })
		if i < 0 || d.LocalTexts[i].Text != "Ne mettez rien de caustique sur ce cuir chevelu. La peau est abîmée : attendez qu'elle soit guérie." {
			t.Errorf("texts: %v", d.LocalTexts)
		}
		if i := slices.IndexFunc(d.Findings, func(f *pb.Finding) bool { return f.RuleId == "scalp.broken-skin" }); i < 0 ||
			d.Findings[i].Message != "Put nothing caustic on this scalp. The skin is broken: wait until it has healed." {
			t.Errorf("the English is not beside it: %v", d.Findings)
		}
	}
	for _, accept := range []string{"es", "en, fr;q=0.9", "de", "?;q=x"} {
		if d := ask(accept); d.Language != "" || len(d.LocalTexts) > 0 {
			t.Errorf("%q was served %q", accept, d.Language)
		}
	}
	replay := must(t, c.odile, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: d.Name})
	if !replay.Identical {
		t.Errorf("replayed: %v", replay.Differences)
	}
}
