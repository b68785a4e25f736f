package rules

import (
	"cmp"
	"errors"
	"slices"
	"strings"

	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/interpreter"

	pb "alkalog/proto/alkalogv1"
)

// waiting is a rule that waits for answers about a subject.
type waiting struct {
	*rule
	subject subject
	fields  []int
	message string
}

// opinion is all that a policy's rules say of a case.
type opinion struct {
	findings []*pb.Finding // severest first
	waiting  []waiting
}

// Decide answers a case: verdict, findings, open questions, strength, conditions,
// alternatives and cautions. It leaves the decision's name, times, actor and plan
// to the caller. The decision shares the parts of in, which must not be changed
// afterwards, and of the policy. An error means that nothing was decided.
func (e *Engine) Decide(in *pb.DecisionInputs) (*pb.Decision, error) {
	if err := complete(in); err != nil {
		return nil, err
	}
	s := e.book.open(e.inForce(in))
	frame, err := interpreter.NewExecutionFrame(s)
	if err != nil {
		return nil, err
	}
	defer frame.Close()
	policy := e.under(in.GetHousePolicy())
	o := e.ask(s, policy, frame)
	verdict, questions := e.judge(o)
	d := &pb.Decision{
		Verdict:             verdict,
		StandingVerdict:     verdict,
		Findings:            o.findings,
		OpenQuestions:       questions,
		Conditions:          e.conditions(o, questions),
		Inputs:              s.in,
		PolicyDigest:        policy.digest,
		EngineVersion:       Version,
		Cautions:            slices.Clone(e.cautions),
		RecommendedStrength: e.advise(s, frame),
	}
	if verdict >= pb.Verdict_VERDICT_REFER {
		d.Alternatives = e.offer(s, frame)
	}
	return d, nil
}

// ask puts every rule that holds in the salon's jurisdiction to the case.
func (e *Engine) ask(s *state, p *policy, frame *interpreter.ExecutionFrame) *opinion {
	o := &opinion{}
	place := placeOf(s.in.GetSalon().GetJurisdiction())
	for scope := pb.RuleScope_RULE_SCOPE_CASE; scope <= pb.RuleScope_RULE_SCOPE_SECTION; scope++ {
		s.each(scope, func(about subject) {
			for _, r := range e.rules[scope] {
				if r.holds&place != 0 {
					o.hear(s, r, about, frame)
				}
			}
			for _, r := range p.house[scope] {
				if r.holds&place != 0 {
					o.hear(s, r, about, s) // on its own, so that its cost is its own
				}
			}
		})
	}
	slices.SortStableFunc(o.findings, func(a, b *pb.Finding) int { return cmp.Compare(b.Severity, a.Severity) })
	return o
}

// hear asks one rule about one subject and keeps what it says.
func (o *opinion) hear(s *state, r *rule, about subject, vars any) {
	answer, missing, err := r.ask(vars)
	switch {
	case err != nil:
		o.findings = append(o.findings, r.finding(s, about, true))
	case missing != nil:
		o.waiting = append(o.waiting, waiting{r, about, missing, r.message.say(s)})
	case answer:
		o.findings = append(o.findings, r.finding(s, about, false))
	}
}

// ask evaluates a formula: its answer, or the fields that it waits for.
func (f *formula) ask(vars any) (answer bool, missing []int, err error) {
	if f.program == nil {
		return false, nil, errors.New("the rule was not built")
	}
	value, _, err := f.program.Eval(vars)
	switch value := value.(type) {
	case types.Bool:
		return bool(value), nil, err
	case *types.Unknown:
		for _, id := range value.IDs() {
			missing = append(missing, int(id))
		}
		return false, missing, err
	}
	return false, nil, errors.Join(err, errors.New("the rule gave no answer"))
}

// finding is what a rule that fired tells.
func (r *rule) finding(s *state, about subject, failed bool) *pb.Finding {
	f := &pb.Finding{
		RuleId: r.text.RuleId, RuleVersion: r.text.Version, Layer: r.text.Layer, Severity: r.text.Severity, Subject: about.name,
		Message: r.message.say(s), Basis: r.text.Basis, OverrideTerms: r.text.OverrideTerms, EvaluationFailed: failed,
	}
	if failed {
		f.Severity = pb.Severity_SEVERITY_REFER
		f.Message = "This rule could not be evaluated, so nobody can say that it does not apply: " + f.Message
		return f
	}
	for _, i := range r.fields {
		if v := s.value(i); !types.IsUnknown(v) && plain(v) != "" {
			f.Answers = append(f.Answers, &pb.SeenAnswer{Field: s.book.pathOf(i, about), Value: plain(v)})
		}
	}
	return f
}

// pathOf is where a field stands in the inputs.
func (b *book) pathOf(i int, about subject) string {
	path := b.fields[i].path
	if i < b.zones {
		return path
	}
	_, rest, _ := strings.Cut(path, ".")
	return about.path + "." + rest
}
