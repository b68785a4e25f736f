package rules

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"cel.dev/cel-go/common/cost"
	"cel.dev/cel-go/common/types"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// A chain writes rules of its own without being able to loosen anything: its rules are
// added to the built-in ones, its layer is set here whatever the upload says, and its
// numbers count only where they are stricter. A policy is checked in full when it is
// uploaded, so that a decision never meets a rule that it cannot evaluate, and every
// problem is reported at once with the path of its field.
//
// The limit on cost is checked twice. The estimate at the upload is the worst case for
// inputs of the sizes that the contract allows; the limit at run time holds whatever the
// inputs are. A rule that meets it refers.

// houseCost is the most that one evaluation of a house rule may cost, in CEL's
// units: about one for each field read or comparison made. The dearest built-in
// rule, which looks at every departure of every visit on the card, stays below.
const houseCost = 25_000

// Problem is one thing that is not right in a house policy: the field's path,
// and what would be right.
type Problem struct{ Field, Want string }

// CheckHouse says what is not right in a house policy. A policy without problems
// can be evaluated on any inputs, and can only make verdicts stricter.
func (e *Engine) CheckHouse(p *pb.HousePolicy) []Problem {
	var problems []Problem
	seen := map[string]bool{}
	for i, text := range p.GetRules() {
		report := func(field, want string) {
			problems = append(problems, Problem{fmt.Sprintf("rules[%d]%s", i, field), want})
		}
		e.checkRule(text, report)
		if seen[text.GetRuleId()] {
			report(".rule_id", "must be there once only in the policy")
		}
		seen[text.GetRuleId()] = true
	}
	problems = append(problems, e.checkParameters(p.GetParameters())...)
	return append(problems, e.checkLoosening(p.GetLoosening())...)
}

// ruleID is the form of a house rule's id.
var ruleID = regexp.MustCompile(`^house(\.[a-z][a-z0-9-]*)+$`)

// checkRule reports what is not right in one rule.
// It goes on after a problem, so that the author sees all of them.
func (e *Engine) checkRule(r *pb.Rule, report func(field, want string)) {
	if !ruleID.MatchString(r.GetRuleId()) {
		report(".rule_id", `must begin with "house.", such as "house.no-friday-relaxers"`)
	}
	if r.GetVersion() < 1 {
		report(".version", "must be 1 or more")
	}
	if r.GetLayer() != pb.Layer_LAYER_UNSPECIFIED && r.GetLayer() != pb.Layer_LAYER_HOUSE {
		report(".layer", "must be LAYER_HOUSE; a chain writes no other")
	}
	if pb.Severity_name[int32(r.GetSeverity())] == "" || r.GetSeverity() == pb.Severity_SEVERITY_UNSPECIFIED {
		report(".severity", "must be one of CONDITION, ASK, REFER, REFUSE")
	}
	if strings.TrimSpace(r.GetMessage()) == "" {
		report(".message", "must tell the practitioner why, in plain words")
	}
	for i, name := range r.GetJurisdictions() {
		if pb.Jurisdiction_value[name] == 0 {
			report(fmt.Sprintf(".jurisdictions[%d]", i), `must be the name of a jurisdiction, such as "JURISDICTION_EU"`)
		}
	}
	if want := e.lang.expressionProblem(r); want != "" {
		report(".expression", want)
	}
	if w := e.lang.newRule(r, e.lang.buildLimited); r.GetWait() != nil && w.failure != nil {
		report(".wait", w.failure.Error())
	}
	checkTerms(r.GetOverrideTerms(), report)
	checkAlone(r, report)
}

// checkAlone reports terms for somebody who works alone on anything but a wait, or
// without the time below which nobody may: 24 hours or 42 days (our own choice).
func checkAlone(r *pb.Rule, report func(field, want string)) {
	terms := r.GetOverrideTerms()
	switch {
	case !terms.GetAlone():
	case !terms.GetAllowed() || len(r.GetWait().GetEvents()) == 0:
		report(".override_terms.alone", "must be false but for a rule that waits after an event and may be overridden")
	case r.GetWait().GetHoursField() != "" && terms.GetAloneMinimumHours() < 24:
		report(".override_terms.alone_minimum_hours", "must be 24 or more")
	case r.GetWait().GetDaysField() != "" && terms.GetAloneMinimumDays() < 42:
		report(".override_terms.alone_minimum_days", "must be 42 or more")
	}
}

