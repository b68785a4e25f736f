package rules

import (
	"fmt"
	"runtime"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

func houseRuleOf(expression string) *pb.Rule {
	return &pb.Rule{
		RuleId: "house.ours", Version: 1, Scope: pb.RuleScope_RULE_SCOPE_CASE, Severity: pb.Severity_SEVERITY_REFUSE,
		Expression: expression, Message: "Not here.",
	}
}

func TestCheckHouse(t *testing.T) {
	e := newEngine(t)
	for _, c := range []struct {
		name  string
		spoil func(*pb.Rule)
		field string // of the first problem; empty for none
		want  string // in its text
	}{
		{"a good rule", func(*pb.Rule) {}, "", ""},
		{"a name of the built-in rules", func(r *pb.Rule) { r.RuleId = "scalp.redness" }, "rules[0].rule_id", `must begin with "house."`},
		{"no version", func(r *pb.Rule) { r.Version = 0 }, "rules[0].version", "1 or more"},
		{"another layer", func(r *pb.Rule) { r.Layer = pb.Layer_LAYER_BUILT_IN }, "rules[0].layer", "LAYER_HOUSE"},
		{"no severity", func(r *pb.Rule) { r.Severity = 0 }, "rules[0].severity", "one of"},
		{"a severity that is none", func(r *pb.Rule) { r.Severity = 9 }, "rules[0].severity", "one of"},
		{"no message", func(r *pb.Rule) { r.Message = " " }, "rules[0].message", "plain words"},
		{"an unknown place", func(r *pb.Rule) { r.Jurisdictions = []string{"ATLANTIS"} }, "rules[0].jurisdictions[0]", "jurisdiction"},
		{"not CEL", func(r *pb.Rule) { r.Expression = "if redness then refuse" }, "rules[0].expression", "CEL expression"},
		{"empty", func(r *pb.Rule) { r.Expression = "" }, "rules[0].expression", "CEL expression"},
		{"not a bool", func(r *pb.Rule) { r.Expression = "consultation.consent.age_years" }, "rules[0].expression", "true or false"},
		{"dyn", func(r *pb.Rule) { r.Expression = "dyn(true)" }, "rules[0].expression", "true or false"},
		{"a mistyped field", func(r *pb.Rule) { r.Expression = "consultation.scalp.rednes == Answer.YES" }, "rules[0].expression", "undeclared"},
		{"a mistyped word", func(r *pb.Rule) { r.Expression = "consultation.scalp.redness == Answer.YEP" }, "rules[0].expression", "undeclared"},
		{"words of two kinds", func(r *pb.Rule) { r.Expression = "consultation.scalp.redness == Texture.FINE" }, "rules[0].expression", "no matching overload"},
		{"the client's words", func(r *pb.Rule) { r.Expression = "consultation.wishes.words == ''" }, "rules[0].expression", "undeclared"},
		{"presence instead of an answer", func(r *pb.Rule) { r.Expression = "has(consultation.scalp.redness)" }, "rules[0].expression", "undeclared"},
		{"answers of an earlier visit", func(r *pb.Rule) {
			r.Expression = "record_card.visits.exists(v, v.scalp.redness == Answer.NO)"
		}, "rules[0].expression", "undefined field"},
		{"a zone's field in a rule about the case", func(r *pb.Rule) { r.Expression = "zone.porosity == Porosity.POROUS" }, "rules[0].expression", "scope ZONE"},
		{"a section's field in a rule about zones", func(r *pb.Rule) {
			r.Scope, r.Expression = pb.RuleScope_RULE_SCOPE_ZONE, "section.fragile == Answer.YES"
		}, "rules[0].expression", "scope SECTION"},
		{"a date without the question before it", func(r *pb.Rule) {
			r.Expression = "decide_time - consultation.history.shampoo.last_time < days(9)"
		}, "rules[0].expression", "must name consultation.history.shampoo.happened before"},
		{"too long", func(r *pb.Rule) { r.Expression = "true" + strings.Repeat(" || true", 300) }, "rules[0].expression", "2000 characters"},
		{"too dear", func(r *pb.Rule) {
			r.Expression = "product.lots.exists(a, product.lots.exists(b, a.lot_code == b.lot_code))"
		}, "rules[0].expression", "must cost at most"},
		{"overridable by nobody", func(r *pb.Rule) { r.OverrideTerms = &pb.OverrideTerms{Allowed: true} }, "rules[0].override_terms.roles", "at least one"},
		{"overridable by a till", func(r *pb.Rule) {
			r.OverrideTerms = &pb.OverrideTerms{Allowed: true, Roles: []pb.Role{pb.Role_ROLE_TILL}, Reasons: []*pb.OverrideReason{{Code: "X_Y_Z"}}}
		}, "rules[0].override_terms.roles[0]", "SUPERVISOR"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := houseRuleOf("consultation.scalp.redness != Answer.NO")
			c.spoil(r)
			problems := e.CheckHouse(&pb.HousePolicy{Rules: []*pb.Rule{r}})
			switch {
			case c.field == "" && len(problems) > 0:
				t.Errorf("problems: %v", problems)
			case c.field != "" && (len(problems) == 0 || problems[0].Field != c.field || !strings.Contains(problems[0].Want, c.want)):
				t.Errorf("problems: %v, want %s with %q", problems, c.field, c.want)
			}
		})
	}
}

