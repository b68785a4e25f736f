package rules

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// TestChangesAreThoseOfWholeDecisions: for histories of any decisions, what is kept of each
// gives the changes that comparing the whole decisions gives, in the same order.
func TestChangesAreThoseOfWholeDecisions(t *testing.T) {
	e := newEngine(t)
	found := 0
	rapid.Check(t, func(t *rapid.T) {
		var earlier []*pb.Decision
		in := anyCase(t, e)
		for n := range rapid.IntRange(0, 5).Draw(t, "decisions") {
			if rapid.Bool().Draw(t, "another client") {
				in = anyCase(t, e)
			}
			then := proto.CloneOf(in)
			paths := askedPaths(e, then)
			for range rapid.IntRange(0, 2).Draw(t, "changed answers") {
				m, f := locate(then, rapid.SampledFrom(paths).Draw(t, "path"))
				m.Set(f, rapid.SampledFrom(candidates(f)).Draw(t, "value"))
			}
			d := mustDecide(t, e, then)
			d.Inputs, d.Name = then, fmt.Sprint("chains/ebb-and-flow/clients/c/decisions/", n)
			earlier = append(earlier, d)
		}
		if rapid.Bool().Draw(t, "all well now") {
			in = soundHead()
		}
		want, err := changesInOneGo(e, earlier, in)
		if err != nil {
			t.Fatal(err)
		}
		got, err := e.AnswerChanges(judged(t, e, earlier...), in)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.EqualFunc(got, want, func(a, b *pb.AnswerChange) bool { return proto.Equal(a, b) }) {
			t.Fatalf("got %v, want %v", got, want)
		}
		found += len(got)
	})
	if found == 0 {
		t.Error("no history had a changed answer")
	}
}

// changesInOneGo compares whole decisions, without keeping anything of them: the plain form
// of Judge and AnswerChanges.
func changesInOneGo(e *Engine, earlier []*pb.Decision, in *pb.DecisionInputs) ([]*pb.AnswerChange, error) {
	var changes []*pb.AnswerChange
	var now map[string]string
	var standing []*pb.Finding
	for _, d := range earlier {
		if !contract.AtLeast(d.GetVerdict(), pb.Verdict_VERDICT_ASK) {
			continue
		}
		if now == nil {
			var err error
			if standing, err = e.dangerousFindings(in); err != nil {
				return nil, err
			}
			if now, err = e.answers(in); err != nil {
				return nil, err
			}
		}
		found := d.GetFindings()
		// The earlier inputs are judged again under today's rules, beside the stored
		// findings: a rule that was added since may refuse the earlier answer too.
		if complete(d.GetInputs()) == nil {
			dangers, err := e.dangerousFindings(d.GetInputs())
			if err != nil {
				return nil, err
			}
			found = slices.Concat(found, dangers)
		}
		then, err := e.answers(d.GetInputs())
		if err != nil {
			return nil, err
		}
		for _, f := range found {
			// A danger that still fires was not answered away.
			if !contract.AtLeast(f.GetSeverity(), pb.Severity_SEVERITY_REFER) || stillFires(standing, f) {
				continue
			}
			for _, a := range f.GetAnswers() {
				// Only answers of the consultation are the salon's to change;
				// records and numbers change by themselves.
				if field := a.GetField(); strings.HasPrefix(field, "consultation.") && then[field] != now[field] {
					changes = addChange(changes, &pb.AnswerChange{Field: field, EarlierValue: then[field], Value: now[field],
						Decision: d.GetName(), RuleIds: []string{f.GetRuleId()}})
				}
			}
		}
	}
	return changes, nil
}