// A house may let a finding of its own be overridden, by people who work on clients or
// answer for them, for a reason from a list. Terms that nobody could meet look like a
// possibility and are none, so they are refused.

// checkTerms reports terms of override that nobody could use.
func checkTerms(terms *pb.OverrideTerms, report func(field, want string)) {
	if !terms.GetAllowed() {
		return
	}
	if len(terms.GetRoles()) == 0 {
		report(".override_terms.roles", "must name at least one role when overriding is allowed")
	}
	for i, role := range terms.GetRoles() {
		if role != pb.Role_ROLE_PRACTITIONER && role != pb.Role_ROLE_SUPERVISOR && role != pb.Role_ROLE_MANAGER {
			report(fmt.Sprintf(".override_terms.roles[%d]", i), "must be PRACTITIONER, SUPERVISOR or MANAGER")
		}
	}
	if len(terms.GetReasons()) == 0 {
		report(".override_terms.reasons", "must give at least one reason to choose from when overriding is allowed")
	}
}

// expressionProblem is what is not right in a rule's expression, or "".
func (l *language) expressionProblem(r *pb.Rule) string {
	if utf8.RuneCountInString(r.GetExpression()) > maxExpression {
		return fmt.Sprintf("must be at most %d characters", maxExpression)
	}
	if _, known := pb.RuleScope_name[int32(r.GetScope())]; !known {
		return "must come with the scope CASE, ZONE or SECTION"
	}
	ast, err := l.typeCheck(r.GetExpression())
	if err != nil {
		return "must be a CEL expression over the decision's inputs: " + err.Error()
	}
	estimate, err := l.env.EstimateCost(ast, sizes{})
	if err != nil || estimate.Max > houseCost {
		return fmt.Sprintf("must cost at most %d; this one may cost %d: look at fewer list elements or leave out nested macros", houseCost, estimate.Max)
	}
	f, err := l.buildLimited(ast)
	if err != nil {
		return "must be an expression that can be built: " + err.Error()
	}
	if err := l.checkScope(f, r.GetScope()); err != nil {
		return err.Error()
	}
	return l.missingPrecondition(f)
}

// A client who never had something cannot say when it was last. A rule that names the
// date without the question before it would wait for an answer that nobody can give, and
// every decision of the chain would stay ASK. So the question must be named too, and in
// a condition it is then asked first.

// missingPrecondition says which question an expression has left out that comes before one it
// names: a client who never had a relaxer cannot say when the last one was, and would
// be asked for ever.
func (l *language) missingPrecondition(f *expression) string {
	for _, i := range f.fields {
		at := l.fields[i]
		named := slices.ContainsFunc(f.fields, func(j int) bool { return l.fields[j].path == at.follows || l.fields[j].replaces == at.follows })
		if at.follows != "" && !named {
			return fmt.Sprintf("must name %s before %s, as in %s == Answer.YES ? ... : false", at.follows, at.path, at.follows)
		}
	}
	return ""
}

// anySize tells the cost estimate that lists and texts may have any length.
type anySize struct{ sizes }

// EstimateSize implements cost.Estimator.
func (anySize) EstimateSize(node cost.AstNode) *cost.SizeEstimate {
	switch node.Type().Kind() {
	case types.ListKind, types.StringKind, types.BytesKind, types.MapKind, types.DynKind, types.StructKind:
		return &cost.SizeEstimate{Min: 0, Max: math.MaxUint64}
	}
	return &cost.SizeEstimate{Min: 1, Max: 1}
}

// sizes tells the cost estimate how long the lists and texts of the inputs are
// expected to be. Longer ones meet the limit while the rule runs.
type sizes struct{}

// EstimateCallCost implements cost.Estimator; CEL's own estimates hold.
func (sizes) EstimateCallCost(string, string, *cost.AstNode, []cost.AstNode) *cost.CallEstimate {
	return nil
}

// EstimateSize implements cost.Estimator: lots and ingredients as the contract
// limits them, visits and names likewise, departures as many as a bad day has.
func (sizes) EstimateSize(node cost.AstNode) *cost.SizeEstimate {
	most := uint64(150) // characters of a name
	if node.Type().Kind() == types.ListKind {
		switch node.Type().Parameters()[0].TypeName() {
		case "alkalog.v1.Lot":
			most = 500
		case "alkalog.v1.Visit":
			most = 50
		case "alkalog.v1.Deviation":
			most = 10
		default:
			most = 12
		}
	}
	return &cost.SizeEstimate{Min: 0, Max: most}
}