func TestCheckHouseNumbers(t *testing.T) {
	e := newEngine(t)
	p := &pb.HousePolicy{
		Rules: []*pb.Rule{houseRuleOf("true"), houseRuleOf("false")},
		Parameters: &pb.PolicyParameters{
			ColourWaitDays: proto.Int32(21), ShampooWaitHours: proto.Int32(24),
			StraighteningCapPercent: proto.Float64(85), StraighteningTargetPercent: proto.Float64(70),
		},
	}
	want := []Problem{
		{"rules[1].rule_id", "must be there once only in the policy"},
		{"parameters.shampoo_wait_hours", "must not be looser than the built-in 48"},
		{"parameters.straightening_cap_percent", "must not be looser than the built-in 80"},
	}
	if got := e.CheckHouse(p); !slices.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	in := e.Parameters(p)
	if in.GetColourWaitDays() != 21 || in.GetShampooWaitHours() != 48 || in.GetStraighteningCapPercent() != 80 || in.GetStraighteningTargetPercent() != 70 {
		t.Errorf("in force: %v", in)
	}
}

// Every built-in rule would be accepted from a house, too: the language and the
// limits are the same.
func TestBuiltInRulesKeepTheLimits(t *testing.T) {
	e := newEngine(t)
	for _, r := range e.Rules(nil) {
		r.RuleId, r.Layer = "house."+strings.ReplaceAll(r.GetRuleId(), ".", "-"), pb.Layer_LAYER_HOUSE
		if problems := e.CheckHouse(&pb.HousePolicy{Rules: []*pb.Rule{r}}); len(problems) > 0 {
			t.Errorf("%s: %v", r.GetRuleId(), problems)
		}
	}
}

// The limit on cost stops a rule while it runs, with the options that the engine
// uses: a product of more lots than the contract allows gets past the estimate.
// (There was a version of cel-go in which tracking state switched the limit off.)
func TestCostLimitFires(t *testing.T) {
	e := newEngine(t)
	in := soundHead()
	for i := range 20_000 {
		in.Product.Lots = append(in.Product.Lots, &pb.Lot{LotCode: fmt.Sprint(i)})
	}
	in.HousePolicy = &pb.HousePolicy{Rules: []*pb.Rule{houseRuleOf("product.lots.exists(l, l.lot_code == 'none of them')")}}
	if problems := e.CheckHouse(in.HousePolicy); len(problems) > 0 {
		t.Fatal(problems)
	}
	d := mustDecide(t, e, in)
	f := d.GetFindings()[0]
	if d.GetVerdict() != pb.Verdict_VERDICT_REFER || f.GetRuleId() != "house.ours" || !f.GetEvaluationFailed() {
		t.Errorf("%s: %v", d.GetVerdict(), f)
	}
}

// A rule that fails is a referral that says so, whatever it would have demanded.
func TestFailingRuleRefers(t *testing.T) {
	e := newEngine(t)
	for _, expression := range []string{"1 / 0 == 1", "product.lots[7].lot_code == 'L1'", "this is not CEL", ""} {
		in := soundHead()
		in.HousePolicy = &pb.HousePolicy{Rules: []*pb.Rule{houseRuleOf(expression)}}
		d := mustDecide(t, e, in)
		f := d.GetFindings()[0]
		if d.GetVerdict() != pb.Verdict_VERDICT_REFER || f.GetSeverity() != pb.Severity_SEVERITY_REFER || !f.GetEvaluationFailed() || f.GetLayer() != pb.Layer_LAYER_HOUSE {
			t.Errorf("%q: %s: %v", expression, d.GetVerdict(), f)
		}
		if !strings.HasPrefix(f.GetMessage(), "Do not go ahead on this one") {
			t.Errorf("%q: %s", expression, f.GetMessage())
		}
	}
}

