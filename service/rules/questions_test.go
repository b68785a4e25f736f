package rules

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// What only an unanswered question could take away is shown with its question, once; and
// of conditions that exclude one another none is shown before the answer.
func TestConditionsAskOnceAndDoNotContradict(t *testing.T) {
	e := newEngine(t)
	exclusive := [][2]string{{"hair.dense", "hair.thin"}}
	rapid.Check(t, func(t *rapid.T) {
		d := mustDecide(t, e, anyCase(t, e))
		asked, shown := map[string]bool{}, map[string]string{}
		for _, c := range d.GetConditions() {
			if strings.HasPrefix(c.GetConditionId(), unanswered) {
				continue // what must be answered if a finding is set aside
			}
			question, waits := strings.CutPrefix(c.GetText(), "Answer first: ")
			question, _, until := strings.Cut(question, " Until then: ")
			if waits && asked[question] {
				t.Fatalf("%q is asked twice among the conditions", question)
			}
			asked[question] = waits
			if !waits || until {
				shown[c.GetRuleId()] = c.GetText()
			}
		}
		for _, pair := range exclusive {
			if shown[pair[0]] != "" && shown[pair[1]] != "" {
				t.Fatalf("%q and %q exclude one another", shown[pair[0]], shown[pair[1]])
			}
		}
	})
	in := soundHead()
	in.Consultation.Hair.Density = pb.Density_DENSITY_UNSPECIFIED
	var texts []string
	for _, c := range mustDecide(t, e, in).GetConditions() {
		texts = append(texts, c.GetText())
	}
	if len(texts) != 1 || !strings.HasPrefix(texts[0], "Answer first: ") || strings.Contains(texts[0], "Until then") {
		t.Errorf("without an answer on density, the conditions are %q", texts)
	}
}