// Whether a number is looser is found by putting it together with the default: a number
// that does not come out as it went in was the looser one. So there is one place that
// knows which direction is stricter (strictestParameters).

// checkParameters reports numbers that are looser than the built-in ones.
func (e *Engine) checkParameters(p *pb.PolicyParameters) []Problem {
	if p == nil {
		return nil
	}
	var problems []Problem
	house, standard := p.ProtoReflect(), e.defaults.ProtoReflect()
	tightened := e.strictestParameters(e.defaults, p).ProtoReflect()
	house.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if !tightened.Get(f).Equal(v) {
			want := fmt.Sprintf("must not be looser than the built-in %v", standard.Get(f))
			problems = append(problems, Problem{"parameters." + string(f.Name()), want})
		}
		return true
	})
	slices.SortFunc(problems, func(a, b Problem) int { return strings.Compare(a.Field, b.Field) })
	return problems
}

// houseRule is the rule as the engine keeps it: the layer and the basis cannot
// pretend to be another's.
func houseRule(text *pb.Rule) *pb.Rule {
	r := proto.CloneOf(text)
	r.Layer = pb.Layer_LAYER_HOUSE
	if r.Basis == nil {
		r.Basis = &pb.Basis{Kind: pb.BasisKind_BASIS_KIND_HOUSE}
	}
	if r.OverrideTerms == nil {
		r.OverrideTerms = &pb.OverrideTerms{}
	}
	return r
}

// Digest names the policy together with a house policy, which may be nil: the
// SHA-256 of the digests of PolicyText and HouseText.
func (e *Engine) Digest(house *pb.HousePolicy) string { return e.policyFor(house).digest }

// digestWith names this policy together with a house policy.
func (e *Engine) digestWith(house *pb.HousePolicy) string {
	return digest(digestLines(e.textDigest, digest(HouseText(house))))
}

// The digest of a policy is over this text and not over the stored message: the message
// has a name, an etag and times, which change without any rule changing. A field that is
// added later is written only when it is set, so that older policies keep their digest
// and their decisions replay.

// HouseText writes out all of a house policy that bears on a decision, in a form
// that stays the same as long as the rules and numbers do.
func HouseText(p *pb.HousePolicy) []byte {
	var b []byte
	for _, r := range p.GetRules() {
		b = fmt.Appendf(b, "rule %q version %d %s %s\n", r.GetRuleId(), r.GetVersion(), r.GetScope(), r.GetSeverity())
		b = fmt.Appendf(b, "  when %q\n  message %q\n  basis %s %q\n", r.GetExpression(), r.GetMessage(), r.GetBasis().GetKind(), r.GetBasis().GetSource())
		b = fmt.Appendf(b, "  in %q\n", r.GetJurisdictions())
		if r.GetBeforeContact() { // written only when true: older policies keep their digest
			b = append(b, "  before contact\n"...)
		}
		if w := r.GetWait(); w != nil {
			b = fmt.Appendf(b, "  wait since %q until %q hours %q days %q abstain %q\n", w.GetEvents(), w.GetUntilField(), w.GetHoursField(), w.GetDaysField(), w.GetAbstainText())
		}
		if r.GetCause() != "" {
			b = fmt.Appendf(b, "  cause %q\n", r.GetCause())
		}
		if t := r.GetOverrideTerms(); t.GetAlone() {
			b = fmt.Appendf(b, "  alone after %d hours, %d days\n", t.GetAloneMinimumHours(), t.GetAloneMinimumDays())
		}
		if r.GetOverrideTerms().GetAllowed() {
			b = fmt.Appendf(b, "  override by %v\n", r.GetOverrideTerms().GetRoles())
			for _, reason := range r.GetOverrideTerms().GetReasons() {
				b = fmt.Appendf(b, "    %s %q\n", reason.GetCode(), reason.GetDescription())
			}
		}
	}
	b = appendNumbers(b, "", p.GetParameters())
	return appendNumbers(b, "looser ", p.GetLoosening())
}

// appendNumbers writes out the numbers that are set, a line each.
func appendNumbers(b []byte, prefix string, p *pb.PolicyParameters) []byte {
	m := p.ProtoReflect()
	for i := range m.Descriptor().Fields().Len() {
		if f := m.Descriptor().Fields().Get(i); m.Has(f) {
			b = fmt.Appendf(b, "%s%s %v\n", prefix, f.Name(), m.Get(f))
		}
	}
	return b
}