// A house policy is known by its content: a changed rule or number is another
// policy, a changed name is not.
func TestPolicyIsKnownByContent(t *testing.T) {
	e := newEngine(t)
	p := &pb.HousePolicy{Name: "chains/a/policies/x", Rules: []*pb.Rule{houseRuleOf("true")}, Parameters: &pb.PolicyParameters{}}
	first := e.policyFor(p)
	renamed := proto.CloneOf(p)
	renamed.Name, renamed.DisplayName = "chains/b/policies/y", "another"
	if e.policyFor(renamed) != first || e.Digest(renamed) != e.Digest(p) {
		t.Error("a renamed policy is another")
	}
	for name, change := range map[string]func(*pb.HousePolicy){
		"expression": func(p *pb.HousePolicy) { p.Rules[0].Expression = "false" },
		"message":    func(p *pb.HousePolicy) { p.Rules[0].Message = "Not at all." },
		"severity":   func(p *pb.HousePolicy) { p.Rules[0].Severity = pb.Severity_SEVERITY_ASK },
		"scope":      func(p *pb.HousePolicy) { p.Rules[0].Scope = pb.RuleScope_RULE_SCOPE_ZONE },
		"version":    func(p *pb.HousePolicy) { p.Rules[0].Version = 2 },
		"basis":      func(p *pb.HousePolicy) { p.Rules[0].Basis = &pb.Basis{Source: "a talk"} },
		"place":      func(p *pb.HousePolicy) { p.Rules[0].Jurisdictions = []string{"JURISDICTION_EU"} },
		"terms":      func(p *pb.HousePolicy) { p.Rules[0].OverrideTerms = &pb.OverrideTerms{Allowed: true} },
		"number":     func(p *pb.HousePolicy) { p.Parameters.ColourWaitDays = proto.Int32(30) },
		"zero":       func(p *pb.HousePolicy) { p.Parameters.ColourWaitDays = proto.Int32(0) },
		"rules":      func(p *pb.HousePolicy) { p.Rules = nil },
	} {
		changed := proto.CloneOf(p)
		change(changed)
		if e.policyFor(changed) == first || e.Digest(changed) == e.Digest(p) {
			t.Errorf("changed %s, and it is the same policy", name)
		}
	}
}

// The shelf is bounded, throws out what was not used lately, and works all the
// same for what does not fit.
func TestShelfIsBounded(t *testing.T) {
	e := newEngine(t)
	e.policies = newPolicyCache(3)
	house := func(n int) *pb.HousePolicy {
		return &pb.HousePolicy{Rules: []*pb.Rule{houseRuleOf(fmt.Sprintf("consultation.consent.age_years == %d", n))}}
	}
	first := e.policyFor(house(0))
	for n := range 10 {
		e.policyFor(house(n))
		e.policyFor(house(0)) // stays in use
	}
	if e.policies.size > 3 || e.policies.recent.Len() != 3 || len(e.policies.byKey) != 3 {
		t.Errorf("holding %d rules in %d policies", e.policies.size, e.policies.recent.Len())
	}
	if e.policyFor(house(0)) != first {
		t.Error("the policy in use was thrown out")
	}
	large := house(0)
	for range 5 {
		large.Rules = append(large.Rules, houseRuleOf("true"))
	}
	if p := e.policyFor(large); len(p.rules) != 6 || e.policies.size > 3 {
		t.Errorf("a policy larger than the shelf: %d rules, holding %d", len(p.rules), e.policies.size)
	}
}

// All policies of a thousand chains, twenty rules each, stay well under 256 MiB.
func TestThousandChainsFit(t *testing.T) {
	if testing.Short() {
		return
	}
	e := newEngine(t)
	texts := e.Rules(nil)
	heap := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	before := heap()
	for chain := range 1000 {
		p := &pb.HousePolicy{}
		for i := range 20 {
			r := proto.CloneOf(texts[(chain+i)%len(texts)])
			r.RuleId, r.Version = fmt.Sprintf("house.rule-%d", i), int32(chain+1)
			p.Rules = append(p.Rules, r)
		}
		e.policyFor(p)
	}
	grown := heap() - before
	t.Logf("%d policies with %d rules hold %d KiB", e.policies.recent.Len(), e.policies.size, grown>>10)
	if e.policies.recent.Len() != 1000 || grown > 256<<20 {
		t.Errorf("%d policies hold %d MiB", e.policies.recent.Len(), grown>>20)
	}
}
